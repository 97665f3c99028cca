package learn

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"
)

var printer = Key{Device: "printer-1", Operation: "print", Mode: "fine"}

// learnRatio lets k take ratio times a prediction of 1000 s.
func learnRatio(t *testing.T, m *Model, k Key, ratio float64) {
	t.Helper()
	o := Observation{Predicted: 1000 * time.Second, Actual: time.Duration(math.Round(ratio * 1e12)), Done: 1}
	if err := m.Observe(k, o); err != nil {
		t.Fatal(err)
	}
}

func TestObserveRefuses(t *testing.T) {
	good := Observation{Predicted: time.Hour, Actual: time.Hour, Done: 1}
	for _, c := range []struct {
		name, field string
		change      func(*Key, *Observation)
	}{
		{"no device", "device", func(k *Key, _ *Observation) { k.Device = "" }},
		{"no operation", "operation", func(k *Key, _ *Observation) { k.Operation = "" }},
		{"a mode without end", "mode", func(k *Key, _ *Observation) { k.Mode = strings.Repeat("x", 129) }},
		{"a mode that is no text", "mode", func(k *Key, _ *Observation) { k.Mode = "\xff" }},
		{"nothing predicted", "predicted", func(_ *Key, o *Observation) { o.Predicted = 0 }},
		{"less than nothing predicted", "predicted", func(_ *Key, o *Observation) { o.Predicted = -1 }},
		{"an absurd prediction", "predicted", func(_ *Key, o *Observation) { o.Predicted = math.MaxInt64 }},
		{"no time", "actual", func(_ *Key, o *Observation) { o.Actual = 0 }},
		{"an end before the start", "actual", func(_ *Key, o *Observation) { o.Actual = -time.Hour }},
		{"an absurd time", "actual", func(_ *Key, o *Observation) { o.Actual = 32 * 24 * time.Hour }},
		{"less than no stop", "stopped", func(_ *Key, o *Observation) { o.Stopped = -1 }},
		{"stopped all the time", "stopped", func(_ *Key, o *Observation) { o.Stopped = time.Hour }},
		{"no number", "done", func(_ *Key, o *Observation) { o.Done = math.NaN() }},
		{"more than all", "done", func(_ *Key, o *Observation) { o.Done = 1.01 }},
		{"less than none", "done", func(_ *Key, o *Observation) { o.Done = -0.01 }},
		{"without end", "done", func(_ *Key, o *Observation) { o.Done = math.Inf(1) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, k, o := New(nil), printer, good
			learnRatio(t, m, printer, 2)
			before := m.State()
			c.change(&k, &o)
			var e *Error
			if err := m.Observe(k, o); !errors.As(err, &e) || e.Field != c.field || !strings.HasPrefix(err.Error(), c.field+": ") {
				t.Fatalf("got %v, want one about %s", err, c.field)
			}
			if !reflect.DeepEqual(m.State(), before) {
				t.Error("the model has changed")
			}
		})
	}
}

func TestObserveTakesStopsOutAndCounts(t *testing.T) {
	m := New(nil)
	for _, o := range []Observation{
		{Predicted: time.Hour, Actual: 3 * time.Hour, Stopped: time.Hour, Done: 1},     // 2
		{Predicted: time.Hour, Actual: 20 * time.Minute, Done: 0.5},                    // 1/3
		{Predicted: time.Hour, Actual: time.Hour, Done: 0.4},                           // too little
		{Predicted: time.Hour, Actual: time.Hour},                                      // nothing
		{Predicted: time.Second, Actual: 24 * time.Hour, Done: 1},                      // clamped to 10
		{Predicted: 24 * time.Hour, Actual: time.Nanosecond, Done: 1},                  // clamped to 1/10
		{Predicted: time.Nanosecond, Actual: 31 * 24 * time.Hour, Stopped: 1, Done: 1}, // clamped to 10
	} {
		if err := m.Observe(printer, o); err != nil {
			t.Fatal(err)
		}
	}
	want := KeyState{
		Key: printer, Ratios: []int32{2_000_000, 333_333, 10_000_000, 100_000, 10_000_000},
		Counts: Counts{Learned: 5, Partial: 2, Clamped: 3}, Turn: 7, LastPredicted: 1, LastActual: 31*24*time.Hour - 1,
	}
	if got := m.State(); got.Turn != 7 || len(got.Keys) != 1 || !reflect.DeepEqual(got.Keys[0], want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
}

// Before the first run the answer is the prediction, give or take what is assumed: sigma = sqrt(0.4^2+0.25^2) and
// t(0.95, 3) = 2.353, t(0.90, 3) = 1.638 (NIST/SEMATECH e-Handbook, 1.3.6.7.2).
func TestEstimateBeforeTheFirstRun(t *testing.T) {
	e := New(nil).Estimate(printer, time.Hour)
	sigma := math.Hypot(0.4, 0.25)
	near := func(got time.Duration, t95 float64) bool {
		return math.Abs(math.Log(got.Hours())-t95*sigma) < 5e-4
	}
	if e.P50 != time.Hour || e.Factor != 1 || e.Samples != 0 || !near(e.Low, -2.353) || !near(e.High, 2.353) || !near(e.P90, 1.638) {
		t.Errorf("got %+v", e)
	}
	if got, want := e.Basis.String(), "no run yet, leaning on what is assumed of the operation"; got != want {
		t.Errorf("basis %q, want %q", got, want)
	}
}

func TestEstimateOfNothing(t *testing.T) {
	m := New(nil)
	for _, predicted := range []time.Duration{0, -time.Hour} {
		if e := m.Estimate(printer, predicted); e.P50 != 0 || e.P90 != 0 || e.Low != 0 || e.High != 0 {
			t.Errorf("predicted %v: %+v", predicted, e)
		}
	}
	if got := m.Quantile(printer, math.MaxInt64, 0.99); got != math.MaxInt64 {
		t.Errorf("too long to tell: %v", got)
	}
	if a, b := m.Quantile(printer, time.Hour, math.NaN()), m.Quantile(printer, time.Hour, 0.5); a != b {
		t.Errorf("u is no number: %v, want %v", a, b)
	}
}

func TestEstimateStaysWithinItsBounds(t *testing.T) {
	m := New(func(string) Prior { return Prior{Between: math.NaN(), Within: math.Inf(1)} })
	if e := m.Estimate(printer, time.Hour); e.Low != 6*time.Minute || e.High != 10*time.Hour {
		t.Errorf("got %+v", e)
	}
	m = New(func(string) Prior { return Prior{} })
	for range 60 {
		learnRatio(t, m, printer, 1.25)
	}
	if e := m.Estimate(printer, time.Hour); e.Low != 75*time.Minute || e.High != 75*time.Minute || e.Basis.SetAside != 0 {
		t.Errorf("always the same: %+v", e)
	}
}

func TestEstimateLeansOnTheNearestRelatives(t *testing.T) {
	m := New(nil)
	learn := func(device, operation, mode string, ratio float64) {
		for range 10 {
			learnRatio(t, m, Key{device, operation, mode}, ratio)
		}
	}
	expect := func(want Relation, low, high float64) {
		t.Helper()
		e := m.Estimate(printer, time.Hour)
		if e.Basis.Leaning != want || e.Factor < low || e.Factor > high || e.Samples != 0 {
			t.Errorf("got %+v, want %v and a factor of %v to %v", e, want, low, high)
		}
	}
	learn("cutter-9", "cut", "", 3)
	expect(Nobody, 1, 1)
	for i := range 6 {
		learn("printer-1", fmt.Sprint("other-", i), "", 0.8)
	}
	expect(OtherOperations, 0.79, 0.81)
	learn("printer-2", "print", "fine", 1.5)
	learn("printer-3", "print", "fine", 1.5)
	expect(OtherDevices, 1.49, 1.51)
	learn("printer-1", "print", "coarse", 2)
	learn("printer-1", "print", "quick", 2)
	expect(OtherModes, 1.99, 2.01)

	before := m.Estimate(printer, time.Hour)
	for range 3 {
		learnRatio(t, m, printer, 2.2)
	}
	after := m.Estimate(printer, time.Hour)
	if after.Factor <= before.Factor || after.Factor >= 2.2 || after.High-after.Low >= before.High-before.Low {
		t.Errorf("after three runs of 2.2: %+v, before: %+v", after, before)
	}
	if got, want := after.Basis.String(), "3 runs, leaning on the device's other modes"; got != want {
		t.Errorf("basis %q, want %q", got, want)
	}
}

func TestBasisInWords(t *testing.T) {
	for want, b := range map[string]Basis{
		"1 run, leaning on other devices in this operation":                   {Runs: 1, Leaning: OtherDevices},
		"5 runs, 1 set aside, leaning on the device's other operations":       {Runs: 5, SetAside: 1, Leaning: OtherOperations},
		"20 runs since a change, leaning on what is assumed of the operation": {Runs: 20, Changed: true},
		"64 runs since a change, 3 set aside":                                 {Runs: 64, SetAside: 3, Changed: true, Leaning: OtherModes},
	} {
		if got := b.String(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

func TestReset(t *testing.T) {
	all := []Key{{"a", "cut", ""}, {"a", "print", "fine"}, {"a", "print", "quick"}, {"b", "print", "fine"}}
	for _, c := range []struct {
		match Key
		left  []int
	}{
		{Key{}, nil},
		{Key{Device: "a"}, []int{3}},
		{Key{Operation: "print"}, []int{0}},
		{Key{Device: "a", Operation: "print"}, []int{0, 3}},
		{Key{Device: "a", Operation: "print", Mode: "fine"}, []int{0, 2, 3}},
		{Key{Mode: "fine"}, []int{0, 2}},
		{Key{Device: "c"}, []int{0, 1, 2, 3}},
	} {
		m, never := New(nil), New(nil)
		for i, k := range all {
			learnRatio(t, m, k, 2)
			for _, j := range c.left {
				if i == j {
					learnRatio(t, never, k, 2)
				}
			}
		}
		m.Rows() // so that there is something to take back
		if got, want := m.Reset(c.match), len(all)-len(c.left); got != want {
			t.Errorf("%v: %d forgotten, want %d", c.match, got, want)
		}
		// What is left answers as if the others had never been.
		if got, want := m.Rows(), never.Rows(); !reflect.DeepEqual(got, want) {
			t.Errorf("%v: left %+v\nwant %+v", c.match, got, want)
		}
		if len(m.kin.pairs) != len(never.kin.pairs) || len(m.kin.devices) != len(never.kin.devices) {
			t.Errorf("%v: sums of the forgotten remain: %+v", c.match, m.kin)
		}
	}
}

func TestRows(t *testing.T) {
	m := New(nil)
	for i := range 50 {
		learnRatio(t, m, Key{"b", "cut", ""}, 1.5+float64(i-25)/100)
	}
	learnRatio(t, m, Key{"a", "print", "quick"}, 1)
	learnRatio(t, m, Key{"a", "print", "fine"}, 1)
	rows := m.Rows()
	var order []Key
	for _, r := range rows {
		order = append(order, r.Key)
		if !(r.Low <= r.P10 && r.P10 <= r.Factor && r.Factor <= r.P90 && r.P90 <= r.High) {
			t.Errorf("quantiles out of order: %+v", r)
		}
	}
	if want := []Key{{"a", "print", "fine"}, {"a", "print", "quick"}, {"b", "cut", ""}}; !reflect.DeepEqual(order, want) {
		t.Fatalf("order %v, want %v", order, want)
	}
	// It grew by 1 % of the prediction with every run: a change is seen.
	if r := rows[2]; !r.Basis.Changed || r.Counts.Learned != 50 || r.LastPredicted != 1000*time.Second || r.LastActual != 1740*time.Second {
		t.Errorf("got %+v", r)
	}
}

func TestTheLongestUnseenKeyMakesRoom(t *testing.T) {
	m := New(nil)
	key := func(i int) Key { return Key{Device: "printer-1", Operation: "print", Mode: fmt.Sprint("mode-", i)} }
	for i := range mostKeys {
		learnRatio(t, m, key(i), 1)
	}
	learnRatio(t, m, key(0), 1)
	for i := range 3 {
		learnRatio(t, m, key(mostKeys+i), 1)
	}
	if len(m.keys) != mostKeys || len(m.stale) > mostKeys {
		t.Errorf("%d keys, %d to be settled", len(m.keys), len(m.stale))
	}
	for i, want := range []bool{true, false, false, false, true} {
		if _, held := m.keys[key(i)]; held != want {
			t.Errorf("key %d held: %v, want %v", i, held, want)
		}
	}
}

func TestRestoreRefuses(t *testing.T) {
	for _, c := range []struct {
		field  string
		change func(*State)
	}{
		{"keys[0].device", func(s *State) { s.Keys[0].Key.Device = "" }},
		{"keys[1].key", func(s *State) { s.Keys[1].Key = s.Keys[0].Key }},
		{"keys[1].turn", func(s *State) { s.Keys[1].Turn = s.Keys[0].Turn }},
		{"keys[0].turn", func(s *State) { s.Keys[0].Turn = 0 }},
		{"keys[1].turn", func(s *State) { s.Turn = 1 }},
		{"keys[0].ratios", func(s *State) { s.Keys[0].Ratios = make([]int32, ringSize+1) }},
		{"keys[0].ratios[0]", func(s *State) { s.Keys[0].Ratios[0] = 99_999 }},
		{"keys[0].ratios[0]", func(s *State) { s.Keys[0].Ratios[0] = 10_000_001 }},
		{"keys[0].counts.learned", func(s *State) { s.Keys[0].Counts.Learned = 0 }},
		{"keys[0].last_predicted", func(s *State) { s.Keys[0].LastPredicted = -1 }},
		{"keys[0].last_actual", func(s *State) { s.Keys[0].LastActual = longest + 1 }},
		{"keys", func(s *State) { s.Keys = make([]KeyState, mostKeys+1) }},
	} {
		m := New(nil)
		learnRatio(t, m, Key{"a", "print", ""}, 1)
		learnRatio(t, m, Key{"b", "print", ""}, 1)
		s := m.State()
		if _, err := Restore(s, nil); err != nil {
			t.Fatal(err)
		}
		c.change(&s)
		var e *Error
		if _, err := Restore(s, nil); !errors.As(err, &e) || e.Field != c.field {
			t.Errorf("got %v, want one about %s", err, c.field)
		}
	}
}

func TestRestoreKeepsNoHoldOfTheState(t *testing.T) {
	m := New(nil)
	for i := range ringSize + 3 {
		learnRatio(t, m, printer, 1+float64(i)/1000)
	}
	state, want := m.State(), m.State()
	if first := state.Keys[0].Ratios[0]; first != 1_003_000 || len(state.Keys[0].Ratios) != ringSize {
		t.Errorf("the oldest of %d ratios is %d", len(state.Keys[0].Ratios), first)
	}
	restored, err := Restore(state, nil)
	if err != nil {
		t.Fatal(err)
	}
	learnRatio(t, restored, printer, 3)
	learnRatio(t, m, printer, 4)
	if !reflect.DeepEqual(state, want) {
		t.Error("the state has changed")
	}
}
