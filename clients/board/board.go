// Package board serves the floor as web pages to the shop's browsers and wall screens: what every device does, what people
// can do next, where each panel lies, scanning, jobs, the plan and comparisons of floors.
//
// It is a client like any other. One watch of the daemon feeds all browsers, however many there are; each gets the rows that
// have changed, at most four times a second, at its own pace. Browsers change nothing but by scanning, and what a scan means
// the daemon decides.
//
// Who may scan: whoever can open the board's address in a browser, for the board asks nobody for a name. It speaks to the
// daemon with its own credentials, as one station does, so it can do what that station may and no more; people are told apart
// by their badges, as at any station. Listen on the network only where everybody who reaches it may scan, or with
// Config.ReadOnly for screens that only show. Requests that change something are refused when they come from another site's
// page, and every request that names a computer the board does not know by name.
//
// It decides nothing about work, keeps nothing on disk and asks nothing of the internet.
package board

import (
	"context"
	"errors"
	"net"
	"net/http"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"

	"tandem/clients/dial"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// mostStreams bounds the browsers that watch at the same time.
	mostStreams = 400
	// mostTopics bounds the job pages that are kept up at the same time.
	mostTopics = 100
)

// Config says how a board is served.
type Config struct {
	// Conn leads to the daemon, with the board's own credentials.
	Conn grpc.ClientConnInterface
	// Zone in which times are shown where the floor file names none. Nil: UTC.
	Zone *time.Location
	// Now is this computer's clock. Nil: time.Now.
	Now func() time.Time
	// Names under which browsers may open the board, beside addresses and localhost.
	Names []string
	// Stations whose scans are taken; none: any.
	Stations []string
	// ReadOnly takes no scans and plays no comparisons.
	ReadOnly bool
}

// Board is the web server's content. Run keeps it up to date.
type Board struct {
	Config
	api    api
	now    func() time.Time
	mirror *mirror
	pages  *pages
	epoch  string

	floor, wall *topic
	stop        chan struct{} // closed when Run ends: streams end, too

	mu      sync.Mutex
	topics  map[string]*jobTopic
	streams int

	compared comparisons
}

// New makes a board.
func New(c Config) (*Board, error) {
	if c.Zone == nil {
		c.Zone = time.UTC
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	for _, s := range c.Stations {
		if !tandemv1.ValidID(s) {
			return nil, errors.New("station " + s + ": " + tandemv1.IDRule)
		}
	}
	p, err := loadPages()
	if err != nil {
		return nil, err
	}
	b := &Board{
		Config: c, api: apiOf(c.Conn), now: c.Now, pages: p,
		epoch: dial.NewKey()[:8], stop: make(chan struct{}), topics: map[string]*jobTopic{},
	}
	b.mirror = newMirror(b.api, c.Now, c.Zone)
	b.floor, b.wall = newTopic(b.epoch, b.floorLists), newTopic(b.epoch, b.wallLists)
	return b, nil
}

// Run follows the daemon until the context ends, whose error it returns, or until the daemon refuses the board for good.
func (b *Board) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer close(b.stop)
	var kept sync.WaitGroup
	kept.Go(func() { b.keepUp(ctx) })
	defer kept.Wait()
	defer cancel()
	return b.mirror.run(ctx)
}

// keepUp works the pages out anew when something has changed, and every second since time itself changes what they say.
func (b *Board) keepUp(ctx context.Context) {
	second := time.NewTicker(time.Second)
	defer second.Stop()
	for {
		_, changed := b.mirror.snapshot()
		b.updateTopics()
		pause := time.NewTimer(gather)
		select {
		case <-ctx.Done():
			return
		case <-pause.C:
		}
		select {
		case <-ctx.Done():
			return
		case <-changed:
		case <-second.C:
		}
	}
}

func (b *Board) updateTopics() {
	now := b.now()
	any := false
	for _, t := range []*topic{b.floor, b.wall} {
		if t.watched(now) {
			any = true
			t.update()
		}
	}
	b.mu.Lock()
	var jobs []*jobTopic
	for id, t := range b.topics {
		if t.watched(now) {
			jobs = append(jobs, t)
		} else {
			delete(b.topics, id)
		}
	}
	b.mu.Unlock()
	for _, t := range jobs {
		t.update()
	}
	b.mirror.wanted.Store(any || len(jobs) > 0)
}

// jobTopic is the page of a job that browsers watch.
type jobTopic struct {
	*topic
	page *jobPage
}

// jobTopic returns the page of one job; nil if too many are open.
func (b *Board) jobTopic(id string) *jobTopic {
	b.mu.Lock()
	defer b.mu.Unlock()
	if t := b.topics[id]; t != nil {
		return t
	}
	if len(b.topics) >= mostTopics {
		return nil
	}
	p := &jobPage{board: b, id: id}
	t := &jobTopic{newTopic(b.epoch, p.lists), p}
	t.usedAt = b.now()
	b.topics[id] = t
	return t
}

// Handler serves the pages.
func (b *Board) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", b.serveFloor)
	mux.HandleFunc("GET /wall", b.serveWall)
	mux.HandleFunc("GET /live/{page}", b.serveLive)
	mux.HandleFunc("GET /live/jobs/{id}", b.serveJobLive)
	mux.HandleFunc("GET /where", b.serveWhere)
	mux.HandleFunc("GET /devices", b.serveDevices)
	mux.HandleFunc("GET /waits", b.serveWaits)
	mux.HandleFunc("GET /jobs", b.serveJobs)
	mux.HandleFunc("GET /jobs/{id}", b.serveJob)
	mux.HandleFunc("GET /scan", b.serveScan)
	mux.HandleFunc("GET /scan/clock", b.serveScanClock)
	mux.HandleFunc("POST /scan", b.takeScan)
	mux.HandleFunc("GET /plan", b.servePlan)
	mux.HandleFunc("GET /plan.svg", b.servePlanPicture)
	mux.HandleFunc("GET /compare", b.serveCompare)
	mux.HandleFunc("POST /compare", b.runCompare)
	mux.HandleFunc("GET /compare/{id}", b.serveComparison)
	mux.HandleFunc("GET /compare/{id}/days.svg", b.serveComparisonPicture)
	mux.HandleFunc("GET /assets/{hash}/{name}", b.pages.serveAsset)
	mux.HandleFunc("GET /favicon.ico", func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNoContent) })
	return guard(b.Names, mux)
}

// Serve serves the board on a listener until the context ends.
func (b *Board) Serve(ctx context.Context, l net.Listener) error {
	server := &http.Server{
		Handler:           b.Handler(),
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       15 * time.Second,
		WriteTimeout:      90 * time.Second, // streams set their own
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	failed := make(chan error, 2)
	go func() { failed <- server.Serve(l) }()
	go func() { failed <- b.Run(ctx) }()
	err := <-failed // the context's own, if it was ended
	cancel()
	closing, done := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
	defer done()
	if server.Shutdown(closing) != nil {
		_ = server.Close()
	}
	if other := <-failed; err == nil {
		err = other
	}
	return err
}

// enter counts one more stream, if there is room.
func (b *Board) enter() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.streams >= mostStreams {
		return false
	}
	b.streams++
	return true
}

func (b *Board) leave() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.streams--
}

func (b *Board) serveLive(w http.ResponseWriter, r *http.Request) {
	switch r.PathValue("page") {
	case "floor":
		b.stream(w, r, b.floor)
	case "wall":
		b.stream(w, r, b.wall)
	default:
		b.pages.missing(w, "There is no such page.")
	}
}

func (b *Board) serveJobLive(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	if !tandemv1.ValidID(id) {
		b.pages.missing(w, "That is no job: "+tandemv1.IDRule+".")
		return
	}
	if t := b.jobTopic(id); t != nil {
		b.stream(w, r, t.topic)
		return
	}
	b.busy(w)
}

func (b *Board) stream(w http.ResponseWriter, r *http.Request, t *topic) {
	if !b.enter() {
		b.busy(w)
		return
	}
	defer b.leave()
	t.serve(w, r, b.stop, b.now)
}

func (b *Board) busy(w http.ResponseWriter) {
	w.Header().Set("Retry-After", "30")
	http.Error(w, "too many browsers watch at the moment; this one tries again by itself", http.StatusServiceUnavailable)
}

func (b *Board) serveFloor(w http.ResponseWriter, _ *http.Request) {
	lists, position := b.floor.page(b.now())
	b.pages.serve(w, "floor", b.view("Floor", "floor", map[string]any{"Lists": lists}).live("/live/floor", position))
}

func (b *Board) serveWall(w http.ResponseWriter, _ *http.Request) {
	lists, position := b.wall.page(b.now())
	b.pages.serve(w, "wall", b.view("Wall", "wall", map[string]any{"Lists": lists}).live("/live/wall", position))
}

// takes reports whether scans of a station are taken.
func (b *Board) takes(station string) bool {
	return !b.ReadOnly && (len(b.Stations) == 0 || slices.Contains(b.Stations, station))
}
