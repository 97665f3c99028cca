package main

import (
	"context"
	"maps"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"tandem/clients/celltext"
	"tandem/clients/floorview"
	"tandem/clients/follow"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// redrawEvery keeps countdowns and bars moving while nothing happens.
	redrawEvery = time.Second
	// redrawSoon gathers what happens at once into one drawing.
	redrawSoon = 100 * time.Millisecond
	// clockEvery is how often the floor's clock is asked for; between, it is carried on.
	clockEvery = 10 * time.Second
	// refreshWithin bounds the calls before one drawing, so that it never freezes for long.
	refreshWithin = 3 * time.Second
	// showEnded is how long a job that has ended stays in sight, by the floor's clock.
	showEnded = 15 * time.Minute
	// showGap is how long it is told that events were missed.
	showGap = 20 * time.Second
)

// Sequences of ECMA-48 and the usual private modes of terminals.
const (
	enterScreen = "\x1b[?1049h\x1b[?25l" // the other screen, no cursor
	leaveScreen = "\x1b[?25h\x1b[?1049l"
	home        = "\x1b[H"
	eraseLine   = "\x1b[K"
	eraseBelow  = "\x1b[J"
)

// live redraws the floor until the context ends.
func (a *app) live(ctx context.Context) error {
	if !a.outIsTerminal || a.env("TERM") == "dumb" {
		return usagef("--live redraws a terminal, and standard output is none that can: leave it out, or use 'tandem floor'")
	}
	if a.json {
		return usagef("--live draws for people: leave out --json")
	}
	client, err := a.events()
	if err != nil {
		return err
	}
	l := &liveFloor{app: a, changed: map[string]bool{}}
	if err := l.readClock(ctx); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	updates, ended := make(chan func(*liveFloor)), make(chan error, 1)
	go func() { ended <- follow.Events(ctx, client, follow.Request{}, &liveWatcher{ctx, updates}) }()

	a.write(enterScreen)
	defer func() {
		a.write(leaveScreen)
		// The error of writing, if there is one, is found again at the end of the program.
		_ = a.flush()
	}()
	return l.loop(ctx, updates, ended)
}

func (l *liveFloor) loop(ctx context.Context, updates <-chan func(*liveFloor), ended <-chan error) error {
	ticker := time.NewTicker(redrawEvery)
	defer ticker.Stop()
	var soon <-chan time.Time
	for {
		select {
		case err := <-ended:
			return err
		case update := <-updates:
			update(l)
			if soon == nil {
				soon = time.After(redrawSoon)
			}
			continue
		case <-soon:
		case <-ticker.C:
		}
		soon = nil
		l.refresh(ctx)
		l.draw()
		if err := l.flush(); err != nil {
			return err
		}
	}
}

// liveFloor is what is known of the floor. It belongs to the goroutine of loop.
type liveFloor struct {
	*app
	jobs     []*tandemv1.Job
	devices  []*tandemv1.Device
	incoming *tandemv1.Snapshot // parts of the present state, until the last one has come
	changed  map[string]bool    // jobs to ask for

	floorTime time.Time // the floor's clock when it was read
	readAt    time.Time // this computer's at that moment
	scale     float64

	notice      string    // what the reader must know above the floor
	noticeUntil time.Time // zero: until it is taken back
	away        bool
}

// liveWatcher hands what a watch brings to the loop.
type liveWatcher struct {
	ctx     context.Context
	updates chan<- func(*liveFloor)
}

func (w *liveWatcher) do(update func(*liveFloor)) {
	select {
	case w.updates <- update:
	case <-w.ctx.Done():
	}
}

// Restart begins to gather the present state; what is known stays in sight until it is complete.
func (w *liveWatcher) Restart() {
	w.do(func(l *liveFloor) { l.incoming = &tandemv1.Snapshot{} })
}

// Message takes a part of the present state, or notes what a revision has changed.
func (w *liveWatcher) Message(m *tandemv1.WatchEventsResponse) error {
	w.do(func(l *liveFloor) { l.take(m) })
	return nil
}

// Lost shows that the picture is no longer live.
func (w *liveWatcher) Lost(err error) {
	w.do(func(l *liveFloor) {
		l.away, l.noticeUntil = true, time.Time{}
		l.notice = "NOT LIVE: " + lostText(err) + ". Last known at " + l.floorNow().In(l.zone).Format("15:04:05") + ":"
	})
}

// Back shows a live picture again.
func (w *liveWatcher) Back(uint64) {
	w.do(func(l *liveFloor) { l.away, l.notice = false, "" })
}

// Gap says that some events were never seen; the picture itself is whole again with the present state.
func (w *liveWatcher) Gap(g follow.Gap) {
	w.do(func(l *liveFloor) { l.notice, l.noticeUntil = gapText(g), l.now().Add(showGap) })
}

func (l *liveFloor) take(m *tandemv1.WatchEventsResponse) {
	for _, e := range m.GetCommit().GetEvents() {
		if e.GetJob() != "" {
			l.changed[e.GetJob()] = true
		}
	}
	part := m.GetSnapshot()
	if part == nil || l.incoming == nil {
		return
	}
	l.incoming.Jobs = append(l.incoming.Jobs, part.GetJobs()...)
	l.incoming.Devices = append(l.incoming.Devices, part.GetDevices()...)
	if part.GetLast() {
		l.jobs, l.devices, l.incoming = l.incoming.GetJobs(), l.incoming.GetDevices(), nil
	}
}

// refresh asks for the jobs that have changed and for the devices, whose progress is not in the ledger. What it cannot
// get now it asks for again next time; that the daemon is away the watch tells.
func (l *liveFloor) refresh(ctx context.Context) {
	if l.away {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, refreshWithin)
	defer cancel()
	if l.now().Sub(l.readAt) >= clockEvery {
		_ = l.readClock(ctx)
	}
	if list, err := l.allDevices(ctx); err == nil {
		l.devices = list.GetDevices()
	}
	client, err := l.app.jobs()
	if err != nil {
		return
	}
	told, asked := slices.Sorted(maps.Keys(l.changed)), map[string]bool{}
	for _, id := range told {
		l.changeKin(id)
	}
	for len(l.changed) > 0 {
		for _, id := range slices.Sorted(maps.Keys(l.changed)) {
			if !asked[id] {
				job, err := client.GetJob(ctx, &tandemv1.GetJobRequest{Id: id})
				if err != nil && status.Code(err) != codes.NotFound {
					return
				}
				l.setJob(id, job)
			}
			asked[id] = true
			delete(l.changed, id)
		}
		for _, id := range told { // those that have become kin just now
			l.changeKin(id)
		}
		told = nil
	}
}

// changeKin notes that what has happened to a gang run has happened to the jobs that share its panels, and the other way
// round.
func (l *liveFloor) changeKin(id string) {
	i := slices.IndexFunc(l.jobs, func(j *tandemv1.Job) bool { return j.GetId() == id })
	if i < 0 {
		return
	}
	for _, m := range l.jobs[i].GetMembers() {
		l.changed[m] = true
	}
	for _, s := range l.jobs[i].GetSteps() {
		if gang, _, carried := strings.Cut(s.GetCarriedBy(), "/"); carried && !wording.Ended(s.GetState()) {
			l.changed[gang] = true
		}
	}
}

// setJob replaces a job, adds a new one at the end, or removes one that is gone (nil).
func (l *liveFloor) setJob(id string, job *tandemv1.Job) {
	i := slices.IndexFunc(l.jobs, func(j *tandemv1.Job) bool { return j.GetId() == id })
	switch {
	case i >= 0 && job != nil:
		l.jobs[i] = job
	case i >= 0:
		l.jobs = slices.Delete(l.jobs, i, i+1)
	case job != nil:
		l.jobs = append(l.jobs, job)
	}
}

// readClock reads the floor's clock.
func (l *liveFloor) readClock(ctx context.Context) error {
	s, err := l.status(ctx)
	if err != nil {
		return err
	}
	l.readAt, l.scale = l.now(), s.GetTimeScale()
	l.floorTime = l.readAt
	if s.GetNow() != nil {
		l.floorTime = s.GetNow().AsTime()
	}
	if l.scale <= 0 {
		l.scale = 1
	}
	return nil
}

// floorNow carries the floor's clock on since it was read.
func (l *liveFloor) floorNow() time.Time {
	return l.floorTime.Add(time.Duration(float64(l.now().Sub(l.readAt)) * l.scale))
}

func (l *liveFloor) draw() {
	now := l.floorNow()
	if !l.noticeUntil.IsZero() && l.now().After(l.noticeUntil) {
		l.notice, l.noticeUntil = "", time.Time{}
	}
	var jobs []*tandemv1.Job
	for _, j := range l.jobs {
		if !wording.Ended(j.GetState()) || now.Sub(j.GetEndTime().AsTime()) < showEnded {
			jobs = append(jobs, j)
		}
	}
	width, height := l.size()
	frame := ""
	if l.notice != "" {
		frame = clipped(l.notice, width, l.colour())
		height--
	}
	frame += floorview.Render(jobs, l.devices, floorview.Options{
		Now: now, Zone: l.zone, Width: width, Height: max(height, 1), Colour: l.colour(),
	})
	// No line feed after the last line: it would scroll a full screen.
	frame = strings.ReplaceAll(strings.TrimSuffix(frame, "\n"), "\n", eraseLine+"\n")
	l.write(home + frame + eraseLine + eraseBelow)
}

// clipped is one warning, cut to the width.
func clipped(text string, width int, colour bool) string {
	var b strings.Builder
	celltext.Line{{Style: warned, Text: text}}.Write(&b, width, colour)
	return b.String()
}
