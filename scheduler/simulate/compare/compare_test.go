package compare

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

var monday = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func minutes(n float64) *durationpb.Duration {
	return durationpb.New(time.Duration(n * float64(time.Minute)))
}

// device does operations with a set-up of two minutes each; the steps say how long they take.
func device(id string, price float64, operations ...string) *tandemv1.Device {
	d := &tandemv1.Device{Id: id, Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Price: price}
	for _, o := range operations {
		a := &tandemv1.Ability{Operation: o, Setup: minutes(2)}
		if o == "print" || o == "dry" {
			a.UnattendedStart = &tandemv1.UnattendedStart{AllowedBy: "marit", AllowTime: timestamppb.New(monday)}
		}
		d.Abilities = append(d.Abilities, a)
	}
	return d
}

func shop(money *tandemv1.Money, devices ...*tandemv1.Device) *tandemv1.FloorFile {
	return &tandemv1.FloorFile{Devices: devices, Money: money}
}

func variant(name string, f *tandemv1.FloorFile) *tandemv1.FloorVariant {
	return &tandemv1.FloorVariant{Name: name, Floor: f}
}

// decals is a job that is printed and cut.
func decals(id string, print, cut float64) *tandemv1.Job {
	return &tandemv1.Job{Id: id, Pieces: 10, Steps: []*tandemv1.Step{
		{Id: "print", Operation: "print", Duration: minutes(print), WidthUm: 1_000_000, LengthUm: 2_000_000},
		{Id: "cut", Operation: "cut", Duration: minutes(cut), After: []string{"print"}, WidthUm: 1_000_000, LengthUm: 2_000_000},
	}}
}

// handedIn is so many of them, all there when the floor opens.
func handedIn(n int, print, cut float64) []*tandemv1.HandedIn {
	var out []*tandemv1.HandedIn
	for i := range n {
		out = append(out, &tandemv1.HandedIn{Job: decals(fmt.Sprintf("job-%d", i+1), print, cut), Time: timestamppb.New(monday)})
	}
	return out
}

func compared(t *testing.T, req *tandemv1.CompareFloorsRequest) *tandemv1.Comparison {
	t.Helper()
	if raced && req.GetReplications() == 0 && !req.GetExact() {
		req.Replications = 6
	}
	c, err := New(req, monday, nil)
	if err != nil {
		t.Fatal(err)
	}
	for {
		more, err := c.Next(nil)
		if err != nil {
			t.Fatal(err)
		}
		if !more {
			break
		}
	}
	if done, total := c.Progress(); done != total || total == 0 {
		t.Errorf("%d of %d replications are done", done, total)
	}
	out := c.Outcome()
	for _, f := range out.GetFloors() {
		for _, d := range f.GetDevices() {
			if sum := d.GetBusy() + d.GetChangeover() + d.GetStarved() + d.GetBlocked() + d.GetClosed(); math.Abs(sum-1) > 1e-9 {
				t.Errorf("%s: the shares of %s add up to %g", f.GetName(), d.GetDevice(), sum)
			}
		}
	}
	return out
}

// says wants sentences of the conclusion that hold all of these.
func says(t *testing.T, out *tandemv1.Comparison, sentences ...string) {
	t.Helper()
	all := strings.Join(out.GetConclusion(), "\n")
	for _, s := range sentences {
		if !strings.Contains(all, s) {
			t.Errorf("no sentence says %q in\n%s", s, all)
		}
	}
}

func between(t *testing.T, what string, v, low, high float64) {
	t.Helper()
	if v < low || v > high {
		t.Errorf("%s is %g, want %g to %g", what, v, low, high)
	}
}

// One printer that needs 5 + 2 min a job and one cutter that needs 15 + 2: the cutter holds the floor back. By the deterministic
// line 40 jobs take 7 + 40*17 min = 11 h 27 min, with two cutters the last ends after about half of that.
func TestSecondCutterAtTheBottleneck(t *testing.T) {
	one := shop(nil, device("printer-1", 0, "print"), device("cutter-1", 0, "cut"))
	two := shop(nil, device("printer-1", 0, "print"), device("cutter-1", 0, "cut"), device("cutter-2", 0, "cut"))
	req := &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{variant("today", one), variant("second-cutter", two)},
		Jobs:   handedIn(40, 5, 15), Exact: true, Reaction: minutes(0),
	}
	out := compared(t, req)
	between(t, "makespan today", out.GetFloors()[0].GetMakespan().GetMean(), 687*60, 687*60)
	between(t, "makespan with two", out.GetFloors()[1].GetMakespan().GetMean(), (7+20*17)*60, (14+20*17+7)*60)
	says(t, out, "With these 40 jobs second-cutter needs 5 h 54 min in place of 11 h 27 min on today: 48 % less.",
		"cutter-2 would work 96 % of the time people are there.",
		"before and after is cut (cutter-1, cutter-2): were it a tenth shorter, the work would end",
		"The better choice is second-cutter", "too little to judge a year by")
	if b := out.GetFloors()[0].GetBottleneck(); !strings.HasPrefix(b, "cut (cutter-1): were it a tenth shorter, the work would end 9.9 % sooner") { // 40*1.7 of 687 min
		t.Errorf("what holds today back is %q", b)
	}
}

// The printer holds the floor back: 17 min a job beside 7 min of cutting. A second cutter stands idle.
func TestSecondCutterBehindASlowPrinter(t *testing.T) {
	money := &tandemv1.Money{Currency: "EUR", OperatorHour: 30, MarginHour: 50}
	req := &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{
			variant("today", shop(money, device("printer-1", 15000, "print"), device("cutter-1", 5000, "cut"))),
			variant("second-cutter", shop(money, device("printer-1", 15000, "print"), device("cutter-1", 5000, "cut"), device("cutter-2", 5000, "cut"))),
			variant("second-printer", shop(money, device("printer-1", 15000, "print"), device("cutter-1", 5000, "cut"), device("printer-2", 15000, "print"))),
		},
		Jobs: handedIn(40, 15, 5), Exact: true, Reaction: minutes(0),
	}
	out := compared(t, req)
	says(t, out, "With these 40 jobs no difference between second-cutter and today can be told: 11 h 27 min and 11 h 27 min.",
		"cutter-2 would mostly stand idle",
		"What holds the floor back before and after is print (printer-1)",
		"second-cutter never pays: it costs 5,000 EUR and brings 0 EUR a year.",
		"The better choice is second-printer: it brings most, what it costs spread over 7 years.")
	if p := out.GetFloors()[1].GetPayBack(); p.GetYears() != nil || p.GetInvest() != 5000 {
		t.Errorf("the second cutter pays: %v", p)
	}
	// A year of 8,760 h (no shifts), 40 jobs each 11 h 27 min: the second printer halves that, nearly, and frees that share of
	// the year at 50 EUR an hour. Nobody works less.
	slow, fast := out.GetFloors()[0].GetMakespan().GetMean(), out.GetFloors()[2].GetMakespan().GetMean()
	want := 8760 * (1 - fast/slow) * 50
	between(t, "gain of the second printer", out.GetFloors()[2].GetPayBack().GetGainPerYear().GetMean(), want*0.99, want*1.01)
	between(t, "years", out.GetFloors()[2].GetPayBack().GetYears().GetMean(), 15000/want*0.99, 15000/want*1.01)
	if out.GetFloors()[0].GetPayBack() != nil {
		t.Error("the first floor is reckoned against itself")
	}
}

// A tiny shop: a job now and then, not laminated, one person who has to walk to a device and set it up. On a combined device
// the panel stays where it is and is cut at once; apart it is printed and cut faster, but not by so much.
func TestCombinedDeviceInATinyShop(t *testing.T) {
	money := &tandemv1.Money{Currency: "EUR", OperatorHour: 30, MarginHour: 20}
	both := device("combined-1", 12000, "print", "cut")
	both.Abilities[1].ContinuesLoaded = true
	apart := shop(money, device("printer-1", 11000, "print"), device("cutter-1", 6000, "cut"))
	for _, d := range apart.GetDevices() {
		d.Abilities[0].Setup = minutes(6)
	}
	var jobs []*tandemv1.HandedIn
	for i := range 30 {
		jobs = append(jobs, &tandemv1.HandedIn{Job: decals(fmt.Sprintf("job-%d", i+1), 12, 8), Time: timestamppb.New(monday.Add(time.Duration(i) * 90 * time.Minute))})
	}
	for _, m := range []*tandemv1.Money{nil, money} {
		apart.Money = m
		out := compared(t, &tandemv1.CompareFloorsRequest{
			Floors: []*tandemv1.FloorVariant{variant("apart", apart), variant("combined", shop(m, both))},
			Jobs:   jobs, Replications: 20, Seed: 3, Reaction: minutes(10),
		})
		says(t, out, "The better choice is combined", "combined-1 prints and cuts, one after the other", "from hand-in to end of a job")
	}
	// Much to do at once: while the combined device cuts, it cannot print.
	apart.Money = nil
	out := compared(t, &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{variant("combined", shop(nil, both)), variant("apart", apart)},
		Jobs:   handedIn(40, 25, 25), Replications: 20, Seed: 3, Reaction: minutes(1),
	})
	says(t, out, "The better choice is apart: it is the fastest")
}

// One person and two benches for hand work: a third bench has nobody, another person has a bench.
func TestPeopleHoldTheFloorBack(t *testing.T) {
	benches := func(operators int32, ids ...string) *tandemv1.FloorFile {
		f := shop(nil)
		for _, id := range ids {
			d := device(id, 400, "weed")
			d.Abilities[0].Attendance = tandemv1.Attendance_ATTENDANCE_WHOLE
			f.Devices = append(f.Devices, d)
		}
		f.Shifts = dayShift(operators)
		return f
	}
	var jobs []*tandemv1.HandedIn
	for i := range 24 {
		jobs = append(jobs, &tandemv1.HandedIn{Time: timestamppb.New(monday), Job: &tandemv1.Job{
			Id: fmt.Sprintf("job-%d", i+1), Pieces: 1, Steps: []*tandemv1.Step{{Id: "weed", Operation: "weed", Duration: minutes(15)}},
		}})
	}
	out := compared(t, &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{
			variant("today", benches(1, "bench-1", "bench-2")), variant("third bench", benches(1, "bench-1", "bench-2", "bench-3")),
			variant("second person", benches(2, "bench-1", "bench-2")),
		},
		Jobs: jobs, Exact: true, Reaction: minutes(0),
	})
	says(t, out, "no difference between third bench and today can be told", "second person needs", "The better choice is second person")
	if b := out.GetFloors()[0].GetBottleneck(); !strings.HasPrefix(b, "people: with a tenth more of them the work would end") {
		t.Errorf("what holds today back is %q", b)
	}
	says(t, out, "bench-3 would mostly stand idle")
	between(t, "load of the one person", out.GetFloors()[0].GetOperatorLoad().GetMean(), 0.95, 1)
	between(t, "makespan with a second person, by that with one", out.GetFloors()[2].GetMakespan().GetMean()/out.GetFloors()[0].GetMakespan().GetMean(), 0.45, 0.55)
}

// Two floors that are the same: with the same luck they do the same, and with another order of devices nothing is told.
func TestSameFloor(t *testing.T) {
	file := shop(nil, device("printer-1", 0, "print"), device("cutter-1", 0, "cut"))
	out := compared(t, &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{variant("a", file), variant("b", proto.CloneOf(file))}, Jobs: handedIn(20, 5, 5), Seed: 1,
	})
	for _, d := range out.GetFloors()[1].GetDifferences() {
		if d.GetMean() != 0 || d.GetLow() != 0 || d.GetHigh() != 0 {
			t.Errorf("the same floor differs by %v", d)
		}
	}
	says(t, out, "no difference between b and a can be told")
	if e := out.GetFloors()[0].GetMakespan(); e.GetLow() >= e.GetMean() || e.GetHigh() <= e.GetMean() {
		t.Errorf("20 replications with chance have the interval %v", e)
	}
}
