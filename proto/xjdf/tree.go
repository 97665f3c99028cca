package xjdf

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"tandem/proto/yamlfile"
)

// node is an element. What is asked for is marked as used; the rest is what the report lists as ignored.
type node struct {
	parent      *node
	space, name string
	attrs       []attr
	kids        []*node
	line        int
	used        bool
}

type attr struct {
	space, name, value string
	used               bool
}

// attr returns an attribute without a namespace, trimmed, and "" if there is none.
func (n *node) attr(name string) string {
	v, _ := n.lookup(name)
	return v
}

func (n *node) lookup(name string) (string, bool) {
	if n == nil {
		return "", false
	}
	for i := range n.attrs {
		if a := &n.attrs[i]; a.name == name && a.space == "" {
			a.used = true
			return strings.TrimSpace(a.value), true
		}
	}
	return "", false
}

// children returns the child elements of that name.
func (n *node) children(name string) []*node {
	if n == nil {
		return nil
	}
	var out []*node
	for _, k := range n.kids {
		if k.name == name && k.space == Namespace {
			k.used = true
			out = append(out, k)
		}
	}
	return out
}

// useAll marks the element and all below it as used: it is known what it is for, and nothing of it is needed.
func (n *node) useAll() {
	n.used = true
	for i := range n.attrs {
		n.attrs[i].used = true
	}
	for _, k := range n.kids {
		k.useAll()
	}
}

// path returns the place of the element, with its number among siblings of its name where there are several.
func (n *node) path() string {
	if n == nil {
		return ""
	}
	if n.parent == nil {
		return n.name
	}
	at, of := 0, 0
	for _, k := range n.parent.kids {
		if k.name == n.name && k.space == n.space {
			of++
			if k == n {
				at = of
			}
		}
	}
	if of == 1 {
		return n.parent.path() + "/" + n.name
	}
	return fmt.Sprintf("%s/%s[%d]", n.parent.path(), n.name, at)
}

// newDecoder returns a decoder that knows no entities but those of XML itself, and no encodings but UTF-8.
func newDecoder(data []byte) (*xml.Decoder, *Error) {
	if len(data) > MaxSize {
		return nil, &Error{Problem: fmt.Sprintf("is larger than %d MiB: split it", MaxSize>>20)}
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if bytes.HasPrefix(data, []byte("\xff\xfe")) || bytes.HasPrefix(data, []byte("\xfe\xff")) {
		return nil, &Error{Problem: "is in UTF-16: save it in UTF-8"}
	}
	if len(bytes.TrimSpace(data)) == 0 {
		return nil, &Error{Problem: "is empty", kind: ErrNotWellFormed}
	}
	if i := bytes.IndexByte(data, 0); i >= 0 {
		return nil, &Error{Line: 1 + bytes.Count(data[:i], []byte{'\n'}), Problem: "holds a zero byte: it is no text, or not written to its end", kind: ErrNotWellFormed}
	}
	dec := xml.NewDecoder(bytes.NewReader(data))
	dec.CharsetReader = func(charset string, input io.Reader) (io.Reader, error) {
		if strings.EqualFold(charset, "us-ascii") || strings.EqualFold(charset, "ascii") {
			return input, nil // what is not ASCII will be seen to be no UTF-8 or do no harm
		}
		return nil, fmt.Errorf("is in the encoding %s: save it in UTF-8", yamlfile.Quote(charset))
	}
	return dec, nil
}

func syntaxError(dec *xml.Decoder, err error) *Error {
	line, _ := dec.InputPos()
	if syntax, ok := errors.AsType[*xml.SyntaxError](err); ok {
		return &Error{Line: syntax.Line, Problem: "not well-formed XML: " + syntax.Msg, kind: ErrNotWellFormed}
	}
	return &Error{Line: line, Problem: strings.TrimPrefix(err.Error(), "xml: "), kind: ErrNotWellFormed}
}

func directiveError(dec *xml.Decoder) *Error {
	line, _ := dec.InputPos()
	return &Error{Line: line, Problem: "has a document type declaration, which could hold entities: save it without; a ticket needs none"}
}

func firstElement(data []byte) (xml.StartElement, *Error) {
	dec, problem := newDecoder(data)
	if problem != nil {
		return xml.StartElement{}, problem
	}
	for {
		token, err := dec.Token()
		switch t := token.(type) {
		case xml.StartElement:
			return t, nil
		case xml.Directive:
			continue // what follows still tells whether the text is meant as a ticket
		}
		if errors.Is(err, io.EOF) {
			return xml.StartElement{}, &Error{Problem: "has no element", kind: ErrNotWellFormed}
		}
		if err != nil {
			return xml.StartElement{}, syntaxError(dec, err)
		}
	}
}

// parse reads the text into a tree, within the limits.
func parse(data []byte) (*node, *Error) {
	dec, problem := newDecoder(data)
	if problem != nil {
		return nil, problem
	}
	var root, at *node
	elements, depth := 0, 0
	for {
		token, err := dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, syntaxError(dec, err)
		}
		switch t := token.(type) {
		case xml.Directive:
			return nil, directiveError(dec)
		case xml.StartElement:
			line, _ := dec.InputPos()
			n := &node{parent: at, space: t.Name.Space, name: t.Name.Local, line: line}
			elements++
			depth++
			switch {
			case root != nil && at == nil:
				return nil, &Error{Line: line, Problem: "a second root element begins here: put each ticket into a file of its own"}
			case elements > MaxElements:
				return nil, &Error{Line: line, Problem: fmt.Sprintf("has more than %d elements: split it", MaxElements)}
			case depth > MaxDepth:
				return nil, &Error{Line: line, Problem: fmt.Sprintf("is nested deeper than %d elements", MaxDepth)}
			}
			if problem := n.setAttributes(t.Attr); problem != nil {
				return nil, problem
			}
			if at != nil {
				at.kids = append(at.kids, n)
			} else if root = n; !n.isRoot() {
				return nil, n.rootError()
			}
			at = n
		case xml.EndElement:
			depth--
			at = at.parent
		case xml.CharData:
			if at == nil && len(bytes.TrimSpace(t)) > 0 {
				line, _ := dec.InputPos()
				return nil, &Error{Line: line, Problem: "not well-formed XML: text outside of the root element", kind: ErrNotWellFormed}
			}
		}
	}
	if root == nil {
		return nil, &Error{Problem: "has no element", kind: ErrNotWellFormed}
	}
	return root, nil
}

func (n *node) isRoot() bool { return n.name == "XJDF" && n.space == Namespace }

func (n *node) rootError() *Error {
	e := &Error{Path: n.name, Line: n.line}
	switch n.name {
	case "JDF":
		e.Problem = "is a JDF ticket, of the generation before: export XJDF 2"
	case "XJMF":
		e.Problem = "is a message, not a ticket: hand in the XJDF that it is about"
	case "XJDF":
		e.Problem = fmt.Sprintf("is in the namespace %s: write xmlns=%q", yamlfile.Quote(n.space), Namespace)
	default:
		e.Problem = fmt.Sprintf("is not the root of a ticket: it must be XJDF in the namespace %s", Namespace)
	}
	return e
}

// setAttributes keeps the attributes but for declarations of namespaces. The decoder lets repeated ones pass.
func (n *node) setAttributes(attrs []xml.Attr) *Error {
	if len(attrs) > maxAttributes {
		return &Error{Path: n.path(), Line: n.line, Problem: fmt.Sprintf("has more than %d attributes", maxAttributes)}
	}
	seen := make(map[xml.Name]bool, len(attrs))
	for _, a := range attrs {
		if seen[a.Name] {
			return &Error{Path: n.path(), Line: n.line, Problem: fmt.Sprintf("not well-formed XML: the attribute %s is there twice", yamlfile.Quote(a.Name.Local)), kind: ErrNotWellFormed}
		}
		seen[a.Name] = true
		if a.Name.Space == "xmlns" || a.Name.Space == "" && a.Name.Local == "xmlns" {
			continue
		}
		if !utf8.ValidString(a.Value) {
			return &Error{Path: n.path() + "/@" + a.Name.Local, Line: n.line, Problem: "is not UTF-8"}
		}
		n.attrs = append(n.attrs, attr{space: a.Name.Space, name: a.Name.Local, value: a.Value})
	}
	return nil
}
