package layout

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tandem/scheduler/chance"
)

// An instance is a published strip packing problem; see testdata/strip/README.md for the sources.
type instance struct {
	Name    string     `json:"name"`
	Width   int64      `json:"strip_width"`
	Optimum int64      `json:"optimal_height"`
	N       int        `json:"n"`
	Sizes   [][2]int64 `json:"items"`
}

func (in *instance) items() []Item {
	items := make([]Item, len(in.Sizes))
	for i, s := range in.Sizes {
		items[i] = Item{Width: s[0], Height: s[1], Rotate: true}
	}
	return items
}

// set is the name without the number of the problem in it: C1, T1, N1.
func (in *instance) set() string { return in.Name[:2] }

func instances(t testing.TB, file string) []instance {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join("..", "..", "testdata", "strip", file))
	if err != nil {
		t.Fatal(err)
	}
	var parsed struct {
		Instances []instance `json:"instances"`
	}
	if err := json.Unmarshal(raw, &parsed); err != nil {
		t.Fatal(err)
	}
	return parsed.Instances
}

// checkPacking looks at a packing from outside: all items once, inside, apart, and of the height that is claimed.
func checkPacking(width int64, items []Item, p Packing) error {
	if len(p.Places) != len(items) {
		return fmt.Errorf("%d places for %d items", len(p.Places), len(items))
	}
	boxes := make([]box, len(items))
	var top, area int64
	for i, at := range p.Places {
		b := box{at.X, at.Y, items[i].Width, items[i].Height}
		if at.Rotated {
			if !items[i].Rotate {
				return fmt.Errorf("item %d was turned", i)
			}
			b.w, b.h = b.h, b.w
		}
		if b.x < 0 || b.y < 0 || b.x+b.w > width {
			return fmt.Errorf("item %d at %+v is outside a strip %d wide", i, b, width)
		}
		top = max(top, b.y+b.h)
		area += b.w * b.h
		boxes[i] = b
	}
	if top != p.Height {
		return fmt.Errorf("height is %d, said to be %d", top, p.Height)
	}
	if p.Height*width < area || p.Height < p.LowerBound {
		return fmt.Errorf("height %d is below the bound %d", p.Height, p.LowerBound)
	}
	return overlap(boxes, 0)
}

func TestInstancesAreWhatWasPublished(t *testing.T) {
	t.Parallel()
	for file, want := range map[string]int{"hopper-turton-c.json": 21, "hopper-tn.json": 70} {
		list := instances(t, file)
		if len(list) != want {
			t.Errorf("%s: %d instances, want %d", file, len(list), want)
		}
		for _, in := range list {
			var area int64
			for _, s := range in.Sizes {
				area += s[0] * s[1]
			}
			if len(in.Sizes) != in.N || area != in.Width*in.Optimum {
				t.Errorf("%s: %d items of area %d, want %d of %d", in.Name, len(in.Sizes), area, in.N, in.Width*in.Optimum)
			}
		}
	}
}

// The ceilings are the mean gaps measured with this seed and budget, rounded up to leave room for a change of the search,
// not for a worse one.
func TestStripGapOnPublishedInstances(t *testing.T) {
	t.Parallel()
	for file, ceilings := range map[string]map[string]float64{
		"hopper-turton-c.json": {"C1": 0, "C2": 0, "C3": 2, "C4": 1, "C5": 1, "C6": 1, "C7": 1},
		"hopper-tn.json": {
			"T1": 4, "T2": 7, "T3": 7, "T4": 4, "T5": 3, "T6": 2, "T7": 1,
			"N1": 4, "N2": 6, "N3": 7, "N4": 4, "N5": 3, "N6": 2, "N7": 1,
		},
	} {
		gaps := make(map[string][]float64)
		for _, in := range instances(t, file) {
			p, err := Strip(in.Width, in.items(), Options{Seed: 1, Evaluations: 1500})
			if err != nil {
				t.Fatalf("%s: %v", in.Name, err)
			}
			if err := checkPacking(in.Width, in.items(), p); err != nil {
				t.Errorf("%s: %v", in.Name, err)
			}
			if p.Height < in.Optimum {
				t.Errorf("%s: height %d beats the optimum %d", in.Name, p.Height, in.Optimum)
			}
			if p.LowerBound != in.Optimum { // they have no waste, so the area bound is exact
				t.Errorf("%s: lower bound %d, want %d", in.Name, p.LowerBound, in.Optimum)
			}
			if p.Evaluations > 1500 {
				t.Errorf("%s: %d evaluations", in.Name, p.Evaluations)
			}
			gaps[in.set()] = append(gaps[in.set()], in.gap(p.Height))
		}
		for set, ceiling := range ceilings {
			if got := mean(gaps[set]); got > ceiling || len(gaps[set]) == 0 {
				t.Errorf("%s: mean gap %.2f %% of %d instances, ceiling %.2f %%", set, got, len(gaps[set]), ceiling)
			}
		}
	}
}

func (in *instance) gap(height int64) float64 {
	return 100 * float64(height-in.Optimum) / float64(in.Optimum)
}

func mean(values []float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	return sum / float64(max(1, len(values)))
}

func TestStripIsRepeatable(t *testing.T) {
	t.Parallel()
	in := instances(t, "hopper-tn.json")[20]
	opt := Options{Seed: 42, Evaluations: 1000}
	first, err := Strip(in.Width, in.items(), opt)
	if err != nil {
		t.Fatal(err)
	}
	second, err := Strip(in.Width, in.items(), opt)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(first.Places, second.Places) || first.Height != second.Height {
		t.Error("the same seed gave two answers")
	}
	opt.Seed++
	other, err := Strip(in.Width, in.items(), opt)
	if err != nil {
		t.Fatal(err)
	}
	if slices.Equal(first.Places, other.Places) {
		t.Error("another seed gave the same packing to the last place: the seed is not used")
	}
}

func TestStripStopsWhenTold(t *testing.T) {
	t.Parallel()
	in := instances(t, "hopper-tn.json")[20]
	asked := 0
	p, err := Strip(in.Width, in.items(), Options{Evaluations: math.MaxInt64, Stop: func() bool { asked++; return asked > 50 }})
	if err != nil {
		t.Fatal(err)
	}
	if err := checkPacking(in.Width, in.items(), p); err != nil {
		t.Error(err)
	}
	if p.Evaluations > 51 {
		t.Errorf("%d evaluations after 50 were allowed", p.Evaluations)
	}
	p, err = Strip(in.Width, in.items(), Options{Stop: func() bool { return true }})
	if err != nil {
		t.Fatal(err)
	}
	if err := checkPacking(in.Width, in.items(), p); err != nil {
		t.Errorf("stopped before it began: %v", err)
	}
}

func TestStripEasyOptima(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name  string
		width int64
		items []Item
		want  int64
	}{
		{"one", 10, []Item{{10, 3, false}}, 3},
		{"one that lies lower turned", 10, []Item{{3, 10, true}}, 3},
		{"one that may not be turned", 10, []Item{{3, 10, false}}, 10},
		{"one that fits only turned", 5, []Item{{10, 3, true}}, 10},
		{"side by side", 10, []Item{{5, 4, false}, {5, 4, false}}, 4},
		{"wider than half: stacked", 10, []Item{{6, 4, false}, {6, 4, false}, {6, 4, false}}, 12},
		{"four around a hole", 5, []Item{{3, 2, true}, {3, 2, true}, {3, 2, true}, {3, 2, true}, {1, 1, true}}, 5},
	}
	for _, tt := range tests {
		p, err := Strip(tt.width, tt.items, Options{})
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		if err := checkPacking(tt.width, tt.items, p); err != nil {
			t.Errorf("%s: %v", tt.name, err)
		}
		if p.Height != tt.want || !p.Optimal() {
			t.Errorf("%s: height %d, bound %d, want %d", tt.name, p.Height, p.LowerBound, tt.want)
		}
	}
}

func TestStripRefuses(t *testing.T) {
	t.Parallel()
	ok := []Item{{1, 1, false}}
	tests := []struct {
		name  string
		width int64
		items []Item
		opt   Options
		field string
	}{
		{"no width", 0, ok, Options{}, "width"},
		{"no items", 10, nil, Options{}, "items"},
		{"too many items", 10, make([]Item, MaxSearched+1), Options{}, "items"},
		{"flat item", 10, []Item{{1, 1, false}, {1, 0, false}}, Options{}, "items[1]"},
		{"too wide", 10, []Item{{11, 1, false}}, Options{}, "items[0]"},
		{"too wide both ways", 10, []Item{{11, 12, true}}, Options{}, "items[0]"},
		{"too large to count", math.MaxInt64, []Item{{math.MaxInt64, math.MaxInt64, false}}, Options{}, "items"},
		{"too large together", 1 << 20, []Item{{1, 1 << 39, false}, {1, 1 << 39, false}}, Options{}, "items"},
		{"negative budget", 10, ok, Options{Evaluations: -1}, "options.evaluations"},
	}
	for _, tt := range tests {
		_, err := Strip(tt.width, tt.items, tt.opt)
		if refused, ok := errors.AsType[*Error](err); !ok || refused.Field != tt.field {
			t.Errorf("%s: got %v, want an error of %s", tt.name, err, tt.field)
		}
	}
}

// cutUp cuts a rectangle into pieces without waste, so that its height is the optimum for them.
func cutUp(t *rapid.T, width, height int64, into int) []Item {
	pieces := []Item{{Width: width, Height: height}}
	for range into {
		i := rapid.IntRange(0, len(pieces)-1).Draw(t, "piece")
		p := &pieces[i]
		rest := *p
		if rapid.Bool().Draw(t, "across") && p.Width > 1 {
			p.Width = rapid.Int64Range(1, p.Width-1).Draw(t, "at")
			rest.Width -= p.Width
		} else if p.Height > 1 {
			p.Height = rapid.Int64Range(1, p.Height-1).Draw(t, "at")
			rest.Height -= p.Height
		} else {
			continue
		}
		pieces = append(pieces, rest)
	}
	return pieces
}

// Bounds: Coffman, Garey, Johnson, Tarjan 1980, from memory; see shelf.go.
func TestShelfBounds(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		width := rapid.Int64Range(1, 200).Draw(t, "width")
		optimum := rapid.Int64Range(1, 200).Draw(t, "height")
		items := cutUp(t, width, optimum, rapid.IntRange(0, 60).Draw(t, "cuts"))
		entries, err := stripEntries(width, items)
		if err != nil {
			t.Fatal(err)
		}
		var highest int64
		for _, it := range items {
			highest = max(highest, it.Height)
		}
		packed, height := ffdh(width, entries)
		p := Packing{Height: height, Places: make([]Place, len(items))}
		for _, l := range packed {
			p.Places[l.kind] = Place{X: l.x, Y: l.y, Rotated: l.turned}
		}
		if err := checkPacking(width, items, p); err != nil {
			t.Fatal(err)
		}
		if 10*height > 17*optimum+10*highest {
			t.Errorf("height %d for optimum %d and highest item %d", height, optimum, highest)
		}
	})
}

func TestStripProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		width := rapid.Int64Range(1, 100).Draw(t, "width")
		optimum := rapid.Int64Range(1, 100).Draw(t, "height")
		items := cutUp(t, width, optimum, rapid.IntRange(0, 30).Draw(t, "cuts"))
		for i := range items {
			items[i].Rotate = rapid.Bool().Draw(t, "rotate")
		}
		p, err := Strip(width, items, Options{Seed: rapid.Uint64().Draw(t, "seed"), Evaluations: 100})
		if err != nil {
			t.Fatal(err)
		}
		if err := checkPacking(width, items, p); err != nil {
			t.Fatal(err)
		}
		entries, err := stripEntries(width, items)
		if err != nil {
			t.Fatal(err)
		}
		if _, shelves := ffdh(width, entries); p.Height > shelves {
			t.Errorf("height %d is worse than %d, where the search begins", p.Height, shelves)
		}
		if p.Height < optimum {
			t.Errorf("height %d beats the optimum %d", p.Height, optimum)
		}
	})
}

// BenchmarkStrip packs each published instance for one second and reports the mean gap to the optimum in percent. The
// items are shuffled first, so that nothing can be gained from the order in which they were published.
func BenchmarkStrip(b *testing.B) {
	for _, file := range []string{"hopper-turton-c.json", "hopper-tn.json"} {
		b.Run(file, func(b *testing.B) {
			for range b.N {
				stripTable(b, instances(b, file))
			}
		})
	}
}

func stripTable(b *testing.B, list []instance) {
	within := time.Second
	if testing.Short() { // whether it runs; the figures mean nothing then
		within = 10 * time.Millisecond
	}
	var table strings.Builder
	var sets []string
	gaps := make(map[string][]float64)
	var all []float64
	for _, in := range list {
		items := in.items()
		shuffle(items, 7)
		begin := time.Now()
		p, err := Strip(in.Width, items, Options{
			Seed: 1, Evaluations: math.MaxInt64, Stop: func() bool { return time.Since(begin) > within },
		})
		if err != nil {
			b.Fatal(err)
		}
		if err := checkPacking(in.Width, items, p); err != nil {
			b.Fatal(err)
		}
		if len(gaps[in.set()]) == 0 {
			sets = append(sets, in.set())
		}
		gap := in.gap(p.Height)
		gaps[in.set()] = append(gaps[in.set()], gap)
		all = append(all, gap)
	}
	for _, set := range sets {
		fmt.Fprintf(&table, "%s %.2f  ", set, mean(gaps[set]))
		b.ReportMetric(mean(gaps[set]), set+"-gap-%")
	}
	b.Logf("mean gap in percent: %sall %.2f", table.String(), mean(all))
	b.ReportMetric(mean(all), "mean-gap-%")
}

func shuffle(items []Item, seed uint64) {
	r := chance.New(seed)
	for i := len(items) - 1; i > 0; i-- {
		j := below(r, i+1)
		items[i], items[j] = items[j], items[i]
	}
}
