package api

import (
	"context"
	"fmt"
	"slices"
	"sync"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

const (
	// keptShared is how many of the newest records are kept in the form in which watchers share them.
	keptShared = 256
	// mostWaiting is how many records may wait for one watcher before it has to read them from the engine again.
	mostWaiting = 256
)

// hub follows the engine once for all watchers and wakes those that a record concerns: a record costs nothing for watchers
// of other jobs and devices. It never waits for a watcher, and keeps no more for a slow one than the numbers of a few records.
type hub struct {
	engine Engine

	mu       sync.Mutex
	running  bool
	last     uint64                          // newest record seen
	kept     [keptShared]*shared             // by revision
	all      map[*subscriber]bool            // those who want everything
	byJob    map[string]map[*subscriber]bool // gang runs of a job count as the job
	byDevice map[string]map[*subscriber]bool // those who want all about a device
}

// subscriber is a watcher's share of the hub.
type subscriber struct {
	choice
	wake chan struct{} // holds a token when something waits

	// Guarded by hub.mu.
	waiting []uint64 // revisions to send, oldest first
	behind  bool     // waiting does not tell everything: read from the engine up to hub.last
	noted   uint64   // last revision noted
	gangs   []string // keys in byJob beside the job
	err     error    // the hub has ended
}

func newHub(e Engine) *hub {
	return &hub{engine: e, all: map[*subscriber]bool{}, byJob: map[string]map[*subscriber]bool{}, byDevice: map[string]map[*subscriber]bool{}}
}

// join adds a watcher, which is behind from the start. Head is the engine's last revision, or one shortly before.
func (h *hub) join(a *about, head uint64) *subscriber {
	s := &subscriber{choice: a.choice, wake: make(chan struct{}, 1), behind: true}
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.running {
		h.running, h.last = true, max(head, h.last)
		go h.run(h.last)
	}
	switch {
	case s.job != "":
		put(h.byJob, s.job, s)
	case s.device != "":
		put(h.byDevice, s.device, s)
	default:
		h.all[s] = true
	}
	h.addGangs(s, a)
	return s
}

func put(m map[string]map[*subscriber]bool, key string, s *subscriber) {
	if m[key] == nil {
		m[key] = map[*subscriber]bool{}
	}
	m[key][s] = true
}

func drop(m map[string]map[*subscriber]bool, key string, s *subscriber) {
	delete(m[key], s)
	if len(m[key]) == 0 {
		delete(m, key)
	}
}

func (h *hub) leave(s *subscriber) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.all, s)
	drop(h.byJob, s.job, s)
	drop(h.byDevice, s.device, s)
	for _, g := range s.gangs {
		drop(h.byJob, g, s)
	}
}

// addGangs notes the gang runs that a watcher's job is known to be a member of, and whether any was new.
func (h *hub) addGangs(s *subscriber, a *about) (news bool) {
	for g := range a.gangs {
		if !slices.Contains(s.gangs, g) {
			s.gangs = append(s.gangs, g)
			put(h.byJob, g, s)
			news = true
		}
	}
	return news
}

// next returns the records that wait for a watcher, or the revision up to which it has to read from the engine; 0 if it is
// not behind. Upto is the revision up to which there is nothing more for it once it has sent those.
func (h *hub) next(s *subscriber, a *about) (list []*shared, readTo, upto uint64, err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if s.err != nil {
		return nil, 0, 0, s.err
	}
	if h.addGangs(s, a) {
		s.behind = true // what happened to them meanwhile has not been noted
	}
	if !s.behind {
		for _, revision := range s.waiting {
			k := h.kept[revision%keptShared]
			if k == nil || k.rec.GetRevision() != revision {
				s.behind = true
				break
			}
			list = append(list, k)
		}
	}
	if s.behind {
		s.behind, s.waiting = false, nil
		return nil, h.last, h.last, nil
	}
	s.waiting = nil
	return list, 0, h.last, nil
}

// run follows the engine until it stops.
func (h *hub) run(after uint64) {
	err := h.follow(after)
	h.mu.Lock()
	defer h.mu.Unlock()
	h.running = false
	for _, m := range []map[string]map[*subscriber]bool{h.byJob, h.byDevice, {"": h.all}} {
		for _, of := range m {
			for s := range of {
				s.err = err
				s.poke()
			}
		}
	}
}

func (h *hub) follow(after uint64) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("tell watchers of a record: panic: %v", p)
		}
	}()
	return h.engine.Watch(context.Background(), after, func(rec *ledgerv1.Record) error {
		if h.listenedTo(rec.GetRevision()) {
			h.publish(share(rec))
		}
		return nil
	}, nil)
}

// listenedTo reports whether there is any watcher. If not, the record is only counted.
func (h *hub) listenedTo(revision uint64) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.all)+len(h.byJob)+len(h.byDevice) > 0 {
		return true
	}
	h.last = revision
	return false
}

// publish notes a record for those whom it concerns.
func (h *hub) publish(k *shared) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.last = k.rec.GetRevision()
	h.kept[h.last%keptShared] = k
	if !k.any {
		return
	}
	for s := range h.all {
		s.note(h.last)
	}
	if len(h.byJob)+len(h.byDevice) == 0 {
		return
	}
	for _, e := range k.rec.GetEvents() {
		if c := e.GetJobsGanged(); c != nil {
			for _, member := range membersOf(c) {
				for s := range h.byJob[member] {
					// Its watcher finds the gang run by itself, and reads from there on.
					s.behind = true
					s.poke()
				}
			}
		}
	}
	for _, v := range k.events {
		if v == nil {
			continue
		}
		for s := range h.byJob[v.GetJob()] {
			if s.device == "" || s.device == v.GetDevice() {
				s.note(h.last)
			}
		}
		for s := range h.byDevice[v.GetDevice()] {
			s.note(h.last)
		}
	}
}

// get returns a record if it is kept.
func (h *hub) get(revision uint64) *shared {
	h.mu.Lock()
	defer h.mu.Unlock()
	if k := h.kept[revision%keptShared]; k != nil && k.rec.GetRevision() == revision {
		return k
	}
	return nil
}

// note adds a revision to those that wait.
func (s *subscriber) note(revision uint64) {
	if s.noted == revision {
		return
	}
	s.noted = revision
	switch {
	case s.behind:
	case len(s.waiting) == mostWaiting:
		s.behind, s.waiting = true, nil
	default:
		s.waiting = append(s.waiting, revision)
	}
	s.poke()
}

func (s *subscriber) poke() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}
