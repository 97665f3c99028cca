package floor

import (
	"fmt"
	"slices"
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// A ledger may be older than its floor: it was restored from a backup, and what was granted and done since is not in it. Nothing
// that may have been done is done again without a person's word. Three things see to that: fences go on beyond any that may have
// been given, so that a device that reports one of the gap is known to have done work that is not recorded; such work is listed,
// and never counted; and steps that may have been done wait until somebody has looked.

// FenceStep is how far fences jump when a ledger is restored and the time is of no help: more than a shop grants between two backups. A fence that lies
// further ahead than this was never given by anybody.
const FenceStep = 1 << 20

// TermStep is how far terms jump then: more often than this no daemon starts between two backups, and drivers take no orders of a
// term that is older than one they have heard of.
const TermStep = 1 << 20

const (
	// mostGaps bounds the ranges of fences that are remembered; beyond it the oldest is forgotten.
	mostGaps = 64
	// mostUnrecorded bounds the list of unrecorded work, so that a hostile driver cannot fill the ledger.
	mostUnrecorded = 256
)

// fenceGap is a range of fences that this ledger does not give.
type fenceGap struct{ after, through uint64 }

// Unrecorded is work that a device has reported and the ledger does not have.
type Unrecorded struct {
	Device  string
	Run     string
	Fence   uint64
	State   tandemv1.JobState
	Good    int32 // as the device claims
	Spoiled int32
	Job     string // as the device was told; empty: it does not say
	Step    string
	First   time.Time // when it was first reported
	Noted   bool      // a person has taken note
}

// Ended says whether the device is done with it.
func (u *Unrecorded) Ended() bool { return ended(u.State) }

// begun says whether something may have moved.
func (u *Unrecorded) begun() bool {
	return u.State != tandemv1.JobState_JOB_STATE_PENDING || u.Good > 0 || u.Spoiled > 0
}

// atWork says whether its device goes on with it: of what stands still, and of what nobody knows any more, a person may say what it is.
func (u *Unrecorded) atWork() bool {
	return !u.Ended() && u.begun() && u.State != tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
}

// String tells a person what the device says.
func (u *Unrecorded) String() string {
	what := "of a step it does not name"
	if u.Step != "" {
		what = fmt.Sprintf("of %s/%s", u.Job, u.Step)
	}
	return fmt.Sprintf("unrecorded work on %s: run %s %s is %s, %d pieces good, %d spoiled", u.Device, u.Run, what, Keyword(u.State), u.Good, u.Spoiled)
}

// Unrecorded returns the work that devices have reported, the ledger does not have, and nobody has taken note of; oldest first.
func (f *Floor) Unrecorded() []*Unrecorded {
	var out []*Unrecorded
	for _, u := range f.unrecorded {
		if !u.Noted {
			out = append(out, u)
		}
	}
	return out
}

// ToReview returns the open steps that may have been done without a record, in the order of intake.
func (f *Floor) ToReview() []*Step {
	var out []*Step
	for _, j := range f.Jobs {
		if !j.End.IsZero() {
			continue
		}
		for _, s := range j.Steps {
			if s.waitsForReview() {
				out = append(out, s)
			}
		}
	}
	return out
}

// waitsForReview says whether a person's word on the step is called for. While a run has it, that is first of all on the run; while a gang
// run does its work, on the gang run's step.
func (s *Step) waitsForReview() bool {
	return s.Review && s.Open() && s.Live == nil && s.Carrier == nil
}

// RestoredFrom returns when the backup was made that the ledger comes from; the zero time if it comes from none.
func (f *Floor) RestoredFrom() time.Time { return f.restoredFrom }

// foreign says whether a fence was given by a ledger that knew more than this one.
func (f *Floor) foreign(fence uint64) bool {
	last := f.counters.GetFence()
	if fence > last && fence-last <= FenceStep {
		return true
	}
	return slices.ContainsFunc(f.gaps, func(g fenceGap) bool { return fence > g.after && fence <= g.through })
}

// skipFences lets the next fence be the one after through.
func (f *Floor) skipFences(through uint64) {
	after := f.counters.GetFence()
	if through <= after {
		return
	}
	f.counters.Fence = through
	if n := len(f.gaps); n > 0 && f.gaps[n-1].through == after {
		f.gaps[n-1].through = through
		return
	}
	f.gaps = append(f.gaps, fenceGap{after, through})
	f.gaps = f.gaps[max(0, len(f.gaps)-mostGaps):]
}

// unrecordedRun returns what is known of an unrecorded run, or nil.
func (f *Floor) unrecordedRun(device, run string) *Unrecorded {
	for _, u := range f.unrecorded {
		if u.Device == device && u.Run == run {
			return u
		}
	}
	return nil
}

// atUnrecorded returns the unrecorded work that a device is still at, or nil.
func (d *Device) atUnrecorded() *Unrecorded {
	for _, u := range d.unrecorded {
		if !u.Ended() && u.begun() && !u.Noted {
			return u
		}
	}
	return nil
}

// applyLedgerRestored makes everything wait that may have been done since the backup was made. Drying steps do not: ink dries
// wherever the panel lies, and nothing moves.
func (f *Floor) applyLedgerRestored(e *ledgerv1.LedgerRestored) {
	f.skipFences(e.GetFence())
	f.restoredFrom = moment(e.GetMadeTime())
	for _, d := range f.Devices {
		d.LastRun = nil // something else may have been loaded since
	}
	for _, j := range f.Jobs {
		if e.GetNothingDone() || !j.End.IsZero() {
			continue
		}
		for _, s := range j.Steps {
			s.setReview()
		}
		f.touchJob(j)
	}
	f.changes = Changes{All: true}
}

// setReview lets a step wait for a person's word, if it could be given to a device: now, or once the run has ended that has it, for
// what that leaves undone may have been done by another, or once the gang run is given up that was to do it, as it may have been before.
func (s *Step) setReview() {
	if s.Open() && !s.Drying() {
		s.Review = true
	}
}

// applyWorkUnrecorded lists what a device reports. Whatever it may have been waits: the step it names and all that had to be
// done before, or if it names none, every step that the device could have done.
func (f *Floor) applyWorkUnrecorded(e *ledgerv1.WorkUnrecorded, at time.Time) {
	d := f.mustDevice(e.GetDevice())
	f.skipFences(e.GetFence())
	u := f.unrecordedRun(d.ID, e.GetRun())
	if u == nil {
		u = &Unrecorded{Device: d.ID, Run: e.GetRun(), Fence: e.GetFence(), Job: e.GetJob(), Step: e.GetStep(), First: at}
		f.keepUnrecorded(u)
		f.reviewWhatMayBe(u, f.Jobs...)
	}
	u.State, u.Good, u.Spoiled = e.GetState(), e.GetPiecesGood(), e.GetPiecesSpoiled()
	d.Revision = f.Revision
	f.touchDevice(d)
}

// keepUnrecorded lists unrecorded work; the oldest that somebody has taken note of makes room.
func (f *Floor) keepUnrecorded(u *Unrecorded) {
	if len(f.unrecorded) >= mostUnrecorded {
		if i := slices.IndexFunc(f.unrecorded, func(o *Unrecorded) bool { return o.Noted }); i >= 0 {
			f.unrecorded = slices.Delete(f.unrecorded, i, i+1)
		}
	}
	f.unrecorded = append(f.unrecorded, u)
	f.shareOutUnrecorded()
}

// shareOutUnrecorded lets every device know its own.
func (f *Floor) shareOutUnrecorded() {
	for _, d := range f.byDevice {
		d.unrecorded = nil
	}
	for _, u := range f.unrecorded {
		if d := f.byDevice[u.Device]; d != nil {
			d.unrecorded = append(d.unrecorded, u)
		}
	}
}

// mayBe says whether unrecorded work may have been a step: the one that its device names, or if it names none, any that the device can do. A
// job that is not in the ledger may have been a gang run: then it is any of those of the jobs that can share panels.
func (f *Floor) mayBe(u *Unrecorded, s *Step) bool {
	switch {
	case f.byJob[u.Job] != nil:
		return u.Job == s.Job.ID && u.Step == s.ID()
	case u.Job != "" && !s.Job.hasItems():
		return false
	}
	d := f.byDevice[u.Device]
	if d == nil {
		return false
	}
	fits, _ := d.Fits(s.Spec)
	return fits
}

// reviewWhatMayBe lets the steps of jobs wait that unrecorded work may have been.
func (f *Floor) reviewWhatMayBe(u *Unrecorded, jobs ...*Job) {
	for _, j := range jobs {
		if !j.End.IsZero() {
			continue
		}
		for _, s := range j.Steps {
			if f.mayBe(u, s) {
				f.reviewWithBefore(s)
			}
		}
	}
}

// reviewHandedInAgain lets the steps of a new job wait that a device has told of before, or may have: a job that was handed in after the
// backup was made is not in it, and whoever hands it in again need not know what has been done of it.
func (f *Floor) reviewHandedInAgain(j *Job) {
	for _, u := range f.unrecorded {
		if !u.Noted {
			f.reviewWhatMayBe(u, j)
		}
	}
}

// reviewWithBefore lets a step wait, and the ones that had to be done before it; with a gang run's step those whose work it does, and the
// other way round, for the one is done by the other.
func (f *Floor) reviewWithBefore(s *Step) {
	seen := map[*Step]bool{}
	var visit func(*Step)
	visit = func(s *Step) {
		if seen[s] {
			return
		}
		seen[s] = true
		if s.Carrier != nil {
			visit(s.Carrier)
		}
		for _, m := range s.carries {
			visit(m)
		}
		s.setReview()
		f.touchJob(s.Job)
		for _, b := range s.Before {
			visit(b)
		}
	}
	visit(s)
}

// applyWorkReviewed ends the wait.
func (f *Floor) applyWorkReviewed(e *ledgerv1.WorkReviewed) {
	if e.GetRun() != "" {
		for _, u := range f.unrecorded {
			u.Noted = u.Noted || u.Run == e.GetRun()
		}
		return
	}
	j := f.mustJob(e.GetJob())
	for _, s := range j.Steps {
		if e.GetStep() == "" || s.ID() == e.GetStep() {
			s.Review = false
			for _, u := range f.unrecordedOf(s) {
				u.Noted = true
			}
		}
	}
	f.touchJob(j)
}

// unrecordedOf returns the unrecorded work that was this step, as its devices say, and that nobody has taken note of.
func (f *Floor) unrecordedOf(s *Step) []*Unrecorded {
	var out []*Unrecorded
	for _, u := range f.unrecorded {
		if !u.Noted && u.Job == s.Job.ID && u.Step == s.ID() {
			out = append(out, u)
		}
	}
	return out
}

func (f *Floor) snapshotReview(out *ledgerv1.Snapshot) {
	out.BackupTime = stamp(f.restoredFrom)
	for _, g := range f.gaps {
		out.FenceGaps = append(out.FenceGaps, &ledgerv1.FenceGap{After: g.after, Through: g.through})
	}
	for _, u := range f.unrecorded {
		out.Unrecorded = append(out.Unrecorded, &ledgerv1.UnrecordedSnapshot{
			Work: &ledgerv1.WorkUnrecorded{
				Device: u.Device, Run: u.Run, Fence: u.Fence, State: u.State, PiecesGood: u.Good, PiecesSpoiled: u.Spoiled, Job: u.Job, Step: u.Step,
			},
			FirstTime: stamp(u.First), Noted: u.Noted,
		})
	}
}

func (f *Floor) restoreReview(snap *ledgerv1.Snapshot) {
	f.restoredFrom = moment(snap.GetBackupTime())
	for _, g := range snap.GetFenceGaps() {
		f.gaps = append(f.gaps, fenceGap{g.GetAfter(), g.GetThrough()})
	}
	for _, us := range snap.GetUnrecorded() {
		w := us.GetWork()
		f.unrecorded = append(f.unrecorded, &Unrecorded{
			Device: w.GetDevice(), Run: w.GetRun(), Fence: w.GetFence(), State: w.GetState(), Good: w.GetPiecesGood(), Spoiled: w.GetPiecesSpoiled(),
			Job: w.GetJob(), Step: w.GetStep(), First: moment(us.GetFirstTime()), Noted: us.GetNoted(),
		})
	}
	f.shareOutUnrecorded()
}

// cloneReview copies what is to be reviewed.
func (c *cloning) cloneReview(f *Floor) {
	c.restoredFrom, c.gaps = f.restoredFrom, slices.Clone(f.gaps)
	for _, u := range f.unrecorded {
		n := *u
		c.unrecorded = append(c.unrecorded, &n)
	}
	c.shareOutUnrecorded()
}

// reviewSummary says why a step waits for a person's word.
func (s *Step) reviewSummary() string {
	what, apart := s.ID()+" may have been done already", ""
	if s.Job.IsGang() {
		what += ", together or for one of " + memberNames(s.Job.Members) + " alone"
		if !s.Job.gangBegun() {
			apart = fmt.Sprintf("; if it was for one alone, cancel %s first and say so of each job", s.Job.ID)
		}
	}
	return what + ": the ledger comes from a backup, and nobody has said yet what was done since; look, and say so with `tandem review`" + apart
}

// sameWork says whether a device's word adds nothing to what is recorded: progress alone is telemetry.
func (u *Unrecorded) sameWork(e *ledgerv1.WorkUnrecorded) bool {
	if u.State != e.GetState() {
		return false
	}
	return !u.Ended() && u.State != tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED || u.Good == e.GetPiecesGood() && u.Spoiled == e.GetPiecesSpoiled()
}
