package drivers_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// working returns a rig whose driver works on r1.
func working(t *testing.T) (*rig, *call) {
	t.Helper()
	r, c := serve(t)
	r.taken(r.daemon.Grant(grant("r1", 1, true)))
	r.order(c)
	c.report(status(run("r1", processing)))
	r.settled()
	return r, c
}

func TestFloodOfProgressIsCoalesced(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := working(t)
		from := len(r.daemon.Statuses())
		const seconds = 10
		flood := time.NewTicker(time.Millisecond)
		defer flood.Stop()
		for i := range seconds * 1000 {
			<-flood.C
			for j := range 10 { // 10,000 in a second
				c.report(status(&driverv1.RunStatus{Run: "r1", State: processing, Fraction: float64(10*i+j) / 1e6, PiecesGood: int32(i / 1000)}))
			}
			if i == 5000 { // a change goes at once all the same
				c.report(status(&driverv1.RunStatus{Run: "r1", State: stopped, StateReasons: []string{"printer-stopped"}, Fraction: 0.05}))
				r.settled()
				if got := r.daemon.Run("r1").GetState(); got != stopped {
					t.Errorf("during a flood a change of state is not told at once: %v", got)
				}
			}
		}
		n := len(r.daemon.Statuses()) - from
		if n < seconds*15 || n > seconds*20+10 {
			t.Errorf("%d statuses in %d s of flood, want about 20 a second", n, seconds)
		}
		time.Sleep(time.Second)
		if got := r.daemon.Run("r1").GetFraction(); got != 99999/1e6 {
			t.Errorf("after the flood the last word is %g, want %g", got, 99999/1e6)
		}
	})
}

func TestFloodOfChangesIsBounded(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := working(t)
		from := len(r.daemon.Statuses())
		const seconds = 10
		for i := range seconds * 1000 {
			time.Sleep(time.Millisecond)
			state := processing
			if i%2 == 0 {
				state = stopped
			}
			c.report(status(run("r1", state)))
		}
		if n := len(r.daemon.Statuses()) - from; n > seconds*40+60 {
			t.Errorf("%d statuses in %d s of a state that flutters, want at most 40 a second after the first 50", n, seconds)
		}
		c.report(status(run("r1", completed)))
		time.Sleep(100 * time.Millisecond)
		if got := r.daemon.Run("r1").GetState(); got != completed {
			t.Errorf("after the flood the run is %v, want completed", got)
		}
	})
}

func TestNothingNewIsNotTold(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := working(t)
		from := len(r.daemon.Statuses())
		for range 100 {
			time.Sleep(10 * time.Millisecond)
			c.report(status(run("r1", processing)))
		}
		if n := len(r.daemon.Statuses()) - from; n > 0 {
			t.Errorf("%d statuses of a driver that repeats itself within a period", n)
		}
	})
}

func TestFirstEndIsTheOnlyOne(t *testing.T) {
	for _, later := range []tandemv1.JobState{pending, processing, stopped, canceled, completed} {
		bubble(t, func(t *testing.T) {
			r, c := working(t)
			c.report(status(&driverv1.RunStatus{Run: "r1", State: completed, PiecesGood: 58, PiecesSpoiled: 2}))
			r.settled()
			end := r.daemon.Run("r1")
			c.report(status(&driverv1.RunStatus{Run: "r1", State: later, PiecesGood: 1}))
			c.report(status())
			time.Sleep(time.Minute)
			if got := r.daemon.Run("r1"); !proto.Equal(got, end) {
				t.Errorf("a completed run that is then %v becomes %v", later, got)
			}
		})
	}
}

func TestWhatADriverLeavesOut(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := working(t)
		begin := time.Now()
		time.Sleep(time.Hour)
		c.report(status(&driverv1.RunStatus{Run: "r1", State: completed, PiecesGood: 60}))
		r.settled()
		got := r.daemon.Run("r1")
		if got.GetFence() != 1 || got.GetFraction() != 1 || !got.GetStartTime().AsTime().Equal(begin) || !got.GetEndTime().AsTime().Equal(time.Now()) {
			t.Errorf("the run is told as %v, want fence 1, fraction 1, begun at %v, ended now", got, begin)
		}
		if r.daemon.Last().GetLink() != online {
			t.Errorf("the link is %v, want online", r.daemon.Last().GetLink())
		}
	})
}

func TestHostileReports(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := working(t)
		long := strings.Repeat("long-", 100)
		s := status(
			&driverv1.RunStatus{
				Run: "r1", State: processing, PiecesGood: -5, PiecesSpoiled: math.MinInt32, Fraction: math.NaN(),
				StateReasons: []string{"none", "", "Job Printing!", "job-printing", "\x1b[31m", long, "=cmd()", "e", "f", "g"},
				EndTime:      &timestamppb.Timestamp{Seconds: math.MaxInt64},
			},
			&driverv1.RunStatus{Run: "no.id", Fence: 1, State: processing},
			&driverv1.RunStatus{Run: "r2", State: processing},                     // without a fence
			&driverv1.RunStatus{Run: "r1", Fence: 9, State: completed},            // of another grant
			&driverv1.RunStatus{Run: "r3", Fence: 3, State: tandemv1.JobState(0)}, // in no state
			nil,
		)
		s.StateReasons = []string{"media-low-warning", "MEDIA_LOW", "media-low-warning"}
		s.Epoch, s.Sequence = 1, 1
		c.report(s)
		c.report(nil)
		r.settled()
		last := r.daemon.Last()
		if len(last.GetRuns()) != 1 || last.GetEpoch() == 1 {
			t.Fatalf("told is %v, want r1 alone, in the host's epoch", last)
		}
		if want := []string{"media-low-warning", "media-low"}; !slices.Equal(last.GetStateReasons(), want) {
			t.Errorf("reasons of the device are %q, want %q", last.GetStateReasons(), want)
		}
		got := last.GetRuns()[0]
		if got.GetPiecesGood() != 0 || got.GetPiecesSpoiled() != 0 || got.GetFraction() != 0 || got.GetEndTime() != nil || got.GetState() != processing {
			t.Errorf("r1 is %v, want processing with nothing done", got)
		}
		if len(got.GetStateReasons()) != 4 {
			t.Errorf("reasons of the run are %q, want the first four", got.GetStateReasons())
		}
		for _, reason := range got.GetStateReasons() {
			if !drivers.ValidID(reason) {
				t.Errorf("reason %q is no keyword", reason)
			}
		}
		if _, err := protojson.Marshal(last); err != nil {
			t.Errorf("what is told cannot be written: %v", err)
		}
	})
}

func TestEverythingInHandFitsInAMessage(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t, capacity(drivers.MaxCapacity))
		word := strings.Repeat("w", 63)
		s := &driverv1.Status{State: idle}
		for i := range 40 {
			s.StateReasons = append(s.StateReasons, fmt.Sprintf("%02d%s", i, word))
		}
		for i := range 1000 {
			rs := &driverv1.RunStatus{
				Run: fmt.Sprintf("%059d%04d", 0, i), Fence: math.MaxUint64 - uint64(i), State: completed, PiecesGood: math.MaxInt32,
				PiecesSpoiled: math.MaxInt32, Fraction: 1. / 3, StartTime: timestamppb.Now(), EndTime: timestamppb.Now(),
			}
			rs.StartTime.Nanos, rs.EndTime.Nanos = 123456789, 123456789
			for j := range 9 {
				rs.StateReasons = append(rs.StateReasons, fmt.Sprintf("%02d%s", j, word))
			}
			for range 20 {
				m := &driverv1.MarkReading{PanelCode: strings.Repeat("P", 500)}
				for range 20 {
					m.Marks = append(m.Marks, &driverv1.Mark{XUm: math.MinInt64, YUm: math.MinInt64})
				}
				rs.MarkReadings = append(rs.MarkReadings, m)
			}
			if i < drivers.MaxCapacity {
				rs.State = stopped
			}
			s.Runs = append(s.Runs, rs)
		}
		c.report(s)
		r.settled()
		last := r.daemon.Last()
		body, err := protojson.Marshal(last)
		if err != nil {
			t.Fatal(err)
		}
		if len(body) > drivers.MaxBody-1024 {
			t.Errorf("a status has %d bytes, want room left in %d for a hello", len(body), drivers.MaxBody)
		}
		live := 0
		for _, run := range last.GetRuns() {
			if run.GetState() == stopped {
				live++
			}
		}
		if live != drivers.MaxCapacity {
			t.Errorf("%d live runs are told, want %d: only ended ones may be left out", live, drivers.MaxCapacity)
		}
		t.Logf("%d runs, %d bytes", len(last.GetRuns()), len(body))
	})
}
