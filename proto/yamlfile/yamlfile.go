// Package yamlfile reads and writes the project's messages as files for people: floor files and tickets, in YAML or JSON.
//
// What may be written is what protobuf JSON allows, and four things that people prefer:
//
//   - a length in micrometres, a field whose name ends in _um, may be given in millimetres under the name that ends in _mm,
//     with decimals: width_mm: 1372.5;
//   - a duration may be written as 4m, 1h30m or 24h beside 240s;
//   - a state may be written as its keyword, processing-stopped, beside JOB_STATE_PROCESSING_STOPPED;
//   - text need not be quoted even if it looks like a number, a date or a yes: what is written is what is read.
//
// Field names are accepted in snake_case and in lowerCamelCase. Everything else is refused with an [*Error] that names the
// file, the line, the field and the remedy: unknown and repeated keys, a second document, NaN and infinities, YAML tags,
// merge keys, numbers with needless zeros (octal to some readers), times without an offset from UTC, files above [MaxSize],
// nesting above [MaxDepth], and aliases that blow a small file up.
//
// The package checks form only. Whether a floor or a job makes sense is for others to say. It never follows a reference to
// another file.
package yamlfile

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

const (
	// MaxSize is the size of the greatest file that is read, in bytes.
	MaxSize = 4 << 20
	// MaxDepth is the deepest nesting of lists and mappings.
	MaxDepth = 64
	// maxRepeated bounds what aliases may add to a file: about a byte for each byte, 16 for each value.
	maxRepeated = MaxSize
	// maxProblems bounds the problems told about one file.
	maxProblems = 20
)

// Read reads the file at path into m: as JSON if its name ends in .json, else as YAML. m is not changed on error. What is
// wrong with the content is an *Error; a file that cannot be read gives the error of package os.
func Read(path string, m proto.Message) error {
	_, err := ReadLines(path, m)
	return err
}

// ReadLines is Read and tells the lines at which the fields were found, so that later checks can name them too.
func ReadLines(path string, m proto.Message) (Lines, error) {
	data, err := readCapped(path)
	if err != nil {
		return nil, err
	}
	return unmarshal(path, data, m)
}

func readCapped(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if info.IsDir() {
		return nil, &Error{File: path, Problem: "is a directory; name a file"}
	}
	data, err := io.ReadAll(io.LimitReader(f, MaxSize+1))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", path, err)
	}
	return data, nil
}

// Unmarshal reads data into m: as JSON if name ends in .json, else as YAML. The name is shown in errors. m is not changed
// on error. The error is an *Error.
func Unmarshal(name string, data []byte, m proto.Message) error {
	_, err := unmarshal(name, data, m)
	return err
}

func unmarshal(name string, data []byte, m proto.Message) (Lines, error) {
	if len(data) > MaxSize {
		return nil, &Error{File: name, Problem: fmt.Sprintf("is larger than %d MiB; split it", MaxSize>>20)}
	}
	parse := parseYAML
	if strings.HasSuffix(strings.ToLower(name), ".json") {
		parse = parseJSON
	}
	root, problem := parse(data)
	if problem != nil {
		problem.File = name
		return nil, problem
	}
	c := &converter{file: name, lines: Lines{}}
	tree := c.message(root, m.ProtoReflect().Descriptor(), "")
	if err := c.err(); err != nil {
		return nil, err
	}
	text, err := json.Marshal(tree)
	if err != nil {
		return nil, &Error{File: name, Problem: err.Error()}
	}
	fresh := m.ProtoReflect().New().Interface()
	if err := protojson.Unmarshal(text, fresh); err != nil {
		return nil, &Error{File: name, Problem: err.Error()}
	}
	proto.Reset(m)
	proto.Merge(m, fresh)
	return c.lines, nil
}
