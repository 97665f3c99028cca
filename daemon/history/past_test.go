package history_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	"tandem/daemon/engine"
	"tandem/daemon/history"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
	"tandem/scheduler/kpi"
)

func (s *shop) command(c floor.Command) {
	s.t.Helper()
	if _, err := s.engine.Do(s.t.Context(), floor.Meta{Actor: "mira"}, c); err != nil {
		s.t.Fatal(err)
	}
}

func (s *shop) status(state tandemv1.DeviceState, phase tandemv1.DevicePhase, reasons ...string) {
	s.t.Helper()
	st := &driverv1.Status{Epoch: 1, State: state, Phase: phase, StateReasons: reasons, Link: tandemv1.Link_LINK_ONLINE}
	if err := s.engine.Status(s.t.Context(), "cutter-1", st); err != nil {
		s.t.Fatal(err)
	}
}

// eventful plays everything that reports are made of.
func (s *shop) eventful() {
	s.t.Helper()
	s.do("a")
	s.command(floor.ReceiveLot{Lot: &tandemv1.Lot{Id: "roll-1", Media: "vinyl", LengthUm: 50_000_000}})
	s.command(floor.LoadMedia{Device: "cutter-1", Media: "vinyl", Lot: "roll-1"})
	s.command(floor.PauseDevice{Device: "cutter-1", Note: "lunch"})
	s.command(floor.ResumeDevice{Device: "cutter-1"})
	s.status(tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, "media-jam")
	s.command(floor.LockDevice{Device: "cutter-1", Note: "new belt"})
	s.command(floor.UnlockDevice{Device: "cutter-1"})
	s.status(tandemv1.DeviceState_DEVICE_STATE_IDLE, tandemv1.DevicePhase_DEVICE_PHASE_IDLE)
	s.command(floor.SetAttendance{Operators: 2, Until: time.Now().Add(time.Hour), Note: "overtime"})
	s.do("b")
	s.command(floor.RemakePieces{Job: "a", Panel: "p1", Step: "cut", Pieces: 1, Note: "scratched"})
}

// told writes a past down, so that two of them can be compared.
func told(t *testing.T, p kpi.Past) []string {
	t.Helper()
	var out []string
	v := reflect.ValueOf(p)
	for i := range v.NumField() {
		name, field := v.Type().Field(i).Name, v.Field(i)
		switch {
		case name == "Floors":
			for _, f := range p.Floors {
				b, err := protojson.Marshal(f.File)
				if err != nil {
					t.Fatal(err)
				}
				out = append(out, fmt.Sprintf("floor %v %d bytes", f.From, len(slices.DeleteFunc(b, func(c byte) bool { return c == ' ' }))))
			}
		case field.Kind() == reflect.Slice:
			for n := range field.Len() {
				out = append(out, fmt.Sprintf("%s %+v", name, field.Index(n)))
			}
		default:
			out = append(out, fmt.Sprintf("%s %+v", name, field))
		}
	}
	return out
}

// What reports are made of is the same whether it was written as it happened, or made anew from the records, or from the ledger.
func TestPastIsTheSameMadeAnew(t *testing.T) {
	s := newShop(t)
	begun := time.Now()
	h, stop := s.follow()
	s.eventful()
	s.caughtUp(h)
	from, to := begun.Add(-time.Minute), time.Now()
	past := func() []string {
		t.Helper()
		var p kpi.Past
		s.until("the tables are filled", func() bool {
			var err error
			if p, err = h.Past(t.Context(), from, to); err != nil && !errors.Is(err, history.ErrNotReady) {
				t.Fatal(err)
			}
			return err == nil && p.Revision == s.store.Head().Revision
		})
		return told(t, p)
	}
	live := past()
	p, err := h.Past(t.Context(), from, to)
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Devices) != 1 || len(p.Devices[0].Changes) < 8 || len(p.Runs) < 2 || p.Runs[0].Found != 1 || len(p.Jobs) != 2 || len(p.Found) != 1 || p.Found[0].Device != "cutter-1" ||
		len(p.Remakes) != 1 || len(p.Lots) != 1 || len(p.Loads) != 1 || len(p.People) != 1 || len(p.Floors) != 1 {
		t.Errorf("something is missing:\n%q", live)
	}
	broken := slices.ContainsFunc(p.Devices[0].Changes, func(c kpi.Change) bool { return c.Locked == "mira" && c.Broken && c.Note == "new belt" })
	if !broken {
		t.Errorf("the lock of a broken device: %+v", p.Devices[0].Changes)
	}
	stop()

	for name, ruin := range map[string]func(){
		"tables of another version": func() {
			s.exec("PRAGMA user_version = 1; DROP TABLE device_changes; DELETE FROM runs; DELETE FROM floors")
		},
		"interrupted filling": func() { s.exec("PRAGMA user_version = 0; DELETE FROM spoiled") },
		"no history": func() {
			for _, tail := range []string{"", "-wal", "-shm"} {
				if err := os.Remove(filepath.Join(s.dir, history.FileName+tail)); err != nil && !errors.Is(err, os.ErrNotExist) {
					t.Fatal(err)
				}
			}
		},
	} {
		ruin()
		h, stop = s.follow()
		s.caughtUp(h)
		if got := past(); !slices.Equal(got, live) {
			t.Errorf("%s: made anew, it is\n%q\nit was\n%q", name, got, live)
		}
		stop()
	}
}

// A daemon that begins cannot tell until when the one before was there to hear a device.
func TestTermMakesSilence(t *testing.T) {
	s := newShop(t)
	h, stop := s.follow()
	s.do("a")
	s.caughtUp(h)
	stop()
	var last time.Time
	if err := s.engine.View(t.Context(), func(st engine.State) { last = st.Head.CommitTime }); err != nil {
		t.Fatal(err)
	}
	// The first one says no more; the test goes on with a second.
	next, err := engine.Open(t.Context(), engine.Options{
		Ledger: s.store, Clock: clock.Wall(), File: cutterFile(), Period: time.Minute, Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- next.Run(ctx) }()
	defer func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}()
	if _, err := next.Hello(t.Context(), "cutter-1", status()); err != nil {
		t.Fatal(err)
	}
	again := &shop{t: t, store: s.store, engine: next, dir: s.dir}
	h, _ = again.follow()
	again.caughtUp(h)
	p, err := h.Past(t.Context(), last.Add(-time.Minute), time.Now())
	if err != nil {
		t.Fatal(err)
	}
	var silent time.Duration
	for _, span := range kpi.Spans(p.Interval, p.Devices[0].Changes, p.Runs) {
		if span.Class == kpi.NotReported && !span.From.Before(last.Truncate(time.Microsecond)) {
			silent += span.Length()
		}
	}
	if silent == 0 {
		t.Errorf("no silence between two daemons: %+v", p.Devices[0].Changes)
	}
}
