// Package ticketfile reads what a job is handed in as: a ticket in YAML or JSON or an XJDF ticket, and the cut files that
// its items name.
//
// Cut files are read below the folders that the caller names and nowhere else, whatever a ticket says; nothing is fetched.
// The package checks form only and asks no daemon.
package ticketfile

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"strings"

	"go.yaml.in/yaml/v3"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/xjdf"
	"tandem/proto/yamlfile"
)

// MaxSize is the size of the greatest ticket, in bytes.
const MaxSize = max(yamlfile.MaxSize, xjdf.MaxSize)

var (
	// ErrIncomplete says that the text breaks off, or may: more may follow if it is still being written.
	ErrIncomplete = errors.New("not complete")
	// ErrOther says that a file named like XML holds something else than an XJDF ticket.
	ErrOther = errors.New("not an XJDF ticket")
)

// Format is how a ticket is written.
type Format int

// The formats, by the end of a file's name.
const (
	None Format = iota // no ticket
	YAML               // .yaml, .yml
	JSON               // .json
	XJDF               // .xjdf
	XML                // .xml: perhaps XJDF
)

// FormatOf tells the format by a file's name.
func FormatOf(name string) Format {
	switch strings.ToLower(path.Ext(strings.ReplaceAll(name, `\`, "/"))) {
	case ".yaml", ".yml":
		return YAML
	case ".json":
		return JSON
	case ".xjdf":
		return XJDF
	case ".xml":
		return XML
	}
	return None
}

// Ticket is a job as it was handed in.
type Ticket struct {
	Job *tandemv1.Job
	// Report is what an XJDF ticket does not say or says in vain; nil for other formats.
	Report *xjdf.Report
}

// ReadCapped reads a file, and no more of it than a ticket may have: what is beyond makes Parse refuse it.
func ReadCapped(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, MaxSize+1))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", name, err)
	}
	return data, nil
}

// Parse reads a ticket; the name tells its format and is shown in errors. Errors are of yamlfile or xjdf, with ErrIncomplete
// where more text could cure them, or ErrOther.
func Parse(name string, data []byte, opt xjdf.Options) (*Ticket, error) {
	format := FormatOf(name)
	if format == XML {
		if ours, err := xjdf.IsXJDF(data); err != nil {
			return nil, incomplete(err)
		} else if !ours {
			return nil, ErrOther
		}
		format = XJDF
	}
	if format == XJDF {
		job, report, err := xjdf.Read(data, opt)
		if errors.Is(err, xjdf.ErrNotWellFormed) {
			err = incomplete(err)
		}
		return &Ticket{job, &report}, err
	}
	job := &tandemv1.Job{}
	err := yamlfile.Unmarshal(name, data, job)
	if err != nil && mayContinue(format, data) {
		err = incomplete(err)
	}
	return &Ticket{Job: job}, err
}

// incomplete keeps the error's words: that it may not be complete is for the caller to say.
func incomplete(err error) error { return &incompleteError{err} }

type incompleteError struct{ err error }

func (e *incompleteError) Error() string   { return e.err.Error() }
func (e *incompleteError) Unwrap() []error { return []error{e.err, ErrIncomplete} }

// mayContinue says whether a text that was refused could be good if more followed. YAML that breaks off at the end of a
// line is YAML all the same; what is refused in it then is not the breaking off.
func mayContinue(format Format, data []byte) bool {
	if len(data) > MaxSize {
		return false
	}
	if len(bytes.TrimSpace(data)) == 0 || bytes.IndexByte(data, 0) >= 0 {
		return true
	}
	if format == JSON {
		return !json.Valid(data)
	}
	var any yaml.Node
	return !bytes.HasSuffix(data, []byte("\n")) || yaml.Unmarshal(data, &any) != nil
}

// Problem is one thing that is wrong with a ticket or a cut file.
type Problem struct {
	// Field of the ticket, or path of the XJDF; empty if it is about the whole file.
	Field string `json:"field,omitempty"`
	// Line from 1; 0 if it is not known.
	Line int `json:"line,omitempty"`
	// Problem is what is wrong and what would be right.
	Problem string `json:"problem"`
}

// String returns one line.
func (p Problem) String() string {
	where := p.Field
	if p.Line > 0 {
		where = strings.TrimSuffix(fmt.Sprintf("line %d, %s", p.Line, p.Field), ", ")
	}
	if where == "" {
		return p.Problem
	}
	return where + ": " + p.Problem
}

// Problems takes an error of this package, of yamlfile or of xjdf apart.
func Problems(err error) []Problem {
	var out []Problem
	if e, ok := errors.AsType[*yamlfile.Error](err); ok {
		for _, one := range e.All() {
			out = append(out, Problem{one.Field, one.Line, one.Problem})
		}
		return out
	}
	if e, ok := errors.AsType[xjdf.Errors](err); ok {
		for _, one := range e {
			out = append(out, Problem{one.Path, one.Line, one.Problem})
		}
		return out
	}
	if e, ok := errors.AsType[CutErrors](err); ok {
		for _, one := range e {
			out = append(out, Problem{Field: one.Field, Problem: one.Problem})
		}
		return out
	}
	return []Problem{{Problem: err.Error()}}
}
