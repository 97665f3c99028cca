package board

import (
	"context"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"tandem/clients/follow"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// gather is how long what happens is gathered into one refresh: four a second at most.
	gather = 250 * time.Millisecond
	// devicesEvery is how often devices are asked for what the ledger does not hold: pieces, shares, expected ends.
	// Longer while nobody looks.
	devicesEvery, devicesIdle = time.Second, 10 * time.Second
	// clockEvery is how often the floor's clock is asked for; between, it is carried on.
	clockEvery = 10 * time.Second
	// refreshWithin bounds the calls before one refresh.
	refreshWithin = 5 * time.Second
	// keepEnded is how long an ended job stays, by the floor's clock, and mostEnded how many.
	keepEnded, mostEnded = 24 * time.Hour, 2000
)

// snapshot is what is known of the floor at one moment. It is never changed; its messages are not either.
type snapshot struct {
	jobs      []*tandemv1.Job
	devices   []*tandemv1.Device
	floor     *tandemv1.FloorFile // nil: not known
	zone      *time.Location      // where the shop's clock hangs, else this computer's
	forecasts map[string]*tandemv1.Forecast
	revision  uint64
	complete  bool // the present state has come in whole at least once

	floorTime time.Time // the floor's clock when it was read
	readAt    time.Time // this computer's at that moment
	scale     float64   // how much faster the floor's clock runs

	awaySince time.Time // by this computer's clock; zero: the daemon is there
	awayWhy   string
}

// now carries the floor's clock on since it was read. While the daemon is away it stands still: what is shown is as of then.
func (s *snapshot) now(wall time.Time) time.Time {
	if !s.awaySince.IsZero() {
		wall = s.awaySince
	}
	if s.readAt.IsZero() {
		return wall
	}
	return s.floorTime.Add(time.Duration(float64(wall.Sub(s.readAt)) * s.scale))
}

// zoneNow is where the shop's clock hangs.
func (b *Board) zoneNow() *time.Location {
	s, _ := b.mirror.snapshot()
	return s.zone
}

// forecast is the latest one of a job; nil if there is none.
func (s *snapshot) forecast(j *tandemv1.Job) *tandemv1.Forecast {
	if f := s.forecasts[j.GetId()]; f != nil {
		return f
	}
	return j.GetForecast()
}

// job finds a job by its id.
func (s *snapshot) job(id string) *tandemv1.Job {
	for _, j := range s.jobs {
		if j.GetId() == id {
			return j
		}
	}
	return nil
}

// mirror holds the floor as one watch of the daemon tells it, for as many readers as there are.
type mirror struct {
	api  api
	wall func() time.Time

	current atomic.Pointer[snapshot]
	wanted  atomic.Bool // somebody looks

	mu      sync.Mutex
	changed chan struct{} // closed at the next change

	// What follows belongs to the goroutine of run.
	next       snapshot
	incoming   *tandemv1.Snapshot // parts of the present state, until the last one has come
	dirty      map[string]bool    // jobs to ask for
	devicesDue time.Time
	clockDue   time.Time
	floorDue   bool
}

// api is the daemon as the board asks it.
type api struct {
	events    tandemv1.EventServiceClient
	jobs      tandemv1.JobServiceClient
	devices   tandemv1.DeviceServiceClient
	scans     tandemv1.ScanServiceClient
	plans     tandemv1.PlanServiceClient
	admin     tandemv1.AdminServiceClient
	forecasts tandemv1.ForecastServiceClient
}

func apiOf(c grpc.ClientConnInterface) api {
	return api{
		tandemv1.NewEventServiceClient(c), tandemv1.NewJobServiceClient(c), tandemv1.NewDeviceServiceClient(c), tandemv1.NewScanServiceClient(c),
		tandemv1.NewPlanServiceClient(c), tandemv1.NewAdminServiceClient(c), tandemv1.NewForecastServiceClient(c),
	}
}

func newMirror(a api, wall func() time.Time, zone *time.Location) *mirror {
	m := &mirror{api: a, wall: wall, changed: make(chan struct{}), dirty: map[string]bool{}, floorDue: true}
	m.next.scale, m.next.zone = 1, zone
	m.next.awaySince, m.next.awayWhy = wall(), "no answer yet"
	m.next.forecasts = map[string]*tandemv1.Forecast{}
	m.publish()
	return m
}

// snapshot returns what is known, and a channel that is closed when that changes.
func (m *mirror) snapshot() (*snapshot, <-chan struct{}) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.current.Load(), m.changed
}

func (m *mirror) publish() {
	s := m.next
	s.jobs = slices.Clone(s.jobs)
	m.mu.Lock()
	defer m.mu.Unlock()
	m.current.Store(&s)
	close(m.changed)
	m.changed = make(chan struct{})
}

// run follows the daemon until the context ends, or until going on makes no sense.
func (m *mirror) run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	updates, ended := make(chan func(*mirror)), make(chan error, 1)
	w := &mirrorWatcher{ctx, updates}
	var running sync.WaitGroup
	running.Go(func() { ended <- follow.Events(ctx, m.api.events, follow.Request{}, w) })
	running.Go(func() { m.watchForecasts(ctx, w) })
	defer running.Wait()
	defer cancel()
	tick := time.NewTicker(gather)
	defer tick.Stop()
	stale := false // something is not published yet
	for {
		select {
		case err := <-ended:
			return err
		case update := <-updates:
			update(m)
			stale = true
		case <-tick.C:
			if m.refresh(ctx) || stale {
				m.publish()
			}
			stale = false
		}
	}
}

// mirrorWatcher hands what a watch brings to the loop.
type mirrorWatcher struct {
	ctx     context.Context //nolint:containedctx // the loop's own: it ends both
	updates chan<- func(*mirror)
}

func (w *mirrorWatcher) do(update func(*mirror)) {
	select {
	case w.updates <- update:
	case <-w.ctx.Done():
	}
}

// Restart begins to gather the present state; what is known stays in sight until it is complete.
func (w *mirrorWatcher) Restart() {
	w.do(func(m *mirror) { m.incoming = &tandemv1.Snapshot{} })
}

// Message takes a part of the present state, or notes what a revision has changed.
func (w *mirrorWatcher) Message(r *tandemv1.WatchEventsResponse) error {
	w.do(func(m *mirror) { m.take(r) })
	return nil
}

// Lost notes since when what is shown is out of date.
func (w *mirrorWatcher) Lost(err error) {
	w.do(func(m *mirror) {
		if m.next.awaySince.IsZero() {
			m.next.awaySince = m.wall()
		}
		m.next.awayWhy = brief(err)
	})
}

// Back asks for everything that the ledger does not tell.
func (w *mirrorWatcher) Back(uint64) {
	w.do(func(m *mirror) {
		m.clockDue, m.devicesDue, m.floorDue = time.Time{}, time.Time{}, true
	})
}

// Gap needs nothing: the present state follows.
func (w *mirrorWatcher) Gap(follow.Gap) {}

func (m *mirror) take(r *tandemv1.WatchEventsResponse) {
	m.next.revision = r.GetRevision()
	for _, e := range r.GetCommit().GetEvents() {
		if e.GetJob() != "" {
			m.dirty[e.GetJob()] = true
		}
		if e.GetDevice() != "" {
			m.devicesDue = time.Time{}
		}
	}
	part := r.GetSnapshot()
	if part == nil || m.incoming == nil {
		return
	}
	m.incoming.Jobs = append(m.incoming.Jobs, part.GetJobs()...)
	m.incoming.Devices = append(m.incoming.Devices, part.GetDevices()...)
	if part.GetLast() {
		m.next.jobs, m.next.devices, m.incoming = m.incoming.GetJobs(), m.incoming.GetDevices(), nil
		m.next.complete = true
		m.clockDue = time.Time{}
	}
}

// refresh asks for what has changed and is not in the events. What it cannot get it asks for again next time. It reports
// whether anything may be different.
func (m *mirror) refresh(ctx context.Context) bool {
	now := m.wall()
	if !m.next.complete {
		return false
	}
	ctx, cancel := context.WithTimeout(ctx, refreshWithin)
	defer cancel()
	different := false
	if !now.Before(m.clockDue) {
		if err := m.readClock(ctx); err != nil {
			m.clockDue = now.Add(time.Second)
			if !m.next.awaySince.IsZero() {
				return false
			}
			// A daemon that was stopped in the middle says nothing, and its watch does not end for a while.
			m.next.awaySince, m.next.awayWhy = now, brief(err)
			return true
		}
		m.clockDue, different = now.Add(clockEvery), true
	}
	if !m.next.awaySince.IsZero() {
		return different
	}
	if m.floorDue {
		if f, err := m.api.admin.GetFloor(ctx, &tandemv1.GetFloorRequest{}); err == nil {
			m.next.floor, m.floorDue = f, false
			if zone, err := time.LoadLocation(f.GetTimeZone()); err == nil && f.GetTimeZone() != "" {
				m.next.zone = zone
			}
		}
	}
	if !now.Before(m.devicesDue) {
		if list, err := m.api.devices.ListDevices(ctx, &tandemv1.ListDevicesRequest{}); err == nil {
			m.next.devices, different = list.GetDevices(), true
			m.devicesDue = now.Add(devicesIdle)
			if m.wanted.Load() {
				m.devicesDue = now.Add(devicesEvery)
			}
		}
	}
	if len(m.dirty) > 0 {
		different = true
		m.refreshJobs(ctx)
	}
	return different
}

// refreshJobs asks for the jobs that have changed, and for those that share their panels.
func (m *mirror) refreshJobs(ctx context.Context) {
	index := make(map[string]int, len(m.next.jobs))
	for i, j := range m.next.jobs {
		index[j.GetId()] = i
	}
	asked := map[string]bool{}
	told := slices.Sorted(maps.Keys(m.dirty))
	for _, id := range told {
		m.addKin(index, id)
	}
	jobs := slices.Clone(m.next.jobs)
	gone := false
	for len(m.dirty) > 0 {
		for _, id := range slices.Sorted(maps.Keys(m.dirty)) {
			if !asked[id] {
				job, err := m.api.jobs.GetJob(ctx, &tandemv1.GetJobRequest{Id: id})
				if err != nil && status.Code(err) != codes.NotFound {
					m.next.jobs = jobs
					return
				}
				switch i, known := index[id]; {
				case err != nil && known:
					jobs[i], gone = nil, true
				case err == nil && known:
					jobs[i] = job
				case err == nil:
					index[id] = len(jobs)
					jobs = append(jobs, job)
				}
			}
			asked[id] = true
			delete(m.dirty, id)
		}
		m.next.jobs = jobs
		for _, id := range told { // those that have become kin just now
			if !gone {
				m.addKin(index, id)
			}
		}
		told = nil
	}
	m.forget()
}

// addKin notes that what has happened to a gang run has happened to the jobs that share its panels, and the other way
// round.
func (m *mirror) addKin(index map[string]int, id string) {
	i, known := index[id]
	if !known || m.next.jobs[i] == nil {
		return
	}
	for _, other := range m.next.jobs[i].GetMembers() {
		m.dirty[other] = true
	}
	for _, s := range m.next.jobs[i].GetSteps() {
		if gang, _, carried := strings.Cut(s.GetCarriedBy(), "/"); carried && !wording.Ended(s.GetState()) {
			m.dirty[gang] = true
		}
	}
}

// forget drops jobs that are gone, and those that ended long ago.
func (m *mirror) forget() {
	now, ended := m.next.now(m.wall()), 0
	for _, j := range m.next.jobs {
		if j != nil && wording.Ended(j.GetState()) {
			ended++
		}
	}
	m.next.jobs = slices.DeleteFunc(m.next.jobs, func(j *tandemv1.Job) bool {
		if j == nil {
			return true
		}
		if !wording.Ended(j.GetState()) {
			return false
		}
		old := now.Sub(j.GetEndTime().AsTime()) > keepEnded || ended > mostEnded
		if old {
			ended--
		}
		return old
	})
}

// readClock reads the floor's clock. Its answer shows that the daemon is there.
func (m *mirror) readClock(ctx context.Context) error {
	s, err := m.api.admin.GetStatus(ctx, &tandemv1.GetStatusRequest{})
	if err != nil {
		return err
	}
	m.next.readAt, m.next.scale = m.wall(), s.GetTimeScale()
	m.next.floorTime = m.next.readAt
	if s.GetNow() != nil {
		m.next.floorTime = s.GetNow().AsTime()
	}
	if m.next.scale <= 0 {
		m.next.scale = 1
	}
	m.next.awaySince, m.next.awayWhy = time.Time{}, ""
	return nil
}

// watchForecasts keeps the forecasts, for as long as the daemon has any. A daemon without them is no fault.
func (m *mirror) watchForecasts(ctx context.Context, w *mirrorWatcher) {
	pause := time.Second
	for ctx.Err() == nil {
		stream, err := m.api.forecasts.WatchForecasts(ctx, &tandemv1.WatchForecastsRequest{})
		for first := true; err == nil; first = false {
			var r *tandemv1.ListForecastsResponse
			if r, err = stream.Recv(); err == nil {
				pause = time.Second
				w.do(func(m *mirror) { m.takeForecasts(r, first) })
			}
		}
		if status.Code(err) == codes.Unimplemented {
			return
		}
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
		case <-timer.C:
		}
		timer.Stop()
		pause = min(2*pause, 15*time.Second)
	}
}

func (m *mirror) takeForecasts(r *tandemv1.ListForecastsResponse, all bool) {
	forecasts := map[string]*tandemv1.Forecast{}
	if !all {
		maps.Copy(forecasts, m.next.forecasts)
	}
	for _, f := range r.GetForecasts() {
		if f.GetForecast() == nil {
			delete(forecasts, f.GetJob())
		} else {
			forecasts[f.GetJob()] = f.GetForecast()
		}
	}
	m.next.forecasts = forecasts
}

// brief is an error of the daemon in one short line.
func brief(err error) string {
	s := status.Convert(err)
	message := s.Message()
	const dialing = "Error while dialing: "
	if i := strings.LastIndex(message, dialing); i >= 0 {
		message = strings.TrimSuffix(message[i+len(dialing):], `"`)
	}
	switch {
	case s.Code() == codes.DeadlineExceeded:
		return "the daemon gave no answer in time"
	case message == "":
		return strings.ToLower(s.Code().String())
	default:
		return message
	}
}
