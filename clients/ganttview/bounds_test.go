package ganttview

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

// TestHugePlans: a picture stays within its bounds and says what it leaves out.
func TestHugePlans(t *testing.T) {
	grid := func(devices, runs int) Chart {
		var c Chart
		for i := range runs {
			c.Runs = append(c.Runs, run(fmt.Sprintf("cutter-%d", i%devices+1), fmt.Sprintf("job-%d", i), "cut", i/devices*10, i/devices*10+10, 3))
		}
		return c
	}
	idle := grid(20, 40)
	for i := range 300 {
		idle.Devices = append(idle.Devices, fmt.Sprintf("idle-%d", i))
	}
	heap := Chart{}
	for i := range 30 {
		heap.Runs = append(heap.Runs, run("rack", fmt.Sprintf("job-%d", i), "dry", 0, 600, 0))
	}
	ages := Chart{Runs: []*tandemv1.PlannedRun{{Device: "d", Job: "j", StartTime: timestamppb.New(time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC)), EndTime: timestamppb.New(time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC))}}}
	for _, tt := range []struct {
		name    string
		picture Picture
		want    []string
	}{
		{"50 devices and 1,000 runs", Picture{Charts: []Chart{grid(50, 1000)}}, []string{"cutter-50", "and 850 more jobs that a picture has no room to list"}},
		{"200 devices", Picture{Charts: []Chart{grid(200, 2000)}}, []string{"and 106 more devices with 1060 runs that a picture has no room for"}},
		{"idle devices go first", Picture{Charts: []Chart{idle}}, []string{"and 300 devices without work", "cutter-20"}},
		{"20,000 runs", Picture{Charts: []Chart{grid(5, 20_000)}}, []string{"and 16000 more runs that a picture has no room for"}},
		{"30 at once", Picture{Charts: []Chart{heap}}, []string{"and 10 more runs that a picture has no room for"}},
		{"20 charts", Picture{Charts: slices.Repeat([]Chart{grid(5, 20)}, 20)}, []string{"and 14 more charts that a picture has no room for"}},
		{"ten thousand years", Picture{Charts: []Chart{ages}}, []string{"1 Jan"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			picture := svgOf(t, tt.picture)
			shapes, _, height := read(t, picture)
			if height > 3000 || len(picture) > 4<<20 {
				t.Errorf("%v units high, %d bytes", height, len(picture))
			}
			words := wordsOf(shapes)
			for _, want := range tt.want {
				if !strings.Contains(words, want) {
					t.Errorf("the picture does not say %q:\n%.2000s", want, words)
				}
			}
			// A bitmap takes as long as twenty drawings: the largest of each kind will do.
			if tt.name == "20,000 runs" || tt.name == "ten thousand years" {
				if err := PNG(io.Discard, tt.picture); err != nil {
					t.Error(err)
				}
			}
		})
	}
}

// TestTicks: round times of the clock on the wall, few enough to read, also on the days on which summer time begins and
// ends (last Sundays of March and October at 01:00 UTC: Directive 2000/84/EC).
func TestTicks(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no time zone database: ", err)
	}
	for _, tt := range []struct {
		from, to    string
		zone        *time.Location
		first, last string
		count       int
	}{
		{"2026-03-02T06:05:00Z", "2026-03-02T09:00:00Z", time.UTC, "06:15\nMon 2 Mar", "09:00\n ", 12},
		{"2026-03-02T06:05:00Z", "2026-03-03T09:00:00Z", berlin, "08:00\nMon 2 Mar", "10:00\n ", 14},
		{"2026-03-28T12:00:00Z", "2026-03-29T12:00:00Z", berlin, "14:00\nSat 28 Mar", "14:00\n ", 12}, // 02:00 is skipped
		{"2026-10-24T12:00:00Z", "2026-10-25T12:00:00Z", berlin, "14:00\nSat 24 Oct", "12:00\n ", 12},
		{"2026-03-02T06:05:00Z", "2026-03-12T09:00:00Z", time.UTC, "Tue 3 Mar", "Thu 12 Mar", 10},
		{"2026-03-04T06:05:00Z", "2026-06-12T09:00:00Z", time.UTC, "Mon 9 Mar", "Mon 8 Jun", 14},
		{"2026-03-04T06:05:00Z", "2029-06-12T09:00:00Z", time.UTC, "9 Mar 2026", "4 Jun 2029", 14},
	} {
		from, _ := time.Parse(time.RFC3339, tt.from)
		to, _ := time.Parse(time.RFC3339, tt.to)
		ticks := span{from, to, tt.zone}.ticks()
		if len(ticks) != tt.count || ticks[0].Label != tt.first || ticks[len(ticks)-1].Label != tt.last {
			t.Errorf("%s to %s: %d ticks from %q to %q, want %d from %q to %q", tt.from, tt.to, len(ticks), ticks[0].Label, ticks[len(ticks)-1].Label, tt.count, tt.first, tt.last)
		}
		for i, tick := range ticks {
			if tick.Value < 0 || tick.Value > to.Sub(from).Seconds() || i > 0 && tick.Value <= ticks[i-1].Value {
				t.Errorf("%s to %s: tick %d at %v", tt.from, tt.to, i, tick.Value)
			}
		}
	}
}

// TestPastIsShort: what began long ago does not take the room of what comes.
func TestPastIsShort(t *testing.T) {
	p := Picture{Charts: []Chart{{Now: monday, Runs: []*tandemv1.PlannedRun{run("rack", "a", "dry", -10_000, 30, 0), run("cutter", "b", "cut", 0, 60, 0)}}}}
	if s := spanOf(p); !s.from.Equal(monday.Add(-20*time.Minute)) || !s.to.Equal(monday.Add(time.Hour)) {
		t.Errorf("axis from %v to %v", s.from, s.to)
	}
}

func TestByName(t *testing.T) {
	names := []string{"cutter-10", "b", "cutter-2", "", "cutter-1-b", "a-3", "cutter-02", "cutter-1"}
	slices.SortFunc(names, byName)
	if got := strings.Join(names, " "); got != " a-3 b cutter-1 cutter-1-b cutter-2 cutter-02 cutter-10" {
		t.Error(got)
	}
}

// TestAttendedAddsUp: shifts that overlap make one strip with as many people as there are.
func TestAttendedAddsUp(t *testing.T) {
	p := Picture{Charts: []Chart{{
		Runs:     []*tandemv1.PlannedRun{run("d", "j", "s", 0, 240, 0)},
		Attended: []*tandemv1.Attended{{StartTime: at(60), EndTime: at(180), Operators: 2}, {StartTime: at(0), EndTime: at(120), Operators: 1}, {StartTime: at(180), EndTime: at(200), Operators: 2}},
	}}}
	words := wordsOf(first(read(t, svgOf(t, p))))
	if !strings.Contains(words, "people\n") || !strings.Contains(words, "1 operator\n3 operators\n2 operators\n") {
		t.Error(words)
	}
}

// TestNobodyIsThereAsFarAsKnown: behind the last run of a floor that is done before another, nothing is said of people.
func TestNobodyIsThereAsFarAsKnown(t *testing.T) {
	people := []*tandemv1.Attended{{StartTime: at(0), EndTime: at(60), Operators: 1}}
	p := Picture{Charts: []Chart{
		{Runs: []*tandemv1.PlannedRun{run("d", "j", "s", 0, 120, 0)}, Attended: people},
		{Runs: []*tandemv1.PlannedRun{run("d", "j", "s", 0, 240, 0)}, Attended: people},
	}}
	shapes, _, _ := read(t, svgOf(t, p))
	var there, gone []shape
	for _, s := range shapes {
		switch {
		case s.fill == hex(manned) && s.w != 26:
			there = append(there, s)
		case s.fill == hex(empty) && s.w != 26:
			gone = append(gone, s)
		}
	}
	if len(there) != 2 || len(gone) != 2 {
		t.Fatalf("%d and %d areas, want 2 each", len(there), len(gone))
	}
	for i, times := range []float64{1, 3} { // as long as people were there
		if want := times * there[i].w; gone[i].w < want-0.5 || gone[i].w > want+0.5 {
			t.Errorf("chart %d: nobody is there for %.1f units, want %.1f", i, gone[i].w, want)
		}
	}
}
