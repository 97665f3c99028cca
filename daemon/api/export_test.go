package api

import (
	"time"

	"tandem/daemon/engine"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// NeedsReview tells what a person must say after a restore.
func NeedsReview(f *floor.Floor) []string { return needsReview(f) }

// SetSendWithin changes how long a watcher may take for one message. It must be called before anybody watches.
func (s *Server) SetSendWithin(d time.Duration) { s.sendWithin = d }

// SetWatchLimits changes how many watches there may be. It must be called before anybody watches.
func (s *Server) SetWatchLimits(ofOne, inAll, stalls int) {
	s.limits.ofOne, s.limits.inAll, s.limits.stalls = ofOne, inAll, stalls
}

// MostWaiting is how many records may wait for a watcher before it has to read them again.
const MostWaiting = mostWaiting

// WaitingWork is what the night's report tells of what waits for a person.
func WaitingWork(st engine.State, devices []string) []*tandemv1.WaitingWork {
	return waitingWork(st, devices)
}
