package contour

import (
	"math"
	"strings"

	"tandem/scheduler/badfield"
)

// rootViewport returns the map from the user units of the outermost svg element to 1/96 inch, and its size in the former
// (zero if it has none). The rules, by SVG 2 section 8 (SVG 1.1 section 7):
//
//   - no viewBox: a user unit is 1/96 inch, whatever the width;
//   - a viewBox with width and height: preserveAspectRatio says how it fills them, by default uniformly;
//   - a viewBox with one of them: the other follows from the shape of the viewBox;
//   - a viewBox with neither, or with 100%, which is the same: a unit is 1/96 inch;
//   - another percentage, or a unit that depends on a font or a screen: refused, since nothing gives the scale.
func rootViewport(e *element) (matrix, Point, error) {
	box, hasBox, err := e.viewBox()
	if err != nil {
		return matrix{}, Point{}, err
	}
	var size [2]float64 // in 1/96 inch, 0 if not given
	for i, name := range []string{"width", "height"} {
		text, ok := e.attr[name]
		if !ok || strings.TrimSpace(text) == "auto" {
			continue
		}
		m, err := parseMeasure(e.field(name), text)
		switch {
		case err != nil:
			return matrix{}, Point{}, err
		case m.percent && m.value == 100:
			continue
		case m.percent:
			return matrix{}, Point{}, badfield.New(e.field(name), "%s of an unknown page gives no scale: write it in mm", shorten(text))
		case m.value <= 0:
			return matrix{}, Point{}, badfield.New(e.field(name), "%s leaves nothing to cut: write the size in mm", shorten(text))
		}
		size[i] = m.value
	}
	if !hasBox {
		return identity(), Point{size[0], size[1]}, nil
	}
	switch w, h := size[0], size[1]; {
	case w == 0 && h == 0:
		size = [2]float64{box.w, box.h}
	case w == 0:
		size[0] = box.w * (h / box.h)
	case h == 0:
		size[1] = box.h * (w / box.w)
	}
	fit, err := e.fit(box, size[0], size[1])
	return fit, Point{box.w, box.h}, err
}

// nestedViewport returns the map from the user units of an svg element inside another to those around it.
func nestedViewport(e *element) (matrix, Point, error) {
	x, _, err := e.measure("x", across)
	if err != nil {
		return matrix{}, Point{}, err
	}
	y, _, err := e.measure("y", down)
	if err != nil {
		return matrix{}, Point{}, err
	}
	w, noW, err := e.measure("width", across)
	if err != nil {
		return matrix{}, Point{}, err
	}
	h, noH, err := e.measure("height", down)
	if err != nil {
		return matrix{}, Point{}, err
	}
	if noW {
		w = e.viewport.X
	}
	if noH {
		h = e.viewport.Y
	}
	place := matrix{a: 1, d: 1, e: x, f: y}
	box, hasBox, err := e.viewBox()
	if err != nil || !hasBox {
		return place, Point{w, h}, err
	}
	if w <= 0 || h <= 0 {
		return matrix{}, Point{}, badfield.New(e.field("width"), "a nested svg with a viewBox needs a width and a height: give both, or use a g with a transform")
	}
	fit, err := e.fit(box, w, h)
	return place.then(fit), Point{box.w, box.h}, err
}

type viewBox struct{ x, y, w, h float64 }

func (e *element) viewBox() (box viewBox, ok bool, err error) {
	text, ok := e.attr["viewBox"]
	if !ok || strings.TrimSpace(text) == "none" {
		return box, false, nil
	}
	n := numbers{s: text}
	n.space()
	for _, v := range []*float64{&box.x, &box.y, &box.w, &box.h} {
		x, bad := n.next()
		if bad != nil {
			return box, false, badfield.New(e.field("viewBox"), "%s (four numbers are needed)", bad.Message)
		}
		*v = x
	}
	if !n.done() || n.comma {
		return box, false, badfield.New(e.field("viewBox"), "%q has more than four numbers", shorten(text))
	}
	if box.w <= 0 || box.h <= 0 {
		return box, false, badfield.New(e.field("viewBox"), "its width and height must be more than 0, or nothing is drawn")
	}
	return box, true, nil
}

// fit maps the viewBox into a viewport of w by h (SVG 2 section 8.6, SVG 1.1 section 7.8).
func (e *element) fit(box viewBox, w, h float64) (matrix, error) {
	sx, sy := w/box.w, h/box.h
	align, how := "xMidYMid", "meet"
	if text, ok := e.attr["preserveAspectRatio"]; ok {
		words := strings.Fields(text)
		if len(words) > 0 && words[0] == "defer" {
			words = words[1:]
		}
		if len(words) == 0 || len(words) > 2 {
			return matrix{}, badfield.New(e.field("preserveAspectRatio"), "%q: use none, or an alignment such as xMidYMid with meet or slice", shorten(text))
		}
		align = words[0]
		if len(words) == 2 {
			how = words[1]
		}
	}
	share := map[string]float64{"Min": 0, "Mid": 0.5, "Max": 1}
	if align != "none" {
		uniform := min(sx, sy)
		if how == "slice" {
			uniform = max(sx, sy)
		}
		sx, sy = uniform, uniform
	} else {
		align = "xMinYMin"
	}
	if len(align) != 8 || align[0] != 'x' || align[4] != 'Y' || (how != "meet" && how != "slice") {
		return matrix{}, badfield.New(e.field("preserveAspectRatio"), "%q %q: use none, or an alignment such as xMidYMid with meet or slice", shorten(align), shorten(how))
	}
	ax, okX := share[align[1:4]]
	ay, okY := share[align[5:]]
	if !okX || !okY {
		return matrix{}, badfield.New(e.field("preserveAspectRatio"), "%q: the alignments are Min, Mid and Max", shorten(align))
	}
	m := matrix{a: sx, d: sy, e: (w-box.w*sx)*ax - box.x*sx, f: (h-box.h*sy)*ay - box.y*sy}
	if !m.finite() || math.IsNaN(sx*sy) || m.flat() {
		return matrix{}, badfield.New(e.field("viewBox"), "it gives no usable scale: compare it with width and height")
	}
	return m, nil
}
