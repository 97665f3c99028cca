package crashtest

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

// startMachines is the people on the floor: they start what waits to be started by them, and where nobody knows what became
// of a run they look at the machine.
func (l *Load) startMachines(ctx context.Context) {
	const round = 30 * time.Millisecond
	ticker := time.NewTicker(round)
	defer ticker.Stop()
	for rounds := 0; ; rounds++ {
		select {
		case <-ticker.C:
		case <-ctx.Done():
			return
		}
		if rounds%100 == 0 {
			l.comeToWork(ctx)
		}
		l.lookAtDevices(ctx)
	}
}

// comeToWork sees to it that there are people at night, too.
func (l *Load) comeToWork(ctx context.Context) {
	const stay = 30 * 24 * time.Hour
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	st, err := l.shop.Admin.GetStatus(ctx, &tandemv1.GetStatusRequest{}, grpc.WaitForReady(true))
	if err != nil {
		return
	}
	_, _ = l.shop.Admin.SetAttendance(ctx, &tandemv1.SetAttendanceRequest{
		Operators: 12, UntilTime: timestamppb.New(st.GetNow().AsTime().Add(stay)), Actor: "marit",
	}) // or the next time
}

func (l *Load) lookAtDevices(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	list, err := l.shop.Devices.ListDevices(ctx, &tandemv1.ListDevicesRequest{}, grpc.WaitForReady(true))
	if err != nil {
		return
	}
	steps := map[string]string{}
	for _, d := range list.GetDevices() {
		if n := len(d.GetRuns()); n > max(int(d.GetCapacity()), 1) {
			l.violate(fmt.Errorf("revision %d: %s has %d runs at once", list.GetRevision(), d.GetId(), n))
		}
		for _, r := range d.GetRuns() {
			step := r.GetJob() + "/" + r.GetStep()
			if other, ok := steps[step]; ok {
				l.violate(fmt.Errorf("revision %d: %s has the live runs %s and %s", list.GetRevision(), step, other, r.GetRun()))
			}
			steps[step] = r.GetRun()
			if slices.Contains(r.GetStateReasons(), "x-outcome-unknown") && d.GetLink() == tandemv1.Link_LINK_ONLINE {
				l.resolve(ctx, d, r)
			}
			if slices.Contains(r.GetStateReasons(), "x-awaiting-start") {
				l.start(ctx, r.GetRun())
			}
		}
	}
}

// start is a person's start of a run. Asked again without an answer it is the same request.
func (l *Load) start(ctx context.Context, run string) {
	l.mu.Lock()
	request := fmt.Sprintf("start-%s-%d", run, l.starts[run])
	l.mu.Unlock()
	_, err := l.shop.Devices.StartRun(ctx, &tandemv1.StartRunRequest{Run: run, RequestId: request, Actor: "marit"})
	if l.resultOf("start "+run, err) == done {
		l.mu.Lock()
		l.starts[run]++
		l.mu.Unlock()
	}
}

// resolve is a person who looks whether a machine has a run or has had it. If so it is the driver's to tell; if not, it never
// began there, and is to be done again from its first piece.
func (l *Load) resolve(ctx context.Context, d *tandemv1.Device, r *tandemv1.DeviceRun) {
	memory, err := recall(d.GetId(), l.shop.folders()...)
	if err != nil {
		l.violate(err)
		return
	}
	if memory.has(r.GetRun()) {
		return
	}
	_, err = l.shop.Devices.ResolveRun(ctx, &tandemv1.ResolveRunRequest{
		Run: r.GetRun(), Outcome: tandemv1.ResolveRunRequest_OUTCOME_KEEP, Note: "the machine has never had it",
		RequestId: "resolve-" + r.GetRun(), Actor: "marit",
	})
	if l.resultOf("resolve "+r.GetRun(), err) == done {
		l.mu.Lock()
		l.Resolved++
		l.mu.Unlock()
	}
}

// CheckAccepted asks for every job and compares it with what was acknowledged: it is there, whole, and the same.
func (l *Load) CheckAccepted(ctx context.Context) error {
	l.mu.Lock()
	accepted := maps.Clone(l.accepted) // before the question: what is acknowledged meanwhile need not be in the answer
	l.mu.Unlock()
	found := map[string]*tandemv1.Job{}
	for token, more := "", true; more; more = token != "" {
		page, err := l.shop.Jobs.ListJobs(ctx, &tandemv1.ListJobsRequest{PageSize: 1000, PageToken: token}, grpc.WaitForReady(true))
		if err != nil {
			return fmt.Errorf("list the jobs: %w", err)
		}
		for _, j := range page.GetJobs() {
			found[j.GetId()] = j
		}
		token = page.GetNextPageToken()
	}
	for id, before := range accepted {
		now, ok := found[id]
		if !ok {
			return fmt.Errorf("job %s was acknowledged as %s and is lost", id, before.GetCode())
		}
		if err := sameJob(before, now); err != nil {
			return fmt.Errorf("job %s: %w", id, err)
		}
	}
	return nil
}

// AwaitWork waits until every work job that was acknowledged is completed, while people go on to start machines. No
// step may have begun more than once.
func (l *Load) AwaitWork(ctx context.Context) error {
	working, stop := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() { defer close(ended); l.startMachines(working) }()
	defer func() { stop(); <-ended }()

	l.mu.Lock()
	var open []string
	for id := range l.accepted {
		open = append(open, id)
	}
	l.mu.Unlock()
	slices.Sort(open)
	var last *tandemv1.Job
	err := poll(ctx, "the work to be done", func(ctx context.Context) (bool, error) {
		for len(open) > 0 {
			j, err := l.shop.Jobs.GetJob(ctx, &tandemv1.GetJobRequest{Id: open[0]}, grpc.WaitForReady(true))
			if err != nil {
				return false, err
			}
			last = j
			if j.GetEndTime() == nil {
				return false, nil
			}
			if err := begunOnce(j); err != nil {
				return false, err
			}
			open = open[1:]
		}
		return true, nil
	})
	if err != nil && last != nil {
		return fmt.Errorf("%w; %d jobs are open, the first is %v", err, len(open), last)
	}
	return err
}

// begunOnce compares a job that has ended with what becomes of one on a floor where nothing goes wrong but computers.
func begunOnce(j *tandemv1.Job) error {
	if j.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED {
		return fmt.Errorf("job %s has ended as %v %v", j.GetId(), j.GetState(), j.GetStateReasons())
	}
	for _, s := range j.GetSteps() {
		begun := 0
		for _, r := range s.GetRuns() {
			if r.GetStartTime() != nil {
				begun++
			}
		}
		if begun != 1 || s.GetPiecesGood() != j.GetPieces() {
			return fmt.Errorf("%s/%s has begun %d times and made %d of %d pieces, want once and all: %v", j.GetId(), s.GetId(), begun, s.GetPiecesGood(), j.GetPieces(), s.GetRuns())
		}
	}
	return nil
}
