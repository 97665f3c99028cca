package contour

import (
	"fmt"
	"strconv"
	"strings"

	"tandem/scheduler/badfield"
)

// Kind is how deep a contour is cut.
type Kind uint8

// The kinds of cuts, in the order in which they are made: what holds the piece is cut last.
const (
	Kiss       Kind = iota + 1 // through the film, not through its liner
	Perforated                 // through both, with bridges that are torn later
	Through                    // through both
	Skip                       // in the file, but not for the knife: print, marks, notes
)

// cutKinds is how many kinds are cut.
const cutKinds = 3

// String returns the name that [ParseKind] reads.
func (k Kind) String() string {
	switch k {
	case Kiss:
		return "kiss"
	case Perforated:
		return "perforated"
	case Through:
		return "through"
	case Skip:
		return "skip"
	}
	return "kind(" + strconv.Itoa(int(k)) + ")"
}

// ParseKind reads kiss, perforated, through or skip.
func ParseKind(s string) (Kind, error) {
	for k := Kiss; k <= Skip; k++ {
		if s == k.String() {
			return k, nil
		}
	}
	return 0, fmt.Errorf("kind %q: use kiss, perforated, through or skip", shorten(s))
}

// Options say how a cut file is read. The zero value reads every contour as a kiss cut, flattened to 10 um.
type Options struct {
	// Names tells the kind of a contour by the name of its layer (a label in any namespace), its id, a class or its stroke
	// colour, whatever the shop uses. Case does not matter, nor how a colour is written: #F0F, #ff00ff and
	// rgb(255,0,255) are the same; a colour given by name stands for itself. The innermost element that has a name in
	// the table decides, and in it the first of label, id, class and stroke.
	Names   map[string]Kind
	Default Kind // of a contour that Names does not tell; 0 is Kiss

	ToleranceUm int64 // how far the polyline may be from the curve; 0 is 10

	// Limits; 0 takes the default.
	MaxBytes    int // of the file: 8 MiB
	MaxDepth    int // of nested elements: 64
	MaxElements int // in the file: 250,000
	MaxSegments int // of all polylines together: 1,000,000
}

const (
	defaultToleranceUm = 10
	defaultMaxBytes    = 8 << 20
	defaultMaxDepth    = 64
	defaultMaxElements = 250_000
	defaultMaxSegments = 1_000_000

	maxToleranceUm = 10_000
	maxAttributes  = 256     // of one element
	maxNumber      = 1e9     // in the file, in its own units
	maxPositionMM  = 1e6     // of a point, from the origin of the file
	maxExtentMM    = 100_000 // of the whole contour
)

func (o Options) filled() (Options, error) {
	if o.Default == 0 {
		o.Default = Kiss
	}
	if o.Default > Skip {
		return o, badfield.New("options.default", "%v is no kind of cut: use kiss, perforated, through or skip", o.Default)
	}
	names := make(map[string]Kind, len(o.Names))
	for name, kind := range o.Names {
		key := nameKey(name)
		if key == "" || kind < Kiss || kind > Skip {
			return o, badfield.New("options.names", "%q is %v: give a name and one of kiss, perforated, through or skip", shorten(name), kind)
		}
		if was, ok := names[key]; ok && was != kind {
			return o, badfield.New("options.names", "%q has two kinds under two spellings: keep one", key)
		}
		names[key] = kind
	}
	o.Names = names
	if o.ToleranceUm == 0 {
		o.ToleranceUm = defaultToleranceUm
	}
	if o.ToleranceUm < 1 || o.ToleranceUm > maxToleranceUm {
		return o, badfield.New("options.tolerance_um", "%d: use 1 to %d", o.ToleranceUm, maxToleranceUm)
	}
	for _, l := range []struct {
		field string
		limit *int
		usual int
	}{
		{"options.max_bytes", &o.MaxBytes, defaultMaxBytes},
		{"options.max_depth", &o.MaxDepth, defaultMaxDepth},
		{"options.max_elements", &o.MaxElements, defaultMaxElements},
		{"options.max_segments", &o.MaxSegments, defaultMaxSegments},
	} {
		if *l.limit < 0 {
			return o, badfield.New(l.field, "%d: use a positive number, or 0 for %d", *l.limit, l.usual)
		}
		if *l.limit == 0 {
			*l.limit = l.usual
		}
	}
	return o, nil
}

// nameKey folds the spellings of one name. Colours become #rrggbb.
func nameKey(name string) string {
	key := strings.ToLower(strings.TrimSpace(name))
	if len(key) == 4 && key[0] == '#' {
		return string([]byte{'#', key[1], key[1], key[2], key[2], key[3], key[3]})
	}
	inner, ok := strings.CutPrefix(key, "rgb(")
	if !ok {
		return key
	}
	inner, ok = strings.CutSuffix(inner, ")")
	parts := strings.FieldsFunc(inner, func(r rune) bool { return r == ',' || r == ' ' })
	if !ok || len(parts) != 3 {
		return key
	}
	var rgb [3]uint64
	for i, part := range parts {
		n, err := strconv.ParseUint(part, 10, 8)
		if err != nil {
			return key
		}
		rgb[i] = n
	}
	return fmt.Sprintf("#%02x%02x%02x", rgb[0], rgb[1], rgb[2])
}
