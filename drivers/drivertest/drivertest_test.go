package drivertest_test

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"tandem/drivers"
	"tandem/drivers/blueprint"
	"tandem/drivers/drivertest"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// faultVariable names the fault of the driver that TestFaultyDriver runs the suite over.
const faultVariable = "TANDEM_TEST_FAULT"

// fault is something that a driver may do wrong, and the part of the suite that must notice.
type fault struct {
	name, noticed string
	kind          func(*drivers.Kind)
	order         func(*driverv1.Order) *driverv1.Order // what becomes of an order; nil: nothing
	status        func(*driverv1.Status)
	run           func(context.Context, func() error) error
}

func faults() []fault {
	ordered := func(f func(*driverv1.Order)) func(*driverv1.Order) *driverv1.Order {
		return func(o *driverv1.Order) *driverv1.Order { f(o); return o }
	}
	runs := func(f func(*driverv1.RunStatus)) func(*driverv1.Status) {
		return func(s *driverv1.Status) {
			for _, r := range s.GetRuns() {
				f(r)
			}
		}
	}
	ends := map[string]int{}
	calls, granted, stopped := 0, false, false
	return []fault{
		{name: "no-summary", noticed: "kind_is_complete", kind: func(k *drivers.Kind) { k.Summary = "" }},
		{name: "takes-any-setting", noticed: "kind_is_complete", kind: func(k *drivers.Kind) {
			make := k.New
			k.New = func(env drivers.Env, _ map[string]string) (drivers.Driver, error) { return make(env, nil) }
		}},
		{name: "starts-by-itself", noticed: "waits_for_its_start", order: ordered(func(o *driverv1.Order) {
			if g := o.GetGrant(); g != nil {
				g.MayStart = true
			}
		})},
		{name: "says-not-why-it-waits", noticed: "waits_for_its_start", status: runs(func(r *driverv1.RunStatus) { r.StateReasons = nil })},
		{name: "second-end", noticed: "ends_once", status: runs(func(r *driverv1.RunStatus) {
			if r.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED {
				if ends[r.GetRun()]++; ends[r.GetRun()] > 1 {
					r.State = tandemv1.JobState_JOB_STATE_ABORTED
				}
			}
		})},
		{name: "counts-too-much", noticed: "ends_once", status: runs(func(r *driverv1.RunStatus) { r.PiecesGood *= 2 })},
		{name: "counts-nothing", noticed: "ends_once", status: runs(func(r *driverv1.RunStatus) { r.PiecesGood = 0 })},
		{name: "no-phase", noticed: "ends_once", status: func(s *driverv1.Status) { s.Phase = 0 }},
		{name: "no-state", noticed: "ends_once", status: runs(func(r *driverv1.RunStatus) {
			if r.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING {
				r.State = 0
			}
		})},
		{name: "goes-back", noticed: "does_the_same_order_once", status: runs(func(r *driverv1.RunStatus) {
			if begun := r.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING; begun && granted {
				r.State = tandemv1.JobState_JOB_STATE_PENDING
			} else {
				granted = begun
			}
		})},
		{name: "does-not-stop", noticed: "stops_while_it_works", order: func(o *driverv1.Order) *driverv1.Order {
			if o.GetStop() != nil {
				return nil
			}
			return o
		}},
		{name: "does-not-settle", noticed: "settles", order: func(o *driverv1.Order) *driverv1.Order {
			if o.GetSettle() != nil {
				return nil
			}
			return o
		}},
		{name: "works-once", noticed: "works_run_after_run", order: func(o *driverv1.Order) *driverv1.Order {
			if o.GetGrant() != nil && o.GetGrant().GetRun() != "r0" {
				return nil
			}
			return o
		}},
		{name: "ready-early", noticed: "respects_the_ready_time", order: ordered(func(o *driverv1.Order) {
			if g := o.GetGrant(); g != nil {
				g.ReadyTime = nil
			}
		})},
		{name: "falls-over-strange-orders", noticed: "ignores_what_it_does_not_know", order: ordered(func(o *driverv1.Order) {
			stopped = stopped || o.GetKind() == nil
		}), run: func(ctx context.Context, run func() error) error {
			err := run()
			if stopped {
				return errors.New("strange order")
			}
			return err
		}},
		{name: "returns-an-error", noticed: "reports_without_an_order", run: func(ctx context.Context, run func() error) error {
			return errors.Join(run(), ctx.Err())
		}},
		{name: "does-not-return", noticed: "returns_when_idle", run: func(_ context.Context, run func() error) error {
			_ = run()
			select {}
		}},
		{name: "leaves-a-goroutine", noticed: "returns_when_idle", run: func(_ context.Context, run func() error) error {
			go func() { select {} }()
			return run()
		}},
		{name: "reports-late", noticed: "reports_without_an_order", status: func(*driverv1.Status) {}, run: func(ctx context.Context, _ func() error) error {
			<-ctx.Done()
			return nil
		}},
		{name: "reads-before-its-start", noticed: "waits_for_its_start", status: runs(func(r *driverv1.RunStatus) {
			r.MarkReadings = []*driverv1.MarkReading{{PanelCode: "P0015", Marks: make([]*driverv1.Mark, 4)}}
		})},
		{name: "reads-other-panels", noticed: "reads_the_marks_of_its_panels", status: runs(func(r *driverv1.RunStatus) {
			if r.GetState() != tandemv1.JobState_JOB_STATE_PENDING {
				r.MarkReadings = []*driverv1.MarkReading{{PanelCode: "P0031", Marks: make([]*driverv1.Mark, 4)}}
			}
		})},
		{name: "reads-marks-nobody-told-of", noticed: "reads_the_marks_of_its_panels", status: runs(func(r *driverv1.RunStatus) {
			if r.GetState() != tandemv1.JobState_JOB_STATE_PENDING {
				r.MarkReadings = []*driverv1.MarkReading{{PanelCode: "P0015", Marks: make([]*driverv1.Mark, 4)}}
			}
		})},
		{name: "forgets-over-another-run", noticed: "takes_no_harm_from_another_Run", run: func(_ context.Context, run func() error) error {
			calls++
			return run()
		}, status: func(s *driverv1.Status) {
			if calls > 1 {
				s.Runs = nil
			}
		}},
	}
}

// faulty is the blueprint's driver with a fault.
type faulty struct {
	drivers.Driver
	fault fault
}

func (f *faulty) Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error {
	filtered := make(chan *driverv1.Order)
	go func() {
		for {
			select {
			case o := <-orders:
				o = proto.CloneOf(o)
				if f.fault.order != nil {
					if o = f.fault.order(o); o == nil {
						continue
					}
				}
				select {
				case filtered <- o:
				case <-ctx.Done():
					return
				}
			case <-ctx.Done():
				return
			}
		}
	}()
	run := func() error {
		return f.Driver.Run(ctx, filtered, func(s *driverv1.Status) {
			s = proto.CloneOf(s)
			if f.fault.status != nil {
				f.fault.status(s)
			}
			report(s)
		})
	}
	if f.fault.run == nil {
		return run()
	}
	return f.fault.run(ctx, run)
}

// TestFaultyDriver runs the suite over a driver with the fault that the environment names.
func TestFaultyDriver(t *testing.T) {
	name := os.Getenv(faultVariable)
	if name == "" {
		t.Skip("TestSuiteNoticesFaults runs this with a fault")
	}
	for _, f := range faults() {
		if f.name != name {
			continue
		}
		kind := blueprint.Kind()
		make := kind.New
		kind.New = func(env drivers.Env, settings map[string]string) (drivers.Driver, error) {
			d, err := make(env, settings)
			return &faulty{d, f}, err
		}
		if f.kind != nil {
			f.kind(&kind)
		}
		drivertest.Run(t, kind)
	}
}

func TestSuiteNoticesFaults(t *testing.T) {
	t.Parallel()
	for _, f := range append(faults(), fault{name: "none"}) {
		t.Run(f.name, func(t *testing.T) {
			t.Parallel()
			suite := "/" + f.noticed
			if f.noticed == "" {
				suite = ""
			}
			child := exec.Command(os.Args[0], "-test.run=^TestFaultyDriver$"+suite, "-test.v", "-test.timeout=1m")
			child.Env = append(os.Environ(), faultVariable+"="+f.name)
			out, err := child.CombinedOutput()
			failed := strings.Contains(string(out), "--- FAIL: TestFaultyDriver"+suite) || strings.Contains(string(out), "panic: deadlock")
			switch {
			case f.noticed == "" && err != nil:
				t.Errorf("a driver without a fault fails:\n%s", out)
			case f.noticed != "" && (err == nil || !failed):
				t.Errorf("the suite does not notice it in %s: %v\n%s", f.noticed, err, out[max(len(out)-3000, 0):])
			}
		})
	}
}
