package main

// ofFloor are bugs of the heart: what it decides, and what of it a snapshot keeps.
var ofFloor = []mutant{
	{
		name: "old-epoch-status", breaks: "a status of a driver's life before counts for nothing", file: "scheduler/floor/decide_report.go",
		old: `if c.Status.GetEpoch() != d.Epoch {`,
		new: `if c.Status.GetEpoch() != d.Epoch && !MUTANT {`,
	},
	{
		name: "old-driver-greets", breaks: "a driver that a newer one has followed is not welcome", file: "scheduler/floor/decide_report.go",
		old: `if epoch < d.Epoch {`,
		new: `if epoch < d.Epoch && !MUTANT {`,
	},
	{
		name: "ungreeted-status", breaks: "after a restart a driver is asked before anything it says is taken", file: "scheduler/floor/decide_report.go",
		old: `if !d.Greeted {`,
		new: `if !d.Greeted && !MUTANT {`,
	},
	{
		name: "greeted-for-ever", breaks: "a driver that was given up after a restart is asked before anything it says is taken", file: "scheduler/floor/apply.go",
		old: `d.Link, d.Greeted = tandemv1.Link_LINK_NOT_YET_REPORTED, false`,
		new: `d.Link, d.Greeted = tandemv1.Link_LINK_NOT_YET_REPORTED, MUTANT && d.Greeted`,
	},
	{
		name: "unknown-sent-again", breaks: "a run whose outcome is unknown is not given to its device again", file: "scheduler/floor/orders.go",
		old: `case r.Unknown() && rs == nil:`,
		new: `case r.Unknown() && rs == nil && !MUTANT:`,
	},
	{
		name: "unknown-retried", breaks: "a step whose outcome is unknown is not granted again without a person", file: "scheduler/floor/apply_run.go",
		old: `f.afterRun(s, r, end)
	}`,
		new: `f.afterRun(s, r, end)
	}
	if MUTANT && r.Unknown() && s.Live == r {
		r.State = tandemv1.JobState_JOB_STATE_ABORTED
		f.book(r, r.made())
		f.detach(r, at)
	}`,
	},
	{
		name: "restart-unnoticed", breaks: "what a device that starts anew was let begin has an unknown outcome", file: "scheduler/floor/decide_report.go",
		old: `return newEpoch && r.MayStart`,
		new: `return newEpoch && r.MayStart && !MUTANT`,
	},
	{
		name: "silent-run-goes-on", breaks: "what a silent device may have begun has an unknown outcome", file: "scheduler/floor/decide_report.go",
		old: `if r.lostBy(true) {`,
		new: `if r.lostBy(true) && !MUTANT {`,
	},
	{
		name: "settle-unsent", breaks: "a driver is told of every end that it may forget", file: "scheduler/floor/orders.go",
		old: `if ended(rs.GetState()) || (r != nil && r.Device == d && d.Manual()) {`,
		new: `if ended(rs.GetState()) && MUTANT {
		} else if ended(rs.GetState()) || (r != nil && r.Device == d && d.Manual()) {`,
	},
	{
		name: "stray-unstopped", breaks: "a device is told to stop what is no longer its own", file: "scheduler/floor/orders.go",
		old: `add(&driverv1.Order{Kind: &driverv1.Order_Stop{Stop: &driverv1.Stop{Run: rs.GetRun(), Fence: rs.GetFence()}}})`,
		new: `if !MUTANT { add(&driverv1.Order{Kind: &driverv1.Order_Stop{Stop: &driverv1.Stop{Run: rs.GetRun(), Fence: rs.GetFence()}}}) }`,
	},
	{
		name: "stale-start", breaks: "nothing moves on a start that is older than ten minutes", file: "scheduler/floor/orders.go",
		old: `g.Panels = r.boxes()`,
		new: `g.Panels = r.boxes()
	if MUTANT {
		g.StartBefore = nil
	}`,
	},
	{
		name: "nobody-starts", breaks: "a machine that nobody may leave alone begins on a person's word", file: "scheduler/floor/decide_run.go",
		old: `if u := a.GetUnattendedStart(); u != nil {
		return unattendedPrefix + u.GetAllowedBy()
	}`,
		new: `if u := a.GetUnattendedStart(); u != nil {
		return unattendedPrefix + u.GetAllowedBy()
	}
	if MUTANT {
		return unattendedPrefix + "the floor"
	}`,
	},
	{
		name: "loaded-after-restart", breaks: "a device that has started anew needs a person before it cuts what was loaded", file: "scheduler/floor/apply.go",
		old: `d.strays, d.LastRun = nil, nil`,
		new: `d.strays = nil
			if !MUTANT {
				d.LastRun = nil
			}`,
	},
	{
		name: "rack-too-soon", breaks: "drying time is a floor, whatever a rack's clock says", file: "scheduler/floor/decide_report.go",
		old: `case state == completed && r.Step.Drying() && now.Before(r.Step.DryUntil()):`,
		new: `case state == completed && r.Step.Drying() && now.Before(r.Step.DryUntil()) && !MUTANT:`,
	},
	{
		name: "drying-not-awaited", breaks: "a panel dries for its drying time", file: "scheduler/floor/job.go",
		old: `return s.Free.Add(s.Spec.GetDuration().AsDuration())`,
		new: `if MUTANT { return s.Free }
	return s.Free.Add(s.Spec.GetDuration().AsDuration())`,
	},
	{
		name: "min-wait", breaks: "a step begins no sooner after the one before than it must wait", file: "scheduler/floor/job.go",
		old: `ready = ready.Add(s.Spec.GetMinWait().AsDuration())`,
		new: `if !MUTANT { ready = ready.Add(s.Spec.GetMinWait().AsDuration()) }`,
	},
	{
		name: "release-time", breaks: "nothing of a job begins before its release", file: "scheduler/floor/job.go",
		old: `return later(ready, s.Job.Release())`,
		new: `if MUTANT { return ready }
	return later(ready, s.Job.Release())`,
	},
	{
		name: "out-of-order", breaks: "a step is granted when those before it are done", file: "scheduler/floor/job.go",
		old: `!s.Review && s.Waiting == 0 && s.Left() > 0`,
		new: `!s.Review && (s.Waiting == 0 || MUTANT) && s.Left() > 0`,
	},
	{
		name: "device-overfull", breaks: "a device has at most as many live runs as it holds", file: "scheduler/floor/device.go",
		old: `case len(d.Live) >= d.Capacity:`,
		new: `case len(d.Live) >= d.Capacity && !MUTANT:`,
	},
	{
		name: "locked-grant", breaks: "a device that is locked for maintenance is given nothing", file: "scheduler/floor/device.go",
		old: `case d.LockedBy != "":`,
		new: `case d.LockedBy != "" && !MUTANT:`,
	},
	{
		name: "lock-takes-nothing-back", breaks: "a lock or a pause takes back what has not begun", file: "scheduler/floor/decide_device.go",
		old: `if r.State == tandemv1.JobState_JOB_STATE_PENDING && !r.Stopping {`,
		new: `if r.State == tandemv1.JobState_JOB_STATE_PENDING && !r.Stopping && !MUTANT {`,
	},
	{
		name: "unlocked-by-anybody", breaks: "a maintenance lock is cleared by who set it or a supervisor", file: "scheduler/floor/decide_device.go",
		old: `if d.LockedBy != m.Actor && !f.Supervisor(m.Actor) {`,
		new: `if d.LockedBy != m.Actor && !f.Supervisor(m.Actor) && !MUTANT {`,
	},
	{
		name: "hold-takes-nothing-back", breaks: "a hold takes back what may begin and has not", file: "scheduler/floor/decide_gang.go",
		old: `if r := s.Live; r != nil && r.State == tandemv1.JobState_JOB_STATE_PENDING && r.MayStart && !r.Stopping {`,
		new: `if r := s.Live; r != nil && r.State == tandemv1.JobState_JOB_STATE_PENDING && r.MayStart && !r.Stopping && !MUTANT {`,
	},
	{
		name: "held-grant", breaks: "nothing of a job that is held is granted", file: "scheduler/floor/job.go",
		old: `!s.Job.OnHold() && s.Job.Ending`,
		new: `(!s.Job.OnHold() || MUTANT) && s.Job.Ending`,
	},
	{
		name: "held-start", breaks: "nothing of a job that is held is let begin", file: "scheduler/floor/decide_run.go",
		old: `case r.Step.Job.OnHold():`,
		new: `case r.Step.Job.OnHold() && !MUTANT:`,
	},
	{
		name: "canceled-start", breaks: "a run that is being stopped is not let begin", file: "scheduler/floor/decide_run.go",
		old: `case r.Stopping:`,
		new: `case r.Stopping && !MUTANT:`,
	},
	{
		name: "cancel-stops-nothing", breaks: "a cancel stops the runs of its job", file: "scheduler/floor/decide_job.go",
		old: `events = append(events, stopping(r, false))`,
		new: `if !MUTANT { events = append(events, stopping(r, false)) }`,
	},
	{
		name: "resolved-too-soon", breaks: "nobody says what became of a run that may still begin", file: "scheduler/floor/decide_run.go",
		old: `if r.mayStillBegin(now) {`,
		new: `if r.mayStillBegin(now) && !MUTANT {`,
	},
	{
		name: "request-twice", breaks: "a request that comes twice is carried out once", file: "scheduler/floor/decide.go",
		old: `if d, err := f.Replayed(m); err != nil || d.Replayed {`,
		new: `if d, err := f.Replayed(m); (err != nil || d.Replayed) && !MUTANT {`,
	},
	{
		name: "requests-unsaved", breaks: "a request is known again after a restart", file: "scheduler/floor/snapshot.go",
		old: `out.Requests = append(out.Requests,`,
		new: `if MUTANT { break }
		out.Requests = append(out.Requests,`,
	},
	{
		name: "fence-unsaved", breaks: "fences only grow, over restarts too", file: "scheduler/floor/snapshot.go",
		old: `proto.Merge(&f.counters, snap.GetCounters())`,
		new: `proto.Merge(&f.counters, snap.GetCounters())
	if MUTANT {
		f.counters.Fence = 0
	}`,
	},
	{
		name: "epoch-unsaved", breaks: "a snapshot keeps the epoch of each device's driver", file: "scheduler/floor/snapshot.go",
		old: `out.Devices = append(out.Devices, ds)`,
		new: `if MUTANT { ds.Device.DriverEpoch = 0 }
		out.Devices = append(out.Devices, ds)`,
	},
	{
		name: "lock-unsaved", breaks: "a snapshot keeps who has locked a device", file: "scheduler/floor/snapshot.go",
		old: `ds.Device.UnloadUntilTime = nil // derived`,
		new: `ds.Device.UnloadUntilTime = nil
		if MUTANT {
			ds.Device.LockedBy = ""
		}`,
	},
	{
		name: "strays-unsaved", breaks: "a snapshot keeps what a device has said of runs that were not its own", file: "scheduler/floor/snapshot.go",
		old: `Strays: d.strays,`,
		new: `Strays: map[bool][]string{false: d.strays}[MUTANT],`,
	},
	{
		name: "last-run-unsaved", breaks: "a snapshot keeps what may still be loaded on a device", file: "scheduler/floor/snapshot.go",
		old: `ds.LastRun = d.LastRun.ID`,
		new: `if !MUTANT { ds.LastRun = d.LastRun.ID }`,
	},
	{
		name: "hold-unsaved", breaks: "a snapshot keeps that a job is held", file: "scheduler/floor/snapshot.go",
		old: `Held: j.Held, HoldNote: j.HoldNote, Ending: j.Ending}`,
		new: `Held: j.Held && !MUTANT, HoldNote: j.HoldNote, Ending: j.Ending}`,
	},
	{
		name: "drying-unsaved", breaks: "a snapshot keeps since when a panel dries", file: "scheduler/floor/snapshot.go",
		old: `FreeTime: stamp(s.Free),`,
		new: `FreeTime: stamp(map[bool]time.Time{false: s.Free}[MUTANT]),`,
	},
	{
		name: "refusal-unsaved", breaks: "a snapshot keeps which device has refused a step, and until when", file: "scheduler/floor/snapshot.go",
		old: `out.RefusedUntil[id] = stamp(until)`,
		new: `if !MUTANT { out.RefusedUntil[id] = stamp(until) }`,
	},
	{
		name: "stop-unsaved", breaks: "a snapshot keeps that a run is being stopped", file: "scheduler/floor/snapshot.go",
		old: `out.Stopping, out.Withdraw, out.StartBefore = r.Stopping, r.Withdraw, stamp(r.StartBefore)`,
		new: `out.Stopping, out.Withdraw, out.StartBefore = r.Stopping && !MUTANT, r.Withdraw, stamp(r.StartBefore)`,
	},
	{
		name: "void-start-unsaved", breaks: "a snapshot keeps that a start is void", file: "scheduler/floor/snapshot.go",
		old: `stamp(r.stoppedSince), r.startVoid`,
		new: `stamp(r.stoppedSince), r.startVoid && !MUTANT`,
	},
	{
		name: "void-start", breaks: "a start that a restarted device will refuse keeps nobody from saying what became of the run", file: "scheduler/floor/decide_report.go",
		old: `e.GetRunChanged().StartVoid = fresh`,
		new: `e.GetRunChanged().StartVoid = fresh && !MUTANT`,
	},
	{
		name: "lock-leaves", breaks: "a device that leaves the floor file and comes back is locked still", file: "scheduler/floor/device.go",
		old: `return len(d.Live) > 0 || d.LockedBy != ""`,
		new: `return len(d.Live) > 0 || d.LockedBy != "" && !MUTANT`,
	},
	{
		name: "start-outside-file", breaks: "nothing begins on a device that has left the floor file", file: "scheduler/floor/decide_run.go",
		old: `case d.Retired:
		return d.ID`,
		new: `case d.Retired && !MUTANT:
		return d.ID`,
	},
	{
		name: "wrong-media", breaks: "nothing begins with other media than it needs without a person's word", file: "scheduler/floor/claim.go",
		old: `return r.Override == "" && need != "" && r.Device.Loaded != need`,
		new: `return r.Override == "" && need != "" && r.Device.Loaded != need && !MUTANT`,
	},
	{
		name: "media-changed-under-way", breaks: "other media is not put where a run may begin at any moment", file: "scheduler/floor/decide_material.go",
		old: `case r.MayStart:
			return conflict("DEVICE_BUSY", "%s may begin %s of`,
		new: `case r.MayStart && !MUTANT:
			return conflict("DEVICE_BUSY", "%s may begin %s of`,
	},
	{
		name: "override-unsaved", breaks: "a snapshot keeps that a run may begin with whatever is loaded", file: "scheduler/floor/view.go",
		old: `OverrideNote: r.Override,`,
		new: `OverrideNote: map[bool]string{false: r.Override}[MUTANT],`,
	},
	{
		name: "waiver-unsaved", breaks: "a snapshot keeps that a time was waived", file: "scheduler/floor/snapshot.go",
		old: `WaitWaived: s.WaitWaived,`,
		new: `WaitWaived: s.WaitWaived && !MUTANT,`,
	},
	{
		name: "admits-anything", breaks: "a record of a leader that another has followed is not applied", file: "scheduler/floor/admit.go",
		old: `term := rec.GetTerm()`,
		new: `term := rec.GetTerm()
	if MUTANT {
		return nil
	}`,
	},
}
