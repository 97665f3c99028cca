package contour

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"tandem/scheduler/badfield"
)

const svgSpace = "http://www.w3.org/2000/svg"

// Parse reads an SVG cut file (W3C SVG 1.1 or 2). Every path and basic shape that is not hidden is a contour, whether it
// is painted or not. What is reached only by reference (use, symbol, clipPath) and what is no line (text, image) is
// ignored and listed, as are style sheets: only attributes, and style attributes for display, visibility and stroke, are
// read. All branches of a switch count. Nested viewports do not clip. The error is an [*Error].
func Parse(svg []byte, opt Options) (Contour, error) {
	opt, err := opt.filled()
	if err != nil {
		return Contour{}, err
	}
	if len(svg) > opt.MaxBytes {
		return Contour{}, badfield.New("", "the file has %d bytes, more than %d: simplify the paths or take pictures out", len(svg), opt.MaxBytes)
	}
	text, wide, err := toUTF8(svg)
	if err != nil {
		return Contour{}, err
	}
	w := walker{opt: opt, wide: wide, counts: make(map[string]int)}
	if err := w.walk(text); err != nil {
		return Contour{}, err
	}
	if len(w.lines) == 0 {
		return Contour{}, badfield.New("", "the file has no contour to cut: convert text to paths, release symbols and clips, and check that no layer is hidden")
	}
	c := Contour{Lines: order(w.lines, &w.ignored)}
	c.Ignored = w.ignored // order may have added to it
	c.count()
	if b := c.Figures[0].Box; b.Width() > maxExtentMM || b.Height() > maxExtentMM {
		return Contour{}, badfield.New("", "the contours reach over %.0f by %.0f mm, more than %d m: check width, height and viewBox",
			b.Width(), b.Height(), maxExtentMM/1000)
	}
	return c, nil
}

// A scope is what an element hands on to its children.
type scope struct {
	to       matrix // from user units to mm
	viewport Point  // in user units, zero if unknown
	kind     Kind
	hidden   bool // by visibility, which a child may turn back
}

// An element is the one being read, with the scope around it.
type element struct {
	name     string
	path     string            // where in the file, such as path[3]
	attr     map[string]string // without a namespace, over them those of the style attribute that count
	label    string
	viewport Point
}

func (e *element) field(attr string) string { return e.path + "." + attr }

type walker struct {
	opt      Options
	wide     bool
	counts   map[string]int // elements so far, by name
	scopes   []scope
	depth    int
	skipping int // depth inside an element that is left out
	elements int
	segments int
	done     bool // the root element is closed
	lines    []Line
	ignored  ignoredList
	current  element
}

func (w *walker) walk(text []byte) error {
	d := xml.NewDecoder(bytes.NewReader(text))
	d.CharsetReader = func(label string, input io.Reader) (io.Reader, error) {
		if w.wide && strings.EqualFold(label, "utf-16") {
			return input, nil // made UTF-8 before
		}
		return nil, fmt.Errorf("encoding %q is not read: save the file as UTF-8", shorten(label))
	}
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			line, column := d.InputPos()
			return badfield.New("", "no well-formed XML at line %d, column %d: %s", line, column, shortenMessage(err.Error()))
		}
		switch token := token.(type) {
		case xml.Directive:
			return badfield.New("", "the file has a document type or entity declaration: save it as plain SVG without DOCTYPE")
		case xml.ProcInst:
			if token.Target != "xml" {
				w.ignored.add("processing instruction", 1)
			} else if inst := strings.ToLower(string(token.Inst)); w.wide && strings.Contains(inst, "encoding") && !strings.Contains(inst, "utf-16") {
				return badfield.New("", "the file is UTF-16 but declares another encoding: save it as UTF-8")
			}
		case xml.StartElement:
			if err := w.start(token); err != nil {
				return err
			}
		case xml.EndElement:
			w.end()
		}
	}
	if w.elements == 0 {
		return badfield.New("", "the file is empty: an svg element is expected")
	}
	return nil
}

func shortenMessage(s string) string {
	const most = 160
	if len(s) > most {
		s = s[:most] + "..."
	}
	return strings.ToValidUTF8(s, "?")
}

func (w *walker) end() {
	w.depth--
	if w.skipping > 0 {
		w.skipping--
		return
	}
	w.scopes = w.scopes[:len(w.scopes)-1]
	w.done = len(w.scopes) == 0
}

func (w *walker) start(token xml.StartElement) error {
	w.depth++
	if w.depth > w.opt.MaxDepth {
		return badfield.New("", "elements are nested more than %d deep: ungroup some", w.opt.MaxDepth)
	}
	if w.elements++; w.elements > w.opt.MaxElements {
		return badfield.New("", "the file has more than %d elements: join paths or split the file", w.opt.MaxElements)
	}
	ours := token.Name.Space == svgSpace || token.Name.Space == ""
	if w.elements == 1 && (!ours || token.Name.Local != "svg") {
		return badfield.New("", "the file begins with %s: an svg element is expected", shorten(token.Name.Local))
	}
	if w.done {
		return badfield.New("", "the file goes on after its svg element: keep one")
	}
	name := token.Name.Local
	if w.skipping > 0 {
		if ours {
			w.number(name)
		}
		w.skipping++
		return nil
	}
	if !ours {
		w.skip("foreign " + name)
		return nil
	}
	index := w.number(name)
	e := &w.current
	if err := e.read(token, index); err != nil {
		return err
	}
	return w.enter(e)
}

// number returns how many elements of the name came before. Names that mean nothing are not told apart, so that a file
// of invented names takes no memory.
func (w *walker) number(name string) int {
	if !slices.Contains(known[:], name) {
		name = ""
	}
	w.counts[name]++
	return w.counts[name] - 1
}

var known = [...]string{"svg", "g", "a", "switch", "path", "rect", "circle", "ellipse", "line", "polyline", "polygon"}

func (w *walker) skip(why string) {
	w.skipping = 1
	w.ignored.add(why, 1)
}

// read takes the attributes of an element.
func (e *element) read(token xml.StartElement, index int) error {
	e.name, e.label = token.Name.Local, ""
	e.path = shorten(e.name)
	if e.name != "svg" || index > 0 {
		e.path = fmt.Sprintf("%s[%d]", shorten(e.name), index)
	}
	if len(token.Attr) > maxAttributes {
		return badfield.New(e.path, "it has more than %d attributes", maxAttributes)
	}
	if e.attr == nil {
		e.attr = make(map[string]string)
	}
	clear(e.attr)
	for _, a := range token.Attr {
		if a.Name.Space != "" {
			if a.Name.Local == "label" {
				e.label = a.Value
			}
			continue
		}
		if _, twice := e.attr[a.Name.Local]; twice {
			return badfield.New(e.field(shorten(a.Name.Local)), "it is given twice: keep one")
		}
		e.attr[a.Name.Local] = a.Value
	}
	return e.readStyle()
}

// readStyle lets the style attribute override the presentation attributes that matter here (CSS style attributes 1).
func (e *element) readStyle() error {
	for declaration := range strings.SplitSeq(e.attr["style"], ";") {
		name, value, _ := strings.Cut(declaration, ":")
		value, _, _ = strings.Cut(value, "!")
		value = strings.ToLower(strings.TrimSpace(value))
		switch name = strings.ToLower(strings.TrimSpace(name)); name {
		case "display", "visibility", "stroke":
			e.attr[name] = value
		case "transform", "translate", "rotate", "scale":
			if value != "none" && value != "" {
				return badfield.New(e.field("style"), "it moves the element: write a transform attribute instead")
			}
		}
	}
	if _, ok := e.attr["transform-origin"]; ok && e.attr["transform"] != "" {
		return badfield.New(e.field("transform-origin"), "it is not read: write the move into the transform")
	}
	return nil
}

// enter takes an element into account: a container opens a scope, a shape is drawn, anything else is left out.
func (w *walker) enter(e *element) error {
	around := scope{to: matrix{a: mmPerUnit, d: mmPerUnit}, kind: w.opt.Default}
	if n := len(w.scopes); n > 0 {
		around = w.scopes[n-1]
	}
	e.viewport = around.viewport
	if strings.TrimSpace(e.attr["display"]) == "none" {
		w.skip("display:none")
		return nil
	}
	switch strings.TrimSpace(e.attr["visibility"]) {
	case "hidden", "collapse":
		around.hidden = true
	case "visible":
		around.hidden = false
	}
	if kind := w.kindOf(e); kind != 0 {
		around.kind = kind
	}
	if text, ok := e.attr["transform"]; ok {
		m, err := parseTransform(e.field("transform"), text)
		if err != nil {
			return err
		}
		around.to = around.to.then(m)
	}
	switch e.name {
	case "svg":
		view := nestedViewport
		if len(w.scopes) == 0 {
			view = rootViewport
		}
		m, size, err := view(e)
		if err != nil {
			return err
		}
		around.to, around.viewport = around.to.then(m), size
	case "g", "a", "switch":
	case "path", "rect", "circle", "ellipse", "line", "polyline", "polygon":
		if err := w.shape(e, around); err != nil {
			return err
		}
	default:
		w.skip(e.name)
		return nil
	}
	if !around.to.finite() {
		return badfield.New(e.path, "the transforms together move or scale beyond %g", maxNumber)
	}
	w.scopes = append(w.scopes, around)
	return nil
}

func (w *walker) kindOf(e *element) Kind {
	if len(w.opt.Names) == 0 {
		return 0
	}
	for _, name := range []string{e.label, e.attr["id"]} {
		if kind, ok := w.opt.Names[nameKey(name)]; ok {
			return kind
		}
	}
	for class := range strings.FieldsSeq(e.attr["class"]) {
		if kind, ok := w.opt.Names[nameKey(class)]; ok {
			return kind
		}
	}
	return w.opt.Names[nameKey(e.attr["stroke"])]
}

func (w *walker) shape(e *element, s scope) error {
	switch {
	case s.hidden:
		w.ignored.add("visibility:hidden", 1)
		return nil
	case s.kind == Skip:
		w.ignored.add("skipped by name", 1)
		return nil
	case !s.to.finite():
		return badfield.New(e.path, "the transforms together move or scale beyond %g", maxNumber)
	case s.to.flat():
		w.ignored.add("transform to nothing", 1)
		return nil
	}
	left := w.opt.MaxSegments - w.segments
	t := tracer{
		to: s.to, kind: s.kind, tolerance: float64(w.opt.ToleranceUm) / 1000, left: left, most: left,
		emit:  func(l Line) { w.lines = append(w.lines, l) },
		empty: func() { w.ignored.add("empty contour", 1) },
	}
	attr, drawn := "", func(pen, bool) *Error { return nil }
	switch e.name {
	case "path":
		attr, drawn = "d", func(p pen, dry bool) *Error { return draw(e.attr["d"], p, dry) }
	case "polyline", "polygon":
		attr, drawn = "points", func(p pen, dry bool) *Error {
			return drawPolygon(e.attr["points"], e.name == "polygon", p, dry)
		}
	default:
		if err := drawShape(e, &t); err != nil {
			return err
		}
	}
	if attr != "" {
		if err := drawn(&counter{most: left}, true); err != nil {
			return badfield.New(e.field(attr), "%s", err.Message)
		}
		if err := drawn(&t, false); err != nil {
			return badfield.New(e.field(attr), "%s", err.Message)
		}
	}
	t.finish(false)
	w.segments += left - t.left
	return nil
}
