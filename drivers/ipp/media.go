package ipp

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/OpenPrinting/goipp"

	"tandem/drivers"
)

const (
	perHundredth = 10         // micrometres in 0.01 mm, the unit of media-size (PWG 5100.7 section 6.3.1.15)
	perMM        = 1000       // micrometres
	perInch      = 25_400     // micrometres
	mostWidth    = 20_000_000 // micrometres; no device is wider
)

// readMedia returns what the printer says it takes, what is loaded first and then the widest, and the greatest width of all.
// Sizes come from media collections, and where those have none, from self-describing names (PWG 5101.1 section 5).
func readMedia(a goipp.Attributes) ([]drivers.ProposedMedia, int64) {
	known := map[string]*drivers.ProposedMedia{}
	note := func(name string, width, length int64, ready bool) {
		if name == "" {
			return
		}
		m := known[name]
		if m == nil {
			m = &drivers.ProposedMedia{Name: drivers.PlainLine(name)}
			known[name] = m
		}
		m.WidthUm, m.LengthUm, m.Ready = max(m.WidthUm, width), max(m.LengthUm, length), m.Ready || ready
	}
	var widest int64
	for _, attribute := range []string{"media-col-ready", "media-col-database"} {
		for _, col := range collections(a, attribute) {
			width, length := size(col, "media-size")
			widest = max(widest, width)
			note(text(col, "media-size-name"), width, length, false)
		}
	}
	for _, col := range collections(a, "media-size-supported") {
		width, _ := dimensions(col)
		widest = max(widest, width)
	}
	for _, attribute := range []string{"media-supported", "media-ready"} {
		for _, name := range texts(a, attribute) {
			width, length := namedSize(name)
			widest = max(widest, width)
			if strings.HasPrefix(name, "custom_min_") || strings.HasPrefix(name, "custom_max_") { // bounds of sizes, and no media
				continue
			}
			note(name, width, length, attribute == "media-ready")
		}
	}
	var out []drivers.ProposedMedia
	for _, m := range known {
		out = append(out, *m)
	}
	slices.SortFunc(out, func(x, y drivers.ProposedMedia) int {
		if x.Ready != y.Ready {
			if x.Ready {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(y.WidthUm, x.WidthUm), cmp.Compare(x.Name, y.Name))
	})
	return out, widest
}

// collections returns the values that are collections.
func collections(a goipp.Attributes, name string) []goipp.Attributes {
	var out []goipp.Attributes
	for _, v := range find(a, name) {
		if c, ok := v.V.(goipp.Collection); ok {
			out = append(out, goipp.Attributes(c))
		}
	}
	return out
}

func size(col goipp.Attributes, name string) (width, length int64) {
	for _, s := range collections(col, name) {
		return dimensions(s)
	}
	return 0, 0
}

func dimensions(s goipp.Attributes) (width, length int64) {
	return bounded(greatest(s, "x-dimension")), greatest(s, "y-dimension")
}

// greatest returns a length, or the end of a range of lengths, in micrometres.
func greatest(s goipp.Attributes, name string) int64 {
	for _, v := range find(s, name) {
		switch n := v.V.(type) {
		case goipp.Integer:
			return max(int64(n), 0) * perHundredth
		case goipp.Range:
			return max(int64(n.Upper), 0) * perHundredth
		}
	}
	return 0
}

// namedSize reads the size at the end of a self-describing name, such as iso_a3_297x420mm or roll_max_36.1025x3622in.
func namedSize(name string) (width, length int64) {
	at := strings.LastIndexByte(name, '_')
	if at < 0 {
		return 0, 0
	}
	text := name[at+1:]
	var unit float64
	switch {
	case strings.HasSuffix(text, "mm"):
		unit = perMM
	case strings.HasSuffix(text, "in"):
		unit = perInch
	default:
		return 0, 0
	}
	x, y, ok := strings.Cut(text[:len(text)-2], "x")
	if !ok {
		return 0, 0
	}
	w, errW := strconv.ParseFloat(x, 64)
	l, errL := strconv.ParseFloat(y, 64)
	if errW != nil || errL != nil || !(w >= 0 && w < 1e6) || !(l >= 0 && l < 1e9) {
		return 0, 0
	}
	return bounded(int64(math.Round(w * unit))), int64(math.Round(l * unit))
}

// bounded drops a width that is none of a device's.
func bounded(um int64) int64 {
	if um < 0 || um > mostWidth {
		return 0
	}
	return um
}
