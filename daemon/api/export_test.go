package api

import "time"

// SetSendWithin changes how long a watcher may take for one message. It must be called before anybody watches.
func (s *Server) SetSendWithin(d time.Duration) { s.sendWithin = d }
