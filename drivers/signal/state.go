package signal

import "time"

// holds are how long a signal must last before it counts.
type holds struct{ running, idle, fault time.Duration }

func (h holds) of(v value) time.Duration {
	switch v {
	case running:
		return h.running
	case idle:
		return h.idle
	case fault:
		return h.fault
	case unknown, dark:
	}
	return 0 // that nothing is known is known at once
}

// heard is what a source has said last.
type heard struct {
	value value
	at    time.Time
	any   bool // it has said something
	bad   bool // its last message could not be read
}

// state is what all sources together say, once it has lasted long enough.
type state struct {
	sources []source
	heard   []heard
	after   holds
	stale   time.Duration

	shown   value     // what counts
	now     value     // what the sources say
	since   time.Time // for how long
	isStale bool      // some source has said nothing for too long
	unread  bool      // the last message of some source could not be read
}

func newState(sources []source, after holds, stale time.Duration, now time.Time) *state {
	s := &state{sources: sources, heard: make([]heard, len(sources)), after: after, stale: stale, since: now}
	for i := range s.heard {
		s.heard[i].at = now // a sensor that never speaks is stale, too
	}
	return s
}

// hear takes a message.
func (s *state) hear(source int, payload []byte, now time.Time) {
	s.settle(now) // what has lasted until now counts, however late the timer is
	h := &s.heard[source]
	v, ok := s.sources[source].read(payload, h.value)
	h.bad = !ok
	if !ok {
		return // as if it had not come
	}
	h.value, h.at, h.any = v, now, true
}

// silent says whether nothing has come of a source.
func (s *state) silent(source int) bool { return !s.heard[source].any && !s.heard[source].bad }

// settle decides what counts now and returns how long that cannot change by itself; 0: until a message comes.
func (s *state) settle(now time.Time) time.Duration {
	next := time.Duration(0)
	soon := func(d time.Duration) {
		if next == 0 || d < next {
			next = d
		}
	}
	s.isStale, s.unread = false, false
	for i := range s.heard {
		h := &s.heard[i]
		s.unread = s.unread || h.bad
		if s.stale == 0 {
			continue
		}
		left := h.at.Add(s.stale).Sub(now)
		if left <= 0 {
			h.value, s.isStale = unknown, true
		} else {
			soon(left)
		}
	}
	if v := s.together(); v != s.now {
		s.now, s.since = v, now
	}
	if s.now != s.shown {
		left := s.since.Add(s.after.of(s.now)).Sub(now)
		if left <= 0 {
			s.shown = s.now
		} else {
			soon(left)
		}
	}
	return next
}

// together: a fault that any source tells goes first, then what runs, then what is idle or dark. A fault lamp that is dark
// says nothing about whether the machine runs; a running lamp that is dark says idle.
func (s *state) together() value {
	out := unknown
	for i, h := range s.heard {
		v := h.value
		if v == dark {
			if v = idle; s.sources[i].name == "fault-topic" {
				v = unknown
			}
		}
		out = max(out, v)
	}
	return out
}
