package engine

import "tandem/scheduler/floor"

// readOnly returns why nothing new is taken; nil if it is.
func (e *Engine) readOnly() error {
	if e.opt.ReadOnly == nil {
		return nil
	}
	return e.opt.ReadOnly()
}

// admit says whether what a command would cause may be stored now. A request that was answered before, or that changes
// nothing, takes no space.
func (e *Engine) admit(c floor.Command, d floor.Decision) error {
	if len(d.Events) == 0 || aboutRunningWork(c) {
		return nil
	}
	return e.readOnly()
}

// aboutRunningWork says whether a command tells of, or ends, work that has been given to devices, or keeps people safe: it
// is taken as long as there is any space at all.
func aboutRunningWork(c floor.Command) bool {
	switch c := c.(type) {
	case floor.Answered:
		return aboutRunningWork(c.Command)
	case floor.Greet, floor.Report, floor.LoseDevice, floor.RefuseRun, floor.StopRefused, // drivers
		floor.StartRun, floor.FinishRun, floor.ResolveRun, floor.SpoilPieces, floor.WithdrawSpoiled, floor.MovePanel, // people at devices
		floor.CancelJob, floor.HoldJob, floor.PauseDevice, floor.LockDevice, floor.UnlockDevice: // what stops machines, and who may reach into them
		return true
	}
	return false
}
