package ganttview

import (
	"bytes"
	"errors"
	"image/png"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/goldentest"
	tandemv1 "tandem/proto/tandem/v1"
)

// two floors do the same jobs: with a second cutter none is late.
func two() Picture {
	one, other := workshop(4, 1, 1, 3), workshop(4, 1, 2, 3)
	one.Title, other.Title = "harbour", "harbour + a second cutter-1"
	one.Now, other.Now = time.Time{}, time.Time{}
	return Picture{Title: "One replication of each floor", Zone: ahead, Charts: []Chart{one, other}}
}

func svgOf(t testing.TB, p Picture) string {
	t.Helper()
	var b strings.Builder
	if err := SVG(&b, p); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestGoldenSVG(t *testing.T) {
	for name, p := range map[string]Picture{"small": small(), "two": two()} {
		t.Run(name, func(t *testing.T) {
			goldentest.Compare(t, name+".svg", svgOf(t, p))
		})
	}
}

func TestSameInputSameBytes(t *testing.T) {
	for name, p := range map[string]func() Picture{"small": small, "two": two} {
		var first, second bytes.Buffer
		for _, b := range []*bytes.Buffer{&first, &second} {
			q := p()
			if b == &second {
				for i := range q.Charts { // the order of runs that begin apart says nothing
					slices.Reverse(q.Charts[i].Attended)
				}
			}
			if err := errors.Join(SVG(b, q), PNG(b, q)); err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(first.Bytes(), second.Bytes()) {
			t.Errorf("%s: two pictures of the same differ", name)
		}
	}
}

// TestEveryRunHasItsBar compares the bars of pictures with the runs: with the axis measured at two of its labels, each run
// has a bar where it begins and ends, with as much changeover, and no two bars of a device overlap.
func TestEveryRunHasItsBar(t *testing.T) {
	for name, p := range map[string]Picture{
		"small": small(), "two": two(), "300 runs": {Zone: ahead, Charts: []Chart{workshop(80, 3, 3, 2)}}, "dense": {Charts: []Chart{workshop(30, 7, 28, 4)}},
	} {
		t.Run(name, func(t *testing.T) {
			shapes, _, _ := read(t, svgOf(t, p))
			left, perMinute := axisOf(t, shapes)
			from := spanOf(p).from
			var all []shape
			for _, s := range shapes {
				if s.text == "" && s.h > 8 && s.w != 14 && s.w != 26 && (s.fill == hex(changes) || isTone(s.fill)) {
					all = append(all, s)
				}
			}
			missing := 0
			for _, c := range p.Charts {
				for _, r := range c.Runs {
					x := func(at time.Time) float64 { return left + max(0, at.Sub(from).Minutes())*perMinute }
					begin, ready, end := x(r.GetStartTime().AsTime()), x(r.GetStartTime().AsTime().Add(r.GetChangeover().AsDuration())), x(r.GetEndTime().AsTime())
					find := func(a, b float64, changeover bool) bool {
						i := slices.IndexFunc(all, func(s shape) bool {
							return math.Abs(s.x-a) < 0.2 && math.Abs(s.x+s.w-b) < 0.2 && (s.fill == hex(changes)) == changeover
						})
						if i >= 0 {
							all = slices.Delete(all, i, i+1)
						}
						return i >= 0
					}
					if end-ready > 1 && !find(ready, end, false) || ready-begin > 1 && !find(begin, ready, true) {
						if missing++; missing < 5 {
							t.Errorf("no bar from %.1f over %.1f to %.1f for %v", begin, ready, end, r)
						}
					}
				}
			}
			if missing > 0 {
				t.Errorf("%d runs have no bar", missing)
			}
			checkOverlaps(t, shapes)
		})
	}
}

// axisOf measures the axis by the marks under its labels: where it begins, and units for a minute.
func axisOf(t *testing.T, shapes []shape) (left, perMinute float64) {
	t.Helper()
	// The line at the left of the rows is the axis' beginning; the rows are cut at it.
	var marks []float64 // of the first chart
	for i, s := range shapes {
		if s.text == "" && s.fill == "none" && s.w == 0 && math.Abs(s.h-4) < 0.05 {
			marks = append(marks, s.x)
		} else if len(marks) > 0 && i > 0 {
			break
		}
	}
	var clocks []time.Time
	for _, s := range shapes {
		if at, err := time.Parse("15:04", s.text); err == nil && s.size == sizeSmall {
			clocks = append(clocks, at)
		}
	}
	if len(marks) < 2 || len(clocks) < 2 {
		t.Fatalf("no axis: %v %v", marks, clocks)
	}
	step := clocks[1].Sub(clocks[0]).Minutes()
	perMinute = (marks[len(marks)-1] - marks[0]) / float64(len(marks)-1) / step
	for _, s := range shapes {
		if s.text == "" && s.fill == "none" && s.w == 0 && s.h > 50 && (left == 0 || s.x < left) {
			left = s.x
		}
	}
	return left, perMinute
}

// checkOverlaps holds bars apart: the tones and changeovers that are drawn in rows.
func checkOverlaps(t *testing.T, shapes []shape) {
	t.Helper()
	var bars []shape
	for _, s := range shapes {
		if s.text == "" && s.h > 8 && s.w != 14 && s.w != 26 && (s.fill == hex(changes) && s.h != 9 || isTone(s.fill)) {
			bars = append(bars, s)
		}
	}
	slices.SortFunc(bars, func(a, b shape) int { return int(math.Copysign(1, a.x-b.x)) })
	for i, a := range bars {
		for _, b := range bars[i+1:] {
			if b.x >= a.x+a.w-0.15 {
				break
			}
			if b.y < a.y+a.h-0.15 && a.y < b.y+b.h-0.15 {
				t.Errorf("bars at %.1f,%.1f (%.1f wide) and %.1f,%.1f overlap", a.x, a.y, a.w, b.x, b.y)
			}
		}
	}
}

// TestTextStaysOnThePage: whatever is drawn, and however long its names.
func TestTextStaysOnThePage(t *testing.T) {
	long := small()
	for _, r := range long.Charts[0].Runs {
		r.Device, r.Job, r.Step = strings.Repeat(r.GetDevice(), 20), strings.Repeat(r.GetJob(), 20), strings.Repeat("W", 300)
	}
	long.Title, long.Charts[0].Title = strings.Repeat("Title ", 500), strings.Repeat("Chart ", 500)
	for name, p := range map[string]Picture{
		"small": small(), "two": two(), "300 runs": {Zone: ahead, Charts: []Chart{workshop(80, 3, 3, 2)}}, "1000 runs": {Charts: []Chart{workshop(270, 24, 24, 2)}}, "long": long,
	} {
		t.Run(name, func(t *testing.T) {
			regular, bold, err := newTypefaces()
			if err != nil {
				t.Fatal(err)
			}
			shapes, width, height := read(t, svgOf(t, p))
			for _, s := range shapes {
				face := regular
				if s.boldface {
					face = bold
				}
				right := s.x + s.w
				if s.text != "" {
					right = s.x + face.width(s.size, s.text)/widerFonts
				}
				if s.x < 0 || right > width || s.y < 0 || s.y+s.h > height {
					t.Errorf("%q at %.1f to %.1f, %.1f is off the page of %v x %v", s.text, s.x, right, s.y, width, height)
				}
			}
		})
	}
}

// TestWords holds that a picture says in words, in the shop's time, what it shows.
func TestWords(t *testing.T) {
	tests := []struct {
		name    string
		picture Picture
		want    []string
	}{
		{"small", small(), []string{
			"Plan of the floor", "Times in UTC+02:00.", "3 jobs in 7 runs on 5 devices, 07:40 to 11:00; 1 job late", "2 operators", "1 operator",
			"now 08:00", "laminator", "changeover", "1 harbour-decals print", "late by 30 min", "2!", "runs already", "nobody is there",
			"1 job is due after this picture ends", "ends 11:00, due 12:20", "late by 30 min, ends 10:30", "Mon 2 Mar",
		}},
		{"two", two(), []string{"harbour + a second cutter-1", "cutter-2", "C: changeover"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			shapes, _, _ := read(t, svgOf(t, tt.picture))
			words := wordsOf(shapes)
			for _, want := range tt.want {
				if !strings.Contains(words, want) {
					t.Errorf("the picture does not say %q:\n%s", want, words)
				}
			}
		})
	}
}

// TestMeaningWithoutColour: what a colour says is said by something else, too.
func TestMeaningWithoutColour(t *testing.T) {
	p := small()
	before := wordsOf(first(read(t, svgOf(t, p))))
	for _, r := range p.Charts[0].Runs {
		r.DueTime, r.Fixed, r.Changeover = nil, false, nil
	}
	after := wordsOf(first(read(t, svgOf(t, p))))
	for _, mark := range []string{"\n!\n", "changeover\n", "2!", "late by 30 min"} {
		if strings.Count(before, mark) <= strings.Count(after, mark) {
			t.Errorf("%q is not told", mark)
		}
	}
}

// TestPNG looks at a picture's size, and at what colour it has where.
func TestPNG(t *testing.T) {
	var b bytes.Buffer
	if err := PNG(&b, small()); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	shapes, width, height := read(t, svgOf(t, small()))
	if got := img.Bounds(); got.Dx() != 2*int(width) || got.Dy() != 2*int(height) {
		t.Errorf("%v pixels, want twice %v x %v", got, width, height)
	}
	looked := 0
	for _, s := range shapes {
		if !isTone(s.fill) || s.w < 40 {
			continue
		}
		looked++
		if got := hex(img.At(int(2*(s.x+s.w-12)), int(2*(s.y+4)))); got != s.fill {
			t.Errorf("colour %s at the end of the bar at %.0f, want %s", got, s.x, s.fill)
		}
	}
	if looked < 5 {
		t.Errorf("%d bars looked at", looked)
	}
}

func TestBadInput(t *testing.T) {
	spoil := func(f func(r *tandemv1.PlannedRun)) Picture {
		p := small()
		f(p.Charts[0].Runs[1])
		return p
	}
	for _, tt := range []struct {
		picture Picture
		want    string
	}{
		{Picture{}, ErrNoRuns.Error()},
		{Picture{Charts: []Chart{{Title: "x"}}}, ErrNoRuns.Error()},
		{spoil(func(r *tandemv1.PlannedRun) { r.StartTime = nil }), "charts[0].runs[1].start_time is not a time"},
		{spoil(func(r *tandemv1.PlannedRun) { r.EndTime = &timestamppb.Timestamp{Nanos: -1} }), "charts[0].runs[1].end_time is not a time"},
		{spoil(func(r *tandemv1.PlannedRun) { r.EndTime = at(-9) }), "charts[0].runs[1].end_time is before its start_time"},
		{spoil(func(r *tandemv1.PlannedRun) { r.DueTime = &timestamppb.Timestamp{Seconds: math.MaxInt64} }), "charts[0].runs[1].due_time is not a time"},
		{Picture{Charts: []Chart{{Attended: []*tandemv1.Attended{{}}}}}, "charts[0].attended[0] does not begin and end at a time"},
	} {
		if err := errors.Join(SVG(io.Discard, tt.picture)); err == nil || err.Error() != tt.want {
			t.Errorf("error %v, want %q", err, tt.want)
		}
		if err := PNG(io.Discard, tt.picture); err == nil {
			t.Errorf("%s: a PNG was drawn", tt.want)
		}
	}
}

var hostile = []string{
	`</text><script>alert(1)</script>`, `"/><image href="http://x.invalid/"/>`, `]]><!--`, `&lt;&#0;&bogus;`, `' onload='x`, `"font-family:Liberation Sans;`,
	"\x1b[2J\x00\x07\r\nnew line\u009b31m\x7f", "\xff\xfe not UTF-8 \xc3", "a\u202egpj.exe\u202c\u2066b", "שלום עולם 12 אבג", "日本語のステッカー",
	"\U0001f600\U0001f468\u200d\U0001f469", "e" + strings.Repeat("\u0301", 5000), strings.Repeat("long ", 200_000), "ﷺ", "\ufeff\u2028\u2029\u00ad", "",
}

// TestHostileNames: whatever a name holds, the picture stays well-formed, holds no more markup than before, and no text of
// it turns the direction of writing or fills the page.
func TestHostileNames(t *testing.T) {
	for i, name := range hostile {
		t.Run(strconv.Itoa(i), func(t *testing.T) { checkNames(t, name, i%5 == 0) })
	}
}

func checkNames(t testing.TB, name string, bitmap bool) {
	t.Helper()
	p := small()
	p.Title, p.Charts[0].Title = name, name
	p.Charts[0].Devices = append(p.Charts[0].Devices, name)
	for i, r := range p.Charts[0].Runs {
		r.Job, r.Step, r.Operation = name, name, name
		if i%2 == 0 {
			r.Device = name
		}
	}
	picture := svgOf(t, p)
	shapes, _, _ := read(t, picture)
	for _, s := range shapes {
		if i := strings.IndexFunc(s.text, func(r rune) bool { return !unicode.IsPrint(r) }); i >= 0 {
			t.Errorf("character %q in %q", s.text[i:], s.text)
		}
	}
	if len(picture) > 1<<17 {
		t.Errorf("%d bytes of SVG for a name of %d", len(picture), len(name))
	}
	if bitmap {
		if err := PNG(io.Discard, p); err != nil {
			t.Error(err)
		}
	}
}

func FuzzNames(f *testing.F) {
	f.Add(hostile[0])
	f.Add(hostile[9])
	f.Fuzz(func(t *testing.T, name string) {
		if len(name) <= 1000 {
			checkNames(t, name, false)
		}
	})
}
