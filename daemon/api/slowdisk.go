package api

import (
	"fmt"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// SlowDiskError says that the disk has kept a record waiting for so long that nobody can tell when the daemon answers again.
type SlowDiskError struct {
	Dir string        // the data folder
	For time.Duration // that it has waited so far
}

// Error names the disk and the remedy.
func (e *SlowDiskError) Error() string {
	return fmt.Sprintf("the disk with %s has not stored a record for %s: it hangs, or is far too slow; look into the system's log, and check the disk, its cables and what else writes to it; the daemon goes on by itself as soon as the record is stored",
		e.Dir, e.For.Round(time.Second))
}

// GRPCStatus is UNAVAILABLE with reason LEDGER_SLOW.
func (e *SlowDiskError) GRPCStatus() *status.Status {
	return status.Convert(withInfo(codes.Unavailable, "LEDGER_SLOW", e.Error(), map[string]string{"data_dir": e.Dir}))
}

// canAnswer says why a request that comes now would get no answer.
func (s *Server) canAnswer() error {
	if err := s.leads(); err != nil || s.opt.Hangs == nil {
		return err
	}
	return s.opt.Hangs()
}
