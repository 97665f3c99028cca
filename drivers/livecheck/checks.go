package livecheck

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// flood is how many orders come as fast as they are answered.
	flood = 500
	// mostStatuses is how many a second a driver may send, sustained, whatever it is asked.
	mostStatuses = 100
	// clockSlip is how far the time of an observation may lie from the floor's clock.
	clockSlip = 10 * time.Second
)

type check struct {
	name string
	run  func(context.Context, *session) error
}

func checks() []check {
	return []check{
		{"introduces itself", introduces},
		{"repeats its status", repeats},
		{"refuses what it cannot read", unreadable},
		{"refuses orders of another epoch", otherEpoch},
		{"refuses a daemon that no longer leads", oldTerm},
		{"refuses operations it cannot do", otherOperation},
		{"refuses a stale fence", staleFence},
		{"waits for its start", waitsForStart},
		{"takes the same order once", sameOrder},
		{"keeps to its capacity", capacity},
		{"stops what waits, and keeps its end until settled", stopsWaiting},
		{"never takes what was stopped before it came", stoppedBefore},
		{"tells a new daemon what it has in hand", newDaemon},
		{"withstands a flood of orders", floods},
		{"finds the bus again", reconnects},
		{"outlives its own restart", restarts},
		{"takes a start that is too late for none", lateStart},
		{"does a run, once", works},
		{"stops what works", stopsWorking},
	}
}

func introduces(_ context.Context, s *session) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	h := s.hellos[len(s.hellos)-1]
	st := h.GetStatus()
	switch {
	case !tandemv1.ValidID(h.GetKind()):
		return fmt.Errorf("hello.kind is %q, want an id", h.GetKind())
	case len(h.GetOperations()) == 0:
		return errors.New("hello.operations is empty: nothing can be given to it")
	case st.GetEpoch() == 0 || st.GetEpoch() > math.MaxInt64:
		return fmt.Errorf("hello.status.epoch is %d, want 1 to %d, greater at each start: nanoseconds since 1970 do", st.GetEpoch(), math.MaxInt64)
	}
	return complete(st)
}

// complete says what a status lacks.
func complete(st *driverv1.Status) error {
	switch {
	case st.GetState() == tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED:
		return errors.New("status.state is not said")
	case st.GetPhase() == tandemv1.DevicePhase_DEVICE_PHASE_UNSPECIFIED:
		return errors.New("status.phase is not said")
	case st.GetLink() == tandemv1.Link_LINK_UNSPECIFIED:
		return errors.New("status.link is not said: LINK_ONLINE, or LINK_OFFLINE if the device cannot be reached")
	}
	for _, r := range st.GetRuns() {
		if r.GetRun() == "" || r.GetFence() == 0 || r.GetState() == tandemv1.JobState_JOB_STATE_UNSPECIFIED {
			return fmt.Errorf("a run in hand has no id, fence or state: %v", r)
		}
	}
	return nil
}

func repeats(ctx context.Context, s *session) error {
	from := s.statusCount()
	if err := s.wait(ctx, 4*period, fmt.Sprintf("3 statuses, one each %s as the welcome asks", period), func() bool { return s.count >= from+3 }); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	var before *driverv1.Status
	for _, h := range s.statuses {
		if err := complete(h.Status); err != nil {
			return err
		}
		if t := h.GetObserveTime(); t == nil || h.at.Sub(t.AsTime()).Abs() > clockSlip {
			return fmt.Errorf("status.observe_time is %v at %s: want the floor's clock, which every welcome tells", t.AsTime(), h.at.UTC())
		}
		if before != nil && (h.GetEpoch() < before.GetEpoch() || h.GetEpoch() == before.GetEpoch() && h.GetSequence() <= before.GetSequence()) {
			return fmt.Errorf("sequence %d of epoch %d comes after %d of %d", h.GetSequence(), h.GetEpoch(), before.GetSequence(), before.GetEpoch())
		}
		before = h.Status
	}
	return nil
}

func unreadable(ctx context.Context, s *session) error {
	for _, body := range []string{"no json", "{}", `{"grant":{}}`, `[1]`, ""} {
		a, err := s.send(ctx, []byte(body))
		if err != nil {
			return err
		}
		if a.GetRefused() == "" {
			return fmt.Errorf("%q is taken, want refused", body)
		}
	}
	return nil
}

func otherEpoch(ctx context.Context, s *session) error {
	epoch := s.now().GetEpoch()
	for _, other := range []uint64{1, epoch - 1, epoch + 1} {
		a, err := s.order(ctx, &driverv1.Order{Epoch: other, Kind: &driverv1.Order_Grant{Grant: s.grant()}})
		if err := refused(a, err, fmt.Sprintf("a grant for epoch %d", other), true, epoch); err != nil {
			return err
		}
	}
	return nil
}

func oldTerm(ctx context.Context, s *session) error {
	a, err := s.order(ctx, &driverv1.Order{Term: firstTerm - 1, Kind: &driverv1.Order_Grant{Grant: s.grant()}})
	return refused(a, err, "a grant of a term that is over", false, s.now().GetEpoch())
}

func otherOperation(ctx context.Context, s *session) error {
	g := s.grant()
	g.Operation = "no-such-operation"
	a, err := s.give(ctx, g)
	return refused(a, err, "an operation that nobody can do", true, s.now().GetEpoch())
}

func staleFence(ctx context.Context, s *session) error {
	g := s.grant()
	g.Fence = firstFence - 1
	a, err := s.give(ctx, g)
	return refused(a, err, fmt.Sprintf("fence %d, where the welcome says at least %d,", g.GetFence(), firstFence), true, s.now().GetEpoch())
}

func waitsForStart(ctx context.Context, s *session) error {
	if s.opt.Manual {
		return leftOut("people move what there is to move")
	}
	g, from := s.grant(), s.statusCount()
	if err := s.taken(ctx, g); err != nil {
		return err
	}
	return s.still(ctx, g, from)
}

func sameOrder(ctx context.Context, s *session) error {
	g := s.grant()
	for range 5 {
		if err := s.taken(ctx, g); err != nil {
			return err
		}
	}
	n := 0
	for _, r := range s.now().GetRuns() {
		if r.GetRun() == g.GetRun() {
			n++
		}
	}
	if n != 1 {
		return fmt.Errorf("after the same grant five times it has %d of that run in hand", n)
	}
	other := proto.CloneOf(g)
	other.Fence += 100
	a, err := s.give(ctx, other)
	return refused(a, err, "the same run with another fence", false, s.now().GetEpoch())
}

func capacity(ctx context.Context, s *session) error {
	for range s.opt.Capacity {
		g := s.grant()
		g.ReadyTime = timestamppb.New(time.Now().Add(time.Hour)) // nothing dries meanwhile
		if err := s.taken(ctx, g); err != nil {
			return err
		}
	}
	g := s.grant()
	a, err := s.give(ctx, g)
	if err := refused(a, err, "a run more than it holds", !s.opt.Manual, s.now().GetEpoch()); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.run(g.GetRun()) != nil {
		return errors.New("a run that it has refused is in hand")
	}
	return nil
}

func stopsWaiting(ctx context.Context, s *session) error {
	if s.opt.Manual {
		return leftOut("people end what they have begun")
	}
	g := s.grant()
	if err := s.taken(ctx, g); err != nil {
		return err
	}
	for range 2 {
		a, err := s.stop(ctx, g)
		if err != nil {
			return err
		}
		if a.GetRefused() != "" {
			return fmt.Errorf("the stop of a run in hand is refused: %s", a.GetRefused())
		}
	}
	canceled := func() bool { return s.run(g.GetRun()).GetState() == tandemv1.JobState_JOB_STATE_CANCELED }
	if err := s.wait(ctx, promptly, "the stopped run is canceled", canceled); err != nil {
		return err
	}
	from := s.statusCount()
	if err := s.wait(ctx, 4*period, "two more statuses that keep the end, which is not settled yet", func() bool { return s.count >= from+2 && canceled() }); err != nil {
		return err
	}
	if err := s.settled(ctx, g); err != nil {
		return err
	}
	a, err := s.give(ctx, g)
	return refused(a, err, "a run that was settled", false, s.now().GetEpoch())
}

func stoppedBefore(ctx context.Context, s *session) error {
	g := s.grant()
	a, err := s.stop(ctx, g)
	if err := refused(a, err, "the stop of a run that it never had", true, s.now().GetEpoch()); err != nil {
		return err
	}
	a, err = s.give(ctx, g)
	return refused(a, err, "a run that was stopped before it came", true, s.now().GetEpoch())
}

// newDaemon introduces a daemon of a later term on a connection that has held.
func newDaemon(ctx context.Context, s *session) error {
	g := s.grant()
	if err := s.taken(ctx, g); err != nil {
		return err
	}
	s.mu.Lock()
	hellos, epoch := len(s.hellos), s.last().GetEpoch()
	s.mu.Unlock()
	a, err := s.send(ctx, []byte(`{"introduce":{}}`))
	if err != nil {
		return err
	}
	if a.GetRefused() != "" {
		return fmt.Errorf("the order to introduce itself is refused: %s", a.GetRefused())
	}
	return s.wait(ctx, promptly, "another hello, of the same epoch and with its run in hand", func() bool {
		if len(s.hellos) == hellos {
			return false
		}
		st := s.hellos[len(s.hellos)-1].GetStatus()
		return st.GetEpoch() == epoch && find(st, g.GetRun()).GetFence() == g.GetFence()
	})
}

func floods(ctx context.Context, s *session) error {
	g := s.grant()
	if err := s.taken(ctx, g); err != nil {
		return err
	}
	from, begin := s.statusCount(), time.Now()
	for i := range flood {
		a, err := s.give(ctx, g)
		if err != nil {
			return fmt.Errorf("of %d orders in a row, number %d: %w", flood, i+1, err)
		}
		if a.GetRefused() != "" {
			return fmt.Errorf("of %d equal orders in a row, number %d is refused: %s", flood, i+1, a.GetRefused())
		}
	}
	took := time.Since(begin)
	if most := mostStatuses * (1 + took.Seconds()); float64(s.statusCount()-from) > most {
		return fmt.Errorf("%d statuses in %s: that floods the daemon, want at most %.0f", s.statusCount()-from, took.Round(time.Millisecond), most)
	}
	return nil
}

func reconnects(ctx context.Context, s *session) error {
	if s.opt.Reconnect == nil {
		return leftOut("the bus is not this check's to break")
	}
	g := s.grant()
	if err := s.taken(ctx, g); err != nil {
		return err
	}
	s.mu.Lock()
	hellos, epoch := len(s.hellos), s.last().GetEpoch()
	s.mu.Unlock()
	conn, err := s.opt.Reconnect(ctx)
	if err == nil {
		err = s.listen(conn)
	}
	if err != nil {
		return err
	}
	from := s.statusCount()
	return s.wait(ctx, 30*time.Second, "a hello of the same epoch with its run in hand, and a status", func() bool {
		if len(s.hellos) == hellos || s.count == from {
			return false
		}
		st := s.hellos[len(s.hellos)-1].GetStatus()
		return st.GetEpoch() == epoch && find(st, g.GetRun()).GetFence() == g.GetFence()
	})
}

func restarts(ctx context.Context, s *session) error {
	if s.opt.Restart == nil {
		return leftOut("no command to restart the driver was given")
	}
	g := s.grant()
	if err := s.taken(ctx, g); err != nil {
		return err
	}
	epoch, from := s.now().GetEpoch(), s.statusCount()
	if err := s.opt.Restart(ctx); err != nil {
		return fmt.Errorf("restart the driver: %w", err)
	}
	if err := s.wait(ctx, s.opt.Wait, "a hello of a greater epoch, and a status", func() bool {
		return s.hellos[len(s.hellos)-1].GetStatus().GetEpoch() > epoch && s.last().GetEpoch() > epoch
	}); err != nil {
		return err
	}
	a, err := s.order(ctx, &driverv1.Order{Epoch: epoch, Kind: &driverv1.Order_Grant{Grant: g}})
	if err := refused(a, err, "an order for the epoch before the restart", true, s.now().GetEpoch()); err != nil {
		return err
	}
	s.mu.Lock()
	inHand := s.run(g.GetRun()) != nil
	s.mu.Unlock()
	if inHand {
		return s.still(ctx, g, from)
	}
	return nil
}

func lateStart(ctx context.Context, s *session) error {
	if err := s.moves(); err != nil {
		return err
	}
	g, from := start(s.grant()), s.statusCount()
	g.StartBefore = timestamppb.New(time.Now().Add(-time.Minute))
	if err := s.taken(ctx, g); err != nil {
		return err
	}
	return s.still(ctx, g, from)
}

// moves says why nothing may move.
func (s *session) moves() error {
	switch {
	case s.opt.Manual:
		return leftOut("people move what there is to move")
	case !s.opt.Move:
		return leftOut("the device may not move")
	}
	return nil
}

func works(ctx context.Context, s *session) error {
	if err := s.moves(); err != nil {
		return err
	}
	g := start(s.grant())
	if err := s.taken(ctx, g); err != nil {
		return err
	}
	if err := s.wait(ctx, s.opt.MoveWithin, "the end of the run", func() bool { return ended(s.run(g.GetRun())) }); err != nil {
		return err
	}
	if _, err := s.give(ctx, g); err != nil { // again: it must not begin again
		return err
	}
	from := s.statusCount()
	if err := s.wait(ctx, 4*period, "two more statuses", func() bool { return s.count >= from+2 }); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.run(g.GetRun())
	switch {
	case r.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED:
		return fmt.Errorf("the run is %v, want completed", r)
	case r.GetPiecesGood()+r.GetPiecesSpoiled() != g.GetPieces():
		return fmt.Errorf("completed with %d good and %d spoiled of %d pieces", r.GetPiecesGood(), r.GetPiecesSpoiled(), g.GetPieces())
	}
	return nil
}

func stopsWorking(ctx context.Context, s *session) error {
	if err := s.moves(); err != nil {
		return err
	}
	g := start(s.grant())
	g.ExpectedWork = durationpb.New(10 * s.opt.Work)
	g.ModelDuration = g.GetExpectedWork()
	if err := s.taken(ctx, g); err != nil {
		return err
	}
	if err := s.wait(ctx, s.opt.MoveWithin, "the run works", func() bool { return begun(s.run(g.GetRun())) || ended(s.run(g.GetRun())) }); err != nil {
		return err
	}
	a, err := s.stop(ctx, g)
	if err != nil {
		return err
	}
	if a.GetRefused() != "" {
		return fmt.Errorf("the stop of a run that works is refused: %s", a.GetRefused())
	}
	if err := s.wait(ctx, s.opt.MoveWithin, "its end", func() bool { return ended(s.run(g.GetRun())) }); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.run(g.GetRun()).GetState() == tandemv1.JobState_JOB_STATE_COMPLETED {
		return errors.New("a run that was stopped is completed: the driver ignores stops, or the run was over before; try one that takes longer")
	}
	return nil
}
