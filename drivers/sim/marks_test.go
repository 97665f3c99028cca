package sim_test

import (
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/drivers/sim"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const canceled = tandemv1.JobState_JOB_STATE_CANCELED

// panelled is hour on three panels of 500 mm x 300 mm, twenty pieces each.
func panelled(run string, fence uint64) *driverv1.Grant {
	g := hour(run, fence)
	g.PanelCodes = []string{"P0015", "P0023", "P0031"}
	for _, code := range g.GetPanelCodes() {
		g.Panels = append(g.Panels, &driverv1.PanelBox{PanelCode: code, WidthUm: 500_000, LengthUm: 300_000})
	}
	return g
}

func codes(r *driverv1.RunStatus) []string {
	var out []string
	for _, m := range r.GetMarkReadings() {
		out = append(out, m.GetPanelCode())
	}
	return out
}

// sides returns the width and the length between the marks, in millimetres, and whether the corner between them is a left
// turn.
func sides(m *driverv1.MarkReading) (width, length float64, left bool) {
	at := m.GetMarks()
	side := func(a, b int) (x, y float64) {
		return float64(at[b].GetXUm()-at[a].GetXUm()) / 1000, float64(at[b].GetYUm()-at[a].GetYUm()) / 1000
	}
	x, y := side(0, 1)
	u, v := side(1, 2)
	return math.Hypot(x, y), math.Hypot(u, v), x*v-y*u > 0
}

// The marks of each panel are read before it is cut, and the run takes as long as one without marks.
func TestMarksAreReadPanelByPanel(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t, nil)
		s.env.StateDir = dir
		kill := s.start()
		s.give(panelled("r1", 1))
		if got := codes(s.after(4*time.Minute, "r1")); len(got) != 0 {
			t.Errorf("during the set-up %v are read", got)
		}
		for i, pieces := range []int32{0, 20, 40} {
			r := s.after(time.Minute, "r1")
			if i > 0 {
				r = s.after(19*time.Minute, "r1")
			}
			s.expect(r, processing, pieces)
			if got := codes(r); !slices.Equal(got, []string{"P0015", "P0023", "P0031"}[:i+1]) {
				t.Errorf("after %d pieces %v are read", pieces, got)
			}
		}
		before := s.daemon.Run("r1").GetMarkReadings()
		for _, m := range before {
			if w, l, left := sides(m); math.Abs(w-500) > 2 || math.Abs(l-300) > 2 || !left {
				t.Errorf("%v is %g mm x %g mm, left %t", m, w, l, left)
			}
		}
		kill()
		defer s.start()()
		if got := s.hello.GetRuns()[0].GetMarkReadings(); !slices.EqualFunc(got, before, func(a, b *driverv1.MarkReading) bool { return proto.Equal(a, b) }) {
			t.Errorf("a new driver tells of %v, the one before told of %v", got, before)
		}
		r := s.after(20*time.Minute, "r1")
		s.expect(r, completed, 60)
		if took := r.GetEndTime().AsTime().Sub(r.GetStartTime().AsTime()); took != 65*time.Minute {
			t.Errorf("the run has taken %s, want 65 min", took)
		}
	})
}

// A stop that comes while the knife is still up spoils nothing and cuts nothing; a later one finishes the piece.
func TestAStopBeforeTheKnifeIsDown(t *testing.T) {
	for wait, want := range map[time.Duration]int32{time.Second: 0, 3 * time.Second: 1} {
		synctest.Test(t, func(t *testing.T) {
			s := newShop(t, nil)
			defer s.start()()
			s.give(panelled("r1", 1))
			s.expect(s.after(5*time.Minute+wait, "r1"), processing, 0)
			if a := s.daemon.Stop("r1", 1); a.GetRefused() != "" {
				t.Fatal(a)
			}
			s.expect(s.after(time.Minute, "r1"), canceled, want)
		})
	}
}

func TestPanelsThatLieWrongly(t *testing.T) {
	for fault, want := range map[string][3]float64{
		"wrong-panel@1": {400, 345, 1}, "turned@20": {500, 300, 1}, "mirrored@7": {500, 300, 0}, "turned@21": {500, 300, 1}, "wrong-panel@2/1": {500, 300, 1},
	} {
		synctest.Test(t, func(t *testing.T) {
			s := newShop(t, map[string]string{"faults": fault})
			defer s.start()()
			s.give(panelled("r1", 1))
			m := s.after(6*time.Minute, "r1").GetMarkReadings()[0]
			w, l, left := sides(m)
			if math.Abs(w-want[0]) > 2 || math.Abs(l-want[1]) > 2 || left != (want[2] == 1) {
				t.Errorf("%s: the first panel is %g mm x %g mm, left %t, want %v", fault, w, l, left, want)
			}
			if turned := m.GetMarks()[0].GetXUm() > m.GetMarks()[1].GetXUm() && left; turned != (fault == "turned@20") {
				t.Errorf("%s: the first panel is read at %v", fault, m)
			}
		})
	}
}

func TestAPersonPutsAnotherPanelThere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t, nil)
		defer s.start()()
		s.give(panelled("r1", 1))
		s.expect(s.after(10*time.Minute, "r1"), processing, 5)
		s.device.Inject(sim.Fault{Trouble: sim.WrongPanel})
		r := s.after(16*time.Minute, "r1")
		s.expect(r, processing, 21)
		for i, want := range []float64{500, 400} {
			if w, _, _ := sides(r.GetMarkReadings()[i]); math.Abs(w-want) > 2 {
				t.Errorf("panel %d is %g mm wide, want %g", i, w, want)
			}
		}
	})
}
