package yamlfile

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

var lineInError = regexp.MustCompile(`^(?:yaml: )?line (\d+): `)

// parseYAML returns the root of the only document. Aliases are left as they are.
func parseYAML(data []byte) (*yaml.Node, *Error) {
	dec := yaml.NewDecoder(bytes.NewReader(data))
	var doc, second yaml.Node
	switch err := dec.Decode(&doc); {
	case errors.Is(err, io.EOF):
		return nil, &Error{Problem: "is empty"}
	case err != nil:
		return nil, yamlProblem(err)
	}
	switch err := dec.Decode(&second); {
	case err == nil:
		return nil, &Error{Line: second.Line, Problem: "a second document begins here; put each into a file of its own"}
	case !errors.Is(err, io.EOF):
		return nil, yamlProblem(err)
	}
	return doc.Content[0], nil
}

// yamlProblem makes an *Error of the parser's error, which carries the line in its text.
func yamlProblem(err error) *Error {
	e := &Error{Problem: err.Error()}
	if m := lineInError.FindStringSubmatch(e.Problem); m != nil {
		e.Line, _ = strconv.Atoi(m[1])
		e.Problem = "not YAML: " + e.Problem[len(m[0]):]
		return e
	}
	e.Problem = "not YAML: " + string(bytes.TrimPrefix([]byte(e.Problem), []byte("yaml: ")))
	return e
}

// parseJSON returns the JSON value as a YAML node would show it, so that one conversion serves both. JSON is read with its
// own parser because some of it is not YAML: escaped surrogate pairs, tabs.
func parseJSON(data []byte) (*yaml.Node, *Error) {
	if !utf8.Valid(data) {
		return nil, &Error{Problem: "not JSON: the text is not UTF-8"}
	}
	p := &jsonParser{dec: json.NewDecoder(bytes.NewReader(data)), data: data, line: 1}
	p.dec.UseNumber()
	root, err := p.value(1)
	if errors.Is(err, io.EOF) {
		return nil, &Error{Problem: "is empty"}
	}
	if err == nil {
		if _, next := p.dec.Token(); !errors.Is(next, io.EOF) {
			p.advance()
			err = errors.New("something follows the value; put each into a file of its own")
		}
	}
	if err != nil {
		return nil, &Error{Line: p.line, Problem: "not JSON: " + err.Error()}
	}
	return root, nil
}

type jsonParser struct {
	dec    *json.Decoder
	data   []byte
	line   int
	offset int // line is the line of this offset
}

// advance brings line up to the decoder's offset.
func (p *jsonParser) advance() {
	to := int(p.dec.InputOffset())
	p.line += bytes.Count(p.data[p.offset:to], []byte{'\n'})
	p.offset = to
}

func (p *jsonParser) value(depth int) (*yaml.Node, error) {
	if depth > MaxDepth {
		return nil, fmt.Errorf("nested deeper than %d", MaxDepth)
	}
	t, err := p.dec.Token()
	p.advance()
	if err != nil {
		if errors.Is(err, io.EOF) && depth > 1 {
			err = io.ErrUnexpectedEOF
		}
		return nil, err
	}
	n := &yaml.Node{Kind: yaml.ScalarNode, Line: p.line}
	switch t := t.(type) {
	case nil:
		n.Tag, n.Value = "!!null", "null"
	case bool:
		n.Tag, n.Value = "!!bool", strconv.FormatBool(t)
	case string:
		n.Tag, n.Value = "!!str", t
	case json.Number:
		n.Tag, n.Value = "!!int", t.String()
		if bytes.ContainsAny([]byte(n.Value), ".eE") {
			n.Tag = "!!float"
		}
	case json.Delim:
		n.Kind, n.Tag = yaml.SequenceNode, "!!seq"
		if t == '{' {
			n.Kind, n.Tag = yaml.MappingNode, "!!map"
		}
		// In a mapping keys and values take turns, as in a yaml.Node.
		for p.dec.More() {
			child, err := p.value(depth + 1)
			if err != nil {
				return nil, err
			}
			n.Content = append(n.Content, child)
		}
		_, err = p.dec.Token()
		p.advance()
		if errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
	}
	return n, err
}
