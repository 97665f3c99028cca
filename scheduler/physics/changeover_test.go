package physics

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestChangeovers(t *testing.T) {
	const minute = time.Minute
	c := Changeovers{Changes: []Change{
		0: {Media, Any, Any, false, 10 * minute},
		1: {Media, "white", Any, false, 8 * minute},
		2: {Media, Any, "clear", false, 15 * minute},
		3: {Media, "white", "clear", true, 12 * minute},
		4: {Media, None, Any, false, 5 * minute},
		5: {Film, "matt", "gloss", true, 6 * minute},
		6: {Film, "gloss", "matt", false, 7 * minute},
		7: {Mode, "draft", "fine", false, 1 * minute},
		8: {Blade, Any, "60", true, 2 * minute},
	}}
	tests := []struct {
		name          string
		from, to      Loaded
		sum, greatest time.Duration
		rules         []int
	}{
		{"the same", Loaded{"white", "matt", "fine", "45"}, Loaded{"white", "matt", "fine", "45"}, 0, 0, nil},
		{"nothing wanted", Loaded{Media: "white", Film: "matt"}, Loaded{}, 0, 0, nil},
		{"any to any", Loaded{Media: "grey"}, Loaded{Media: "black"}, 10 * minute, 10 * minute, []int{0}},
		{"named from", Loaded{Media: "white"}, Loaded{Media: "black"}, 8 * minute, 8 * minute, []int{1}},
		{"named to", Loaded{Media: "grey"}, Loaded{Media: "clear"}, 15 * minute, 15 * minute, []int{2}},
		{"both named", Loaded{Media: "white"}, Loaded{Media: "clear"}, 12 * minute, 12 * minute, []int{3}},
		{"both named, the other way", Loaded{Media: "clear"}, Loaded{Media: "white"}, 12 * minute, 12 * minute, []int{3}},
		{"nothing loaded", Loaded{}, Loaded{Media: "black"}, 5 * minute, 5 * minute, []int{4}},
		{"nothing loaded, one name each, the first", Loaded{}, Loaded{Media: "clear"}, 15 * minute, 15 * minute, []int{2}},
		{"said for this direction", Loaded{Film: "gloss"}, Loaded{Film: "matt"}, 7 * minute, 7 * minute, []int{6}},
		{"said for both", Loaded{Film: "matt"}, Loaded{Film: "gloss"}, 6 * minute, 6 * minute, []int{5}},
		{"not said for the other direction", Loaded{Mode: "fine"}, Loaded{Mode: "draft"}, 0, 0, []int{-1}},
		{"any the other way", Loaded{Blade: "60"}, Loaded{Blade: "45"}, 2 * minute, 2 * minute, []int{8}},
		{"all at once", Loaded{"white", "matt", "draft", "45"}, Loaded{"black", "gloss", "fine", "60"}, 17 * minute, 8 * minute, []int{1, 5, 7, 8}},
	}
	for _, tt := range tests {
		for _, parallel := range []bool{false, true} {
			c.Parallel = parallel
			want := tt.sum
			if parallel {
				want = tt.greatest
			}
			got, done, err := c.Time(tt.from, tt.to)
			if got != want || err != nil {
				t.Errorf("%s, parallel %v: %v, %v, want %v", tt.name, parallel, got, err, want)
			}
			var rules []int
			for _, d := range done {
				rules = append(rules, d.Rule)
			}
			if !slices.Equal(rules, tt.rules) {
				t.Errorf("%s: rules %v, want %v", tt.name, rules, tt.rules)
			}
		}
	}
}

func TestChangeoverErrors(t *testing.T) {
	ok := Change{Media, "a", "b", false, 1}
	for field, changes := range map[string][]Change{
		"changes[0].aspect": {{"mood", "a", "b", false, 1}},
		"changes[1].from":   {ok, {Media, "", "b", false, 1}},
		"changes[0].to":     {{Media, "a", "", false, 1}},
		"changes[1].to":     {ok, {Media, "a", "a", false, 1}},
		"changes[2].to":     {ok, {Media, "a", "c", false, 1}, {Media, Any, None, false, 1}},
		"changes[0].both":   {{Media, None, "b", true, 1}},
		"changes[0].time":   {{Media, "a", "b", false, -1}},
		"changes[2].from":   {ok, {Film, "a", "b", false, 1}, {Media, "a", "b", true, 5}},
	} {
		_, _, err := Changeovers{Changes: changes}.Time(Loaded{}, Loaded{})
		wantField(t, field, err, field)
	}
	huge := Changeovers{Changes: []Change{{Media, Any, Any, false, math.MaxInt64}, {Film, Any, Any, false, 1}}}
	_, _, err := huge.Time(Loaded{}, Loaded{Media: "a", Film: "b"})
	wantField(t, "overflow", err, "changes[1].time")
	huge.Parallel = true
	if got, _, err := huge.Time(Loaded{}, Loaded{Media: "a", Film: "b"}); got != math.MaxInt64 || err != nil {
		t.Errorf("parallel: %v, %v", got, err)
	}
}

// If all changes hold both ways and none has a twin the other way round, so does the total; work side by side takes no
// longer than one after the other; and the order of the list matters only among changes of equal rank.
func TestChangeoverProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom([]string{"a", "b", "c"})
		var c Changeovers
		for _, aspect := range []Aspect{Media, Film, Mode, Blade} {
			for _, p := range [][2]string{{"a", "b"}, {"b", "c"}, {"a", "c"}, {Any, Any}} {
				if rapid.Bool().Draw(t, "listed") {
					c.Changes = append(c.Changes, Change{aspect, p[0], p[1], true, time.Duration(rapid.Int64Range(0, 1e12).Draw(t, "time"))})
				}
			}
		}
		draw := func() Loaded {
			return Loaded{name.Draw(t, "media"), name.Draw(t, "film"), name.Draw(t, "mode"), name.Draw(t, "blade")}
		}
		from, to := draw(), draw()
		time := func(c Changeovers, from, to Loaded) time.Duration {
			d, _, err := c.Time(from, to)
			if err != nil {
				t.Fatal(err)
			}
			return d
		}
		sum := time(c, from, to)
		if back := time(c, to, from); back != sum {
			t.Errorf("%v there, %v back", sum, back)
		}
		shuffled := Changeovers{Changes: rapid.Permutation(c.Changes).Draw(t, "order")}
		if again := time(shuffled, from, to); again != sum {
			t.Errorf("%v, in another order %v", sum, again)
		}
		c.Parallel = true
		if side := time(c, from, to); side > sum || side*4 < sum {
			t.Errorf("%v one after the other, %v side by side", sum, side)
		}
	})
}
