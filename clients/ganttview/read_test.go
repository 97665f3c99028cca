package ganttview

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// shape is a filled area, or a text at its base line, in the coordinates of the page: y grows downwards.
type shape struct {
	text     string
	fill     string
	x, y     float64
	w, h     float64 // of an area
	size     float64 // of a text
	boldface bool
}

// read reads a picture and holds it to be well-formed XML 1.0 of the elements and attributes that the package draws with.
func read(t testing.TB, picture string) (shapes []shape, width, height float64) {
	t.Helper()
	allowed := map[string][]string{
		"svg":   {"width", "height", "viewBox", "xmlns"},
		"title": {},
		"g":     {"transform"},
		"path":  {"d", "style"},
		"text":  {"x", "y", "transform", "style"},
	}
	var open []string
	var text *shape
	for d := xml.NewDecoder(strings.NewReader(picture)); ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			if len(open) > 0 {
				t.Fatal("an element is not closed")
			}
			return shapes, width, height
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		switch token := token.(type) {
		case xml.StartElement:
			names, ok := allowed[token.Name.Local]
			if !ok {
				t.Fatalf("element <%s>", token.Name.Local)
			}
			attributes := map[string]string{}
			for _, a := range token.Attr {
				if !slices.Contains(names, a.Name.Local) {
					t.Fatalf("attribute %s of <%s>", a.Name.Local, token.Name.Local)
				}
				attributes[a.Name.Local] = a.Value
			}
			open = append(open, token.Name.Local)
			switch token.Name.Local {
			case "svg":
				width, height = number(t, attributes["width"]), number(t, attributes["height"])
			case "g":
				if want := fmt.Sprintf("scale(1, -1) translate(0, -%v)", height); attributes["transform"] != want {
					t.Fatalf("transform %s, want %s", attributes["transform"], want)
				}
			case "path":
				s := area(t, attributes["d"], height)
				s.fill = style(attributes["style"], "fill")
				shapes = append(shapes, s)
			case "text":
				st := attributes["style"]
				text = &shape{
					x: number(t, attributes["x"]), y: height + number(t, attributes["y"]), fill: style(st, "fill"),
					size: number(t, strings.TrimSuffix(style(st, "font-size"), "px")), boldface: style(st, "font-weight") == "bold",
				}
			}
		case xml.EndElement:
			if token.Name.Local == "text" {
				shapes, text = append(shapes, *text), nil
			}
			open = open[:len(open)-1]
		case xml.CharData:
			if text != nil {
				text.text += string(token)
			}
		default:
			t.Fatalf("neither an element nor text: %T", token)
		}
	}
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func style(s, name string) string {
	for part := range strings.SplitSeq(s, ";") {
		if value, ok := strings.CutPrefix(part, name+":"); ok {
			return value
		}
	}
	return ""
}

// area returns the box around a path.
func area(t testing.TB, d string, height float64) shape {
	t.Helper()
	minX, minY, maxX, maxY := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for point := range strings.FieldsFuncSeq(d, func(r rune) bool { return strings.ContainsRune("MLZ", r) }) {
		x, y, ok := strings.Cut(point, ",")
		if !ok {
			t.Fatalf("path %q", d)
		}
		px, py := number(t, x), height-number(t, y)
		minX, maxX, minY, maxY = min(minX, px), max(maxX, px), min(minY, py), max(maxY, py)
	}
	return shape{x: minX, y: minY, w: maxX - minX, h: maxY - minY}
}

func hex(c interface{ RGBA() (r, g, b, a uint32) }) string {
	r, g, b, _ := c.RGBA()
	return fmt.Sprintf("#%02X%02X%02X", r>>8, g>>8, b>>8)
}

func wordsOf(shapes []shape) string {
	var b strings.Builder
	for _, s := range shapes {
		if s.text != "" {
			b.WriteString(s.text + "\n")
		}
	}
	return b.String()
}

func first(shapes []shape, _, _ float64) []shape { return shapes }

func isTone(fill string) bool {
	for _, c := range tones {
		if hex(c) == fill {
			return true
		}
	}
	return false
}
