package crashtest

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"
)

// StormOptions say how a shop is killed.
type StormOptions struct {
	Kills   int           // of daemons and drivers together
	Clients int           // that ask all the time
	Seed    uint64        // of the moments and victims
	Pace    time.Duration // the longest time between a start and the next kill
	Audit   int           // kills between two audits of the ledger; 0: one at the end
	Tell    func(format string, args ...any)
}

// StormReport is what a storm has done. Everything else is an error.
type StormReport struct {
	Seed                       uint64
	DaemonKills, DriverKills   int
	BeforeService              int // daemons killed before they served
	Requests, Unknown          int
	Jobs, Runs                 int
	Resolved                   int // runs that a person has found never begun
	Revision, Term             uint64
	ServiceMedian, Service99th time.Duration
}

// String is the report in a few lines.
func (r StormReport) String() string {
	return fmt.Sprintf("seed %d: %d kills of the daemon (%d of them before it served) and %d of drivers\n"+
		"%d requests, %d with an outcome unknown to the client; %d jobs acknowledged, %d runs begun, %d found never begun, revision %d, term %d\n"+
		"from a start to service: median %v, 99th percentile %v",
		r.Seed, r.DaemonKills, r.BeforeService, r.DriverKills, r.Requests, r.Unknown, r.Jobs, r.Runs, r.Resolved, r.Revision, r.Term,
		r.ServiceMedian.Round(time.Millisecond), r.Service99th.Round(time.Millisecond))
}

// storm is a storm under way.
type storm struct {
	shop   *Shop
	opt    StormOptions
	rand   *rand.Rand
	load   *Load
	report StormReport
}

// Storm kills the daemon and the drivers of a shop at moments of chance, with clients that ask all the time, and checks after
// each start that everything acknowledged is there. In the end it lets the floor finish its work, and checks that every step
// was done once, that the machines have begun as many runs as the ledger says, and that the answers of the clients fit the model.
func Storm(ctx context.Context, shop *Shop, opt StormOptions) (StormReport, error) {
	if opt.Tell == nil {
		opt.Tell = func(string, ...any) {}
	}
	s := &storm{shop: shop, opt: opt, rand: rand.New(rand.NewPCG(opt.Seed, 0)), report: StormReport{Seed: opt.Seed}}
	s.load = NewLoad(shop, "storm", opt.Seed, true)
	if err := shop.Start(ctx); err != nil {
		return s.report, err
	}
	asking, stop := context.WithCancel(ctx)
	defer stop()
	asked := make(chan struct{})
	go func() { defer close(asked); s.load.Run(asking, opt.Clients) }()
	for n := 1; n <= opt.Kills; n++ {
		if err := s.strike(ctx); err != nil {
			return s.report, fmt.Errorf("kill %d: %w", n, err)
		}
		if opt.Audit > 0 && n%opt.Audit == 0 && n < opt.Kills {
			if err := s.audit(ctx); err != nil {
				return s.report, fmt.Errorf("after %d kills: %w", n, err)
			}
		}
	}
	stop()
	<-asked
	return s.report, s.finish(ctx)
}

// strike lets the shop run for a while, kills a part of it, and brings that back.
func (s *storm) strike(ctx context.Context) error {
	if err := s.pause(ctx, s.opt.Pace); err != nil {
		return err
	}
	devices := s.shop.cfg.External
	if len(devices) > 0 && s.rand.IntN(10) < 3 {
		device := devices[s.rand.IntN(len(devices))]
		if err := s.shop.KillDriver(device); err != nil {
			return err
		}
		s.report.DriverKills++
		if s.rand.IntN(2) == 0 { // away for a while, or back at once
			if err := s.pause(ctx, s.opt.Pace/2); err != nil {
				return err
			}
		}
		return s.shop.StartDriver(device)
	}
	if err := s.shop.KillDaemon(); err != nil {
		return err
	}
	s.report.DaemonKills++
	for s.rand.IntN(5) == 0 { // and once more while it comes up
		if err := s.shop.StartDaemon(); err != nil {
			return err
		}
		if err := s.pause(ctx, s.opening()); err != nil {
			return err
		}
		if err := s.shop.KillDaemon(); err != nil {
			return err
		}
		s.report.DaemonKills++
		s.report.BeforeService++
	}
	return s.comeBack(ctx)
}

// opening is about how long a start takes.
func (s *storm) opening() time.Duration {
	times := s.shop.ServiceTimes
	return times[len(times)-1]
}

func (s *storm) comeBack(ctx context.Context) error {
	const patience = 2 * time.Minute
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	if err := s.shop.Start(ctx); err != nil {
		return err
	}
	if err := s.load.CheckAccepted(ctx); err != nil {
		return err
	}
	s.load.mu.Lock()
	defer s.load.mu.Unlock()
	return errors.Join(s.load.violations...)
}

// audit kills the daemon and reads its ledger.
func (s *storm) audit(ctx context.Context) error {
	if err := s.shop.KillDaemon(); err != nil {
		return err
	}
	books, err := Audit(ctx, s.shop.Data())
	if err != nil {
		return err
	}
	if err := books.CheckLoad(s.load); err != nil {
		return err
	}
	s.opt.Tell("%d kills so far, revision %d, %d jobs, %d runs begun", s.report.DaemonKills+s.report.DriverKills, books.Revision, len(books.Floor.Jobs), books.Begun())
	return s.comeBack(ctx)
}

func (s *storm) pause(ctx context.Context, most time.Duration) error {
	select {
	case <-time.After(time.Duration(s.rand.Int64N(int64(most) + 1))):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// finish waits for the work and closes the books.
func (s *storm) finish(ctx context.Context) error {
	const patience = 3 * time.Minute
	working, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	if err := s.load.AwaitWork(working); err != nil {
		return err
	}
	if err := s.shop.StopDaemon(); err != nil {
		return err
	}
	books, err := Audit(ctx, s.shop.Data())
	if err != nil {
		return err
	}
	s.fill(books)
	return errors.Join(
		books.CheckLoad(s.load),
		books.CheckMachines(s.shop.folders()...),
		s.load.Check(),
	)
}

func (s *storm) fill(books *Books) {
	r, times := &s.report, slices.Sorted(slices.Values(s.shop.ServiceTimes))
	r.Requests, r.Unknown, r.Jobs = s.load.Requests, s.load.Unknown, len(s.load.accepted)
	r.Resolved, r.Runs, r.Revision, r.Term = s.load.Resolved, books.Begun(), books.Revision, books.Term
	r.ServiceMedian, r.Service99th = times[len(times)/2], times[len(times)*99/100]
}
