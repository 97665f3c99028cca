package compare

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

func hours(n float64) *durationpb.Duration { return minutes(60 * n) }

// twoKinds is a mix of two kinds, the first three times as frequent, with sizes and due times.
func twoKinds(perDay float64, days int32) *tandemv1.Mix {
	return &tandemv1.Mix{JobsPerDay: perDay, Days: days, Entries: []*tandemv1.MixEntry{
		{Job: decals("often", 5, 5), Share: 3, DueMin: hours(4), DueMax: hours(8), QuantityMin: 0.5, QuantityMax: 2},
		{Job: decals("seldom", 20, 20)},
	}}
}

// dayShift is eight hours from Monday to Friday.
func dayShift(operators int32, more ...*tandemv1.Shift) []*tandemv1.Shift {
	return append([]*tandemv1.Shift{{Id: "day", From: "08:00", To: "16:00", Operators: operators}}, more...)
}

// Jobs of a mix are a Poisson stream: their number has the mean and the variance of a day's jobs times the days; they come
// within shifts, evenly; kinds come by their shares; sizes and due times lie evenly between their bounds.
func TestMixIsDrawnAsItSays(t *testing.T) {
	file := shop(nil, device("printer-1", 0, "print"), device("cutter-1", 0, "cut"))
	file.Shifts = dayShift(1)
	c, err := New(&tandemv1.CompareFloorsRequest{Floors: []*tandemv1.FloorVariant{variant("a", file)}, Mix: twoKinds(20, 10), Seed: 5}, monday.AddDate(0, 0, 3), nil)
	if err != nil {
		t.Fatal(err)
	}
	if want := time.Date(2026, 3, 9, 0, 0, 0, 0, time.UTC); !c.start.Equal(want) {
		t.Errorf("begins on %v, want the next Monday, %v", c.start, want)
	}
	if len(c.mix.windows) != 10 {
		t.Fatalf("%d days are played, want 10", len(c.mix.windows))
	}
	const plays, mean = 400, 200.0
	var sum, squares, often, slack, size, within, all float64
	for n := range plays {
		jobs := c.mix.draw(n)
		sum += float64(len(jobs))
		squares += (float64(len(jobs)) - mean) * (float64(len(jobs)) - mean)
		for i, j := range jobs {
			at := j.at.Sub(time.Date(j.at.Year(), j.at.Month(), j.at.Day(), 8, 0, 0, 0, time.UTC)).Hours()
			if at < 0 || at > 8 || j.at.Weekday() == time.Saturday || j.at.Weekday() == time.Sunday {
				t.Fatalf("a job comes on %v", j.at)
			}
			if i > 0 && j.at.Before(jobs[i-1].at) {
				t.Fatal("jobs are not in the order in which they come")
			}
			all++
			within += at / 8
			if j.kind.entry == 0 {
				often++
				size += (float64(j.kind.size) + 0.5) / sizes
				slack += (j.due.Sub(j.at).Hours() - 4) / 4
			} else if !j.due.IsZero() || j.kind.size != 0 {
				t.Fatalf("a kind without due times and sizes is due at %v in size %d", j.due, j.kind.size)
			}
		}
	}
	standard := func(what string, z float64) {
		if math.Abs(z) > 4 {
			t.Errorf("%s is %.1f standard errors off", what, z)
		}
	}
	standard("the number of jobs", (sum/plays-mean)/math.Sqrt(mean/plays))
	standard("its variance", (squares/plays/mean-1)/math.Sqrt(2.0/plays))
	standard("the share of the first kind", (often/all-0.75)/math.Sqrt(0.75*0.25/all))
	for what, x := range map[string]float64{"the time of the day": within / all, "the size": size / often, "the time until due": slack / often} {
		standard(what, (x-0.5)*math.Sqrt(12*often))
	}
}

// One cutter for a mix that needs nearly all its time: jobs wait and are late. A second one ends that, and what that is worth
// hangs on what a late hour costs.
func TestLatenessDecides(t *testing.T) {
	money := &tandemv1.Money{Currency: "EUR", OperatorHour: 30, LateHour: 10}
	today := shop(money, device("printer-1", 0, "print"), device("cutter-1", 0, "cut"))
	today.Shifts = dayShift(2)
	more := with(today, "cutter-1", "cutter-2", 9000)
	mix := &tandemv1.Mix{JobsPerDay: 22, Days: 10, Entries: []*tandemv1.MixEntry{{Job: decals("labels", 4, 16), DueMin: hours(3), DueMax: hours(6)}}}
	out := compared(t, &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{variant("today", today), variant("second cutter", more)}, Mix: mix, Seed: 2, Reaction: minutes(1),
	})
	says(t, out, "second cutter ends", "in place of", "Most of that", "is jobs that are no longer late: it stands or falls with what a late hour costs (10 EUR)",
		"it has paid after", "The better choice is second cutter: it brings most")
	p := out.GetFloors()[1].GetPayBack()
	if y := p.GetYears(); y.GetLow() > y.GetMean() || y.GetHigh() < y.GetMean() || math.Abs(y.GetMean()-9000/p.GetGainPerYear().GetMean()) > 1e-9 {
		t.Errorf("pays after %v years of %v", y, p.GetGainPerYear())
	}
	money.LateHour = 0
	out = compared(t, &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{variant("today", today), variant("second cutter", more)}, Mix: mix, Seed: 2, Reaction: minutes(1),
	})
	for _, s := range out.GetConclusion() {
		if strings.Contains(s, "is jobs that are no longer late") {
			t.Errorf("lateness costs nothing and still decides: %q", s)
		}
	}
}

// A late shift costs what its people cost, and is worth it only if there is something to do.
func TestLateShift(t *testing.T) {
	money := &tandemv1.Money{OperatorHour: 30, MarginHour: 90}
	today := shop(money, device("printer-1", 0, "print"), device("cutter-1", 0, "cut"))
	today.Shifts = dayShift(1)
	late := proto.CloneOf(today)
	late.Shifts = dayShift(1, &tandemv1.Shift{Id: "late", From: "16:00", To: "24:00", Operators: 1})
	request := func(perDay float64) *tandemv1.CompareFloorsRequest {
		return &tandemv1.CompareFloorsRequest{
			Floors: []*tandemv1.FloorVariant{variant("today", today), variant("late shift", late)}, Seed: 4,
			Mix: &tandemv1.Mix{JobsPerDay: perDay, Days: 5, Entries: []*tandemv1.MixEntry{{Job: decals("labels", 10, 10)}}},
		}
	}
	out := compared(t, request(8))
	says(t, out, "late shift never pays: it brings -", "The better choice is today")
	// 2,087 h a year of one more person at 30 each, all of it lost.
	between(t, "gain of a late shift with nothing to do", out.GetFloors()[1].GetPayBack().GetGainPerYear().GetMean(), -2100*30, -2070*30)
	// Twice as much as the day shift can do: what the late one does is worth three times what it costs.
	out = compared(t, request(70))
	says(t, out, "today does not keep up", "Take that as a sign and not as a forecast", "late shift costs nothing to get to and brings", "The better choice is late shift")
}

// With the same luck the difference of two floors is told from far fewer plays than with luck of their own.
func TestSameLuckNarrowsTheDifference(t *testing.T) {
	today := shop(nil, device("printer-1", 0, "print"), device("cutter-1", 0, "cut"))
	faster := proto.CloneOf(today)
	faster.Devices[1].Abilities[0].Setup = minutes(1)
	out := compared(t, &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{variant("today", today), variant("faster", faster)}, Jobs: handedIn(30, 8, 10), Seed: 1,
	})
	a, b, d := out.GetFloors()[0].GetMakespan(), out.GetFloors()[1].GetMakespan(), out.GetFloors()[1].GetDifferences()[0]
	alone := math.Hypot(a.GetHigh()-a.GetLow(), b.GetHigh()-b.GetLow())
	if paired := d.GetHigh() - d.GetLow(); paired > alone/5 {
		t.Errorf("the difference is known to %.0f s, with luck of their own to %.0f s", paired, alone)
	}
	if math.Abs(b.GetMean()-a.GetMean()-d.GetMean()) > 1e-6 {
		t.Errorf("the mean difference is %g, the difference of the means %g", d.GetMean(), b.GetMean()-a.GetMean())
	}
	says(t, out, "With these 30 jobs faster needs", "in 95 of 100 such comparisons")
}

// A job that a floor cannot do is named with the floor; one that comes to a stand is said to be left over.
func TestJobsThatCannotBeDone(t *testing.T) {
	today := shop(nil, device("printer-1", 0, "print"), device("cutter-1", 0, "cut"))
	without := shop(nil, device("printer-1", 0, "print"))
	out := compared(t, &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{variant("today", today), variant("without", without)}, Jobs: handedIn(3, 5, 5), Exact: true,
	})
	says(t, out, "On without 3.0 jobs are never finished")
	if out.GetFloors()[1].GetUnfinished() != 3 {
		t.Errorf("%g jobs are left over", out.GetFloors()[1].GetUnfinished())
	}
	for _, s := range out.GetConclusion() {
		if strings.Contains(s, "better choice") {
			t.Errorf("a floor that cannot do the work is weighed: %q", s)
		}
	}
	for _, f := range []*tandemv1.FloorFile{today, without} {
		f.Media = []*tandemv1.Media{{Id: "vinyl", WidthUm: 1_370_000}}
	}
	items := &tandemv1.Job{Id: "tags", Items: []*tandemv1.Item{{Id: "tag", WidthUm: 80_000, HeightUm: 50_000, Quantity: 10, Media: "vinyl", CutKind: "kiss"}}}
	c, err := New(&tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{variant("today", today), variant("without", without)}, Jobs: []*tandemv1.HandedIn{{Job: items}},
	}, monday, nil)
	for more := true; err == nil && more; {
		more, err = c.Next(nil)
	}
	var fe *floor.Error
	if !errors.As(err, &fe) || !strings.HasPrefix(fe.Message, "tags cannot be made on without") || !strings.HasPrefix(fe.Violations[0].Field, "jobs[0].job.items[0]") {
		t.Errorf("got %v", err)
	}
}

func TestStopped(t *testing.T) {
	req := &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{variant("today", shop(nil, device("printer-1", 0, "print"), device("cutter-1", 0, "cut")))}, Jobs: handedIn(2000, 5, 5),
	}
	c, err := New(req, monday, nil)
	if err != nil {
		t.Fatal(err)
	}
	gone := errors.New("gone")
	asked := 0
	for more := true; more && err == nil; {
		more, err = c.Next(func() error {
			if asked++; asked > 3 {
				return gone
			}
			return nil
		})
	}
	if done, _ := c.Progress(); !errors.Is(err, gone) || done > 1 {
		t.Errorf("after %d replications: %v", done, err)
	}
	if more, err := c.Next(nil); more || err != nil {
		t.Errorf("goes on after it was stopped: %v, %v", more, err)
	}
}

// Student's t at 97.5 %: from any table (M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, table 26.10).
func TestEstimate(t *testing.T) {
	for n, want := range map[int]float64{2: 12.706, 3: 4.303, 5: 2.776, 10: 2.262, 20: 2.093, 31: 2.042} {
		values := make([]float64, n)
		sum := 0.0
		for i := range values {
			values[i] = float64(i * i)
			sum += values[i]
		}
		mean, squares := sum/float64(n), 0.0
		for _, v := range values {
			squares += (v - mean) * (v - mean)
		}
		half := want * math.Sqrt(squares/float64(n-1)/float64(n))
		e := estimate(values)
		if math.Abs(e.GetMean()-mean) > 1e-9 || math.Abs((e.GetHigh()-mean)/half-1) > 0.0003 || math.Abs((mean-e.GetLow())/half-1) > 0.0003 {
			t.Errorf("of %d values: %v, want %g with %g either way", n, e, mean, half)
		}
	}
	if e := estimate([]float64{3}); e.GetLow() != 3 || e.GetHigh() != 3 {
		t.Errorf("of one value: %v", e)
	}
}

func TestWords(t *testing.T) {
	for _, tt := range []struct{ got, want string }{
		{span(45), "45 s"},
		{span(12 * 60), "12 min"},
		{span(15*3600 + 50*60), "15 h 50 min"},
		{span(100*3600 + 4), "4 d 4 h"},
		{amount(1234567, "EUR"), "1,234,567 EUR"},
		{amount(-950, ""), "-950"},
		{amount(12.5, "EUR"), "12.50 EUR"},
		{percent(0.234), "23 %"},
		{percent(0.0234), "2.3 %"},
		{list([]string{"a", "b", "c"}), "a, b and c"},
		{oneDecimal(math.Inf(1)), "never"},
		{fmt.Sprint(plural(1, "job", "jobs"), plural(2, "job", "jobs")), "1 job2 jobs"},
	} {
		if tt.got != tt.want {
			t.Errorf("got %q, want %q", tt.got, tt.want)
		}
	}
}
