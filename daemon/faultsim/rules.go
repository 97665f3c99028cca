package faultsim

import (
	"slices"
	"time"

	"tandem/drivers"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// rules is what the people of a shop go by, kept from the ledger's records and from what they have asked for: which step may come
// when, who may let a machine begin, what a lock, a hold and a cancel take back.
type rules struct {
	w       *World
	steps   map[string]*stepRules // job/step
	jobs    map[string]*jobRules
	devices map[string]*deviceRules
	asked   map[string]bool   // starts that somebody who stands at a device has asked for
	done    map[string]bool   // requests
	first   map[string]string // device -> media that the floor file says is on it
	back    []takenBack       // by the record that is being read

	presence  presence
	reviewing bool // the record that is being read has a person's word on what was done without one
}

type stepRules struct {
	key       string // job/step
	job       string
	operation string
	media     string
	after     []string // the steps before it
	wait      time.Duration
	dries     time.Duration // 0: it is no drying time
	waived    bool          // a person takes it upon them that it need not wait, or dry
	review    bool          // it may have been done without a record, and nobody has said yet
	carrier   *stepRules    // the step of a gang run that does its work
	carries   []*stepRules  // the steps of the members whose work it does
	runs      int
	live      int
	end       time.Time // of its last run
}

type jobRules struct {
	release        time.Time
	held, canceled bool
	pieces         int32           // that have not been said to be spoiled; of a gang run, those of its members
	first          map[string]bool // panels with which it was handed in
	steps          []*stepRules
	members        []string // of a gang run
	gang           string   // the gang run that has its panels, or had them last
}

type deviceRules struct {
	manual    bool            // people work there
	alone     map[string]bool // operations that it may begin with nobody there
	continues bool            // with what is loaded
	locker    string          // empty: not locked
	out       bool            // not in the floor file
	paused    bool
	media     string // on it
	epoch     uint64
	greeted   map[greeted]bool // drivers that are welcome
	loaded    *entry           // that began last since its driver started
}

// greeted is a driver's life in a leader's.
type greeted struct{ epoch, term uint64 }

// takenBack is a run that a record must stop.
type takenBack struct {
	run  *entry
	why  string
	lost bool // it need not be stopped, but nobody may take its outcome for known
}

func newRules(w *World, file *tandemv1.FloorFile) *rules {
	s := &rules{
		w: w, steps: map[string]*stepRules{}, jobs: map[string]*jobRules{}, devices: map[string]*deviceRules{},
		asked: map[string]bool{}, done: map[string]bool{}, first: map[string]string{},
	}
	for _, spec := range file.GetDevices() {
		s.first[spec.GetId()] = spec.GetLoadedMedia()
		d := &deviceRules{media: spec.GetLoadedMedia(), manual: spec.GetDriver().GetManual(), alone: map[string]bool{}, greeted: map[greeted]bool{}}
		for _, a := range spec.GetAbilities() {
			d.alone[a.GetOperation()] = a.GetUnattendedStart() != nil
			d.continues = d.continues || a.GetContinuesLoaded()
		}
		s.devices[spec.GetId()] = d
	}
	return s
}

// event takes an event of a record before the books do, which know of runs that are live still.
func (s *rules) event(b *books, rec *ledgerv1.Record, e *ledgerv1.Event) {
	w := s.w
	switch k := e.GetKind().(type) {
	case *ledgerv1.Event_RequestAnswered:
		id := k.RequestAnswered.GetRequestId()
		if s.done[id] {
			w.fail("request %s was carried out a second time", id)
		}
		s.done[id] = true
	case *ledgerv1.Event_JobCreated:
		j := k.JobCreated.GetJob()
		s.created(j)
		s.handedInAgain(b, j.GetId())
	case *ledgerv1.Event_LedgerRestored, *ledgerv1.Event_WorkUnrecorded, *ledgerv1.Event_WorkReviewed:
		s.reviewEvent(b, e)
	case *ledgerv1.Event_AttendanceSet:
		s.presence.set(k.AttendanceSet)
	case *ledgerv1.Event_JobsGanged:
		s.ganged(b, k.JobsGanged)
	case *ledgerv1.Event_GangDissolved:
		s.dissolved(k.GangDissolved.GetJob())
	case *ledgerv1.Event_PiecesSpoiled:
		s.spoils(k.PiecesSpoiled.GetJob(), k.PiecesSpoiled.GetPanel(), k.PiecesSpoiled.GetPieces())
	case *ledgerv1.Event_SpoilWithdrawn:
		s.spoils(k.SpoilWithdrawn.GetJob(), k.SpoilWithdrawn.GetPanel(), -k.SpoilWithdrawn.GetPieces())
	case *ledgerv1.Event_PiecesRemade:
		s.add(k.PiecesRemade.GetJob(), k.PiecesRemade.GetSteps())
		for _, again := range k.PiecesRemade.GetSteps() { // that a person wants
			s.looked(b, k.PiecesRemade.GetJob()+"/"+again.GetId())
		}
		for _, join := range k.PiecesRemade.GetJoins() { // what was waived was not for the pieces that are made again
			st := s.steps[k.PiecesRemade.GetJob()+"/"+join.GetStep()]
			if st.waived = false; join.GetAfter() != "" {
				st.after = append(st.after, k.PiecesRemade.GetJob()+"/"+join.GetAfter())
			}
		}
	case *ledgerv1.Event_WaitOverridden:
		s.steps[k.WaitOverridden.GetJob()+"/"+k.WaitOverridden.GetStep()].waived = true
	case *ledgerv1.Event_JobHeld:
		s.jobs[k.JobHeld.GetJob()].held = true
		s.takeBack(b, "its job was held", func(r *entry) bool { return s.worksFor(r, k.JobHeld.GetJob()) && r.allowed && !r.told })
	case *ledgerv1.Event_JobReleased:
		s.jobs[k.JobReleased.GetJob()].held = false
	case *ledgerv1.Event_JobCanceled:
		s.jobs[k.JobCanceled.GetJob()].canceled = true
		s.takeBack(b, "its job was ended", func(r *entry) bool { return r.job == k.JobCanceled.GetJob() || s.unwanted(r.job) })
	default:
		s.deviceEvent(b, rec, e)
		s.runEvent(b, rec, e)
	}
}

func (s *rules) runEvent(b *books, rec *ledgerv1.Record, e *ledgerv1.Event) {
	at := rec.GetCommitTime().AsTime()
	switch k := e.GetKind().(type) {
	case *ledgerv1.Event_RunGranted:
		s.manned(b, e, k.RunGranted.GetRun(), at)
		s.granted(k.RunGranted.GetRun(), at, s.reviewing && e.GetActor() != "dispatch")
	case *ledgerv1.Event_MediaOverridden:
		b.runs[k.MediaOverridden.GetRun()].overridden = true
	case *ledgerv1.Event_RunAllowed:
		s.allowed(b.runs[k.RunAllowed.GetRun()], e.GetActor())
	case *ledgerv1.Event_RunChanged:
		c := k.RunChanged
		r := b.runs[c.GetRun()]
		if r == nil || r.ended {
			return // the books will say so
		}
		st := s.steps[r.step]
		r.tended(c)
		s.jobs[r.job].pieces -= c.GetPiecesSpoiled() - r.bad
		r.bad = c.GetPiecesSpoiled()
		if c.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED && at.Before(s.dry(st)) {
			s.w.fail("%s of %s was taken from the rack at %v, and is dry at %v", r.run, r.step, at, s.dry(st))
		}
		r.unknown = c.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED && slices.Contains(c.GetReasons(), floor.ReasonOutcomeUnknown)
		r.void = r.void || r.unknown && r.adrift
		r.told = r.told || c.GetState() != tandemv1.JobState_JOB_STATE_PENDING
		r.said = c.GetState() != tandemv1.JobState_JOB_STATE_PENDING && (r.said || e.GetActor() != "daemon") // one that waits after all has not begun
		if c.GetStartTime() != nil && r.told && !r.started {
			r.started = true
			s.devices[r.device].loaded = r
		}
		r.completed = c.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED
		if drivers.Ended(c.GetState()) {
			s.ended(r, c.GetEndTime().AsTime())
		}
	case *ledgerv1.Event_RunResolved:
		if r := b.runs[k.RunResolved.GetRun()]; r != nil {
			r.completed = false
			s.ended(r, at)
			s.looked(b, r.step)
		}
	case *ledgerv1.Event_RunRefused:
		r := b.runs[k.RunRefused.GetRun()]
		if r == nil || r.ended {
			return
		}
		if r.begun {
			s.w.fail("%s was taken back as refused, and %s has begun it", r.run, r.device)
		}
		r.refused = true
		s.ended(r, at)
	case *ledgerv1.Event_RunStopping:
		if r := b.runs[k.RunStopping.GetRun()]; r != nil {
			r.stopping = true
		}
	}
}

func (s *rules) add(job string, steps []*tandemv1.Step) {
	for _, spec := range steps {
		st := &stepRules{key: job + "/" + spec.GetId(), job: job, operation: spec.GetOperation(), media: spec.GetMedia(), wait: spec.GetMinWait().AsDuration()}
		if st.operation == "dry" {
			st.dries = spec.GetDuration().AsDuration()
		}
		for _, before := range spec.GetAfter() {
			st.after = append(st.after, job+"/"+before)
		}
		s.steps[st.key] = st
		s.jobs[job].steps = append(s.jobs[job].steps, st)
	}
}

// since is when the last run of the steps before a step ended, as far as they had any.
func (s *rules) since(st *stepRules) (end time.Time) {
	for _, before := range st.after {
		if b := s.doer(s.steps[before]); b.end.After(end) {
			end = b.end
		}
	}
	return end
}

// dry is when what dries is dry at the earliest; zero: it does not dry, or need not.
func (s *rules) dry(st *stepRules) time.Time {
	if st.dries == 0 || st.waived {
		return time.Time{}
	}
	return s.since(st).Add(st.dries)
}

func (s *rules) granted(g *tandemv1.Run, at time.Time, doneBefore bool) {
	w, key := s.w, g.GetJob()+"/"+g.GetStep()
	st := s.steps[key]
	if doneBefore { // it was done before, at whatever time that was
		s.carried(g, st)
		st.runs++
		st.live++
		return
	}
	if st.review {
		w.fail("%s was granted for %s, which may have been done before the ledger was set back, and nobody has said so", g.GetId(), key)
	}
	for _, own := range append([]*stepRules{st}, st.carries...) {
		s.mayBegin(g, own, at)
	}
	s.carried(g, st)
	if most, known := s.comes(st); known && g.GetPieces() > most {
		w.fail("%s was granted for %d pieces of %s, and what is before it has made %d", g.GetId(), g.GetPieces(), key, most)
	}
	if ready := s.since(st).Add(st.wait); at.Before(ready) && !st.waived {
		w.fail("%s was granted for %s at %v, which must wait until %v", g.GetId(), key, at, ready)
	}
	s.mayMove(g.GetId(), st, g.GetDevice(), "granted")
	st.runs++
	st.live++
}

// mayBegin says that the time has come for a step, of a gang run or of one of its members, and that what is before it is done.
func (s *rules) mayBegin(g *tandemv1.Run, st *stepRules, at time.Time) {
	j := s.jobs[st.job]
	if st.job != g.GetJob() && j.canceled {
		return // nobody wants its pieces
	}
	for _, before := range st.after {
		if s.undone(s.steps[before], g.GetJob()) {
			s.w.fail("%s was granted for %s, and %s before it is not done", g.GetId(), st.key, before)
		}
	}
	if at.Before(j.release) {
		s.w.fail("%s was granted for %s at %v, which is released at %v", g.GetId(), st.key, at, j.release)
	}
}

// mayMove says that nothing stands against work of a step on a device.
func (s *rules) mayMove(run string, st *stepRules, device, what string) {
	j, d := s.jobs[st.job], s.devices[device]
	for _, m := range st.carries {
		if member := s.jobs[m.job]; member.held && !member.canceled {
			s.w.fail("%s of %s was %s while %s, which shares its panels, was held", run, st.job, what, m.job)
		}
	}
	switch {
	case j.canceled:
		s.w.fail("%s of %s was %s after its job had been ended", run, st.job, what)
	case j.held:
		s.w.fail("%s of %s was %s while its job was held", run, st.job, what)
	case d.out:
		s.w.fail("%s was %s on %s, which is not in the floor file", run, what, device)
	case d.locker != "":
		s.w.fail("%s was %s on %s, which %s has locked", run, what, device, d.locker)
	case d.paused:
		s.w.fail("%s was %s on %s, which is paused", run, what, device)
	}
}

// asks notes that somebody who stands at a device asks for a start.
func (s *rules) asks(c commandOfPeople) { s.asked[c.String()] = true }

// commandOfPeople names a start: of a run, or of a step on a device.
type commandOfPeople struct{ run, step, device string }

func (c commandOfPeople) String() string { return c.run + " " + c.step + " " + c.device }

// allowed looks on whose word a run may begin.
func (s *rules) allowed(r *entry, actor string) {
	if r == nil || r.ended {
		return // the books will say so
	}
	s.mayMove(r.run, s.steps[r.step], r.device, "let begin")
	if r.stopping {
		s.w.fail("%s was let begin while it was being stopped", r.run)
	}
	d, st := s.devices[r.device], s.steps[r.step]
	if st.media != "" && st.media != d.media && !r.overridden {
		s.w.fail("%s of %s was let begin on %s, where %q is loaded, and needs %s", r.run, r.step, r.device, d.media, st.media)
	}
	switch {
	case s.asked[commandOfPeople{run: r.run}.String()], s.asked[commandOfPeople{step: r.step, device: r.device}.String()]:
	case d.alone[st.operation] && actor == "unattended, allowed by "+supervisor:
	case d.continues && d.loaded != nil && d.loaded.ended && d.loaded.completed && d.loaded.job == r.job:
	default:
		s.w.fail("%s of %s was let begin on %s by %s, and nobody had asked for it", r.run, r.step, r.device, actor)
	}
}

func (s *rules) ended(r *entry, at time.Time) {
	st := s.steps[r.step]
	if !r.ended {
		st.live--
	}
	if at.After(st.end) {
		st.end = at
	}
}

// takeBack notes which live runs the record must stop.
func (s *rules) takeBack(b *books, why string, which func(*entry) bool) {
	for _, r := range b.all {
		if !r.ended && which(r) {
			s.back = append(s.back, takenBack{run: r, why: why})
		}
	}
}

// recorded looks, at the end of a record, whether it has stopped what it had to.
func (s *rules) recorded() {
	for _, t := range s.back {
		if t.lost && !t.run.ended && !t.run.unknown {
			s.w.fail("%s of %s is as it was although %s", t.run.run, t.run.step, t.why)
		}
		if !t.lost && !t.run.ended && !t.run.stopping {
			s.w.fail("%s of %s goes on although %s", t.run.run, t.run.step, t.why)
		}
	}
	s.back, s.reviewing = slices.Delete(s.back, 0, len(s.back)), false
}
