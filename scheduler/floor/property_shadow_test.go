package floor

import (
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// shadow keeps its own books of a floor, from the events alone, and holds the floor to the rules that nobody may break.
type shadow struct {
	t         *rapid.T
	w         *world
	live      map[string]string // job/step -> its live run
	on        map[string]string // live run -> device
	stepOf    map[string]string // run -> job/step
	completed map[string]bool   // job/step
	fence     uint64
	link      map[string]tandemv1.Link
	barred    map[string]bool // device: paused or locked
	dryAt     map[string]time.Time
	waived    map[string]bool // job/step: a person has taken the responsibility
	spoiled   map[string]int32
	runSpoilt map[string]int32
	said      map[string]bool   // run: a person has said that what is on its device is right
	misread   map[string]string // job/step -> its run with a panel that cannot be the right one, until a person has spoken
	fits      map[string]int    // run and panel -> fits written
	withdrew  map[string]bool   // bookings that were taken back
}

func newShadow(t *rapid.T, w *world) *shadow {
	s := &shadow{
		t: t, w: w, live: map[string]string{}, on: map[string]string{}, stepOf: map[string]string{}, completed: map[string]bool{},
		link: map[string]tandemv1.Link{}, barred: map[string]bool{}, dryAt: map[string]time.Time{}, waived: map[string]bool{},
		spoiled: map[string]int32{}, runSpoilt: map[string]int32{}, said: map[string]bool{},
		misread: map[string]string{}, fits: map[string]int{}, withdrew: map[string]bool{},
	}
	w.watch = s.decided
	return s
}

// decided sees a decision before it is applied.
func (s *shadow) decided(c Command, m Meta, d Decision, err error) {
	before := s.w.floor.Snapshot()
	again, errAgain := s.w.floor.Decide(s.w.now, m, c)
	if !proto.Equal(before, s.w.floor.Snapshot()) {
		s.t.Fatalf("deciding %T changed the floor", c)
	}
	if (err == nil) != (errAgain == nil) || !slices.EqualFunc(d.Events, again.Events, func(a, b *ledgerv1.Event) bool { return proto.Equal(a, b) }) {
		s.t.Fatalf("deciding %T twice: %v, then %v", c, d.Events, again.Events)
	}
	if d.Replayed && len(d.Events) > 0 {
		s.t.Fatalf("a repeated %T happened again: %v", c, d.Events)
	}
	for _, e := range d.Events {
		s.event(c, e)
	}
}

func (s *shadow) event(c Command, e *ledgerv1.Event) {
	switch k := e.GetKind().(type) {
	case *ledgerv1.Event_TermBegan:
		for _, d := range s.w.floor.Devices {
			s.link[d.ID] = tandemv1.Link_LINK_NOT_YET_REPORTED
		}
	case *ledgerv1.Event_FloorConfigured:
		s.configured(k.FloorConfigured.GetFloor())
	case *ledgerv1.Event_DeviceGreeted:
		s.link[k.DeviceGreeted.GetDevice()] = tandemv1.Link_LINK_ONLINE
	case *ledgerv1.Event_DeviceChanged:
		s.link[k.DeviceChanged.GetDevice()] = k.DeviceChanged.GetLink()
	case *ledgerv1.Event_DevicePaused:
		s.barred["paused "+k.DevicePaused.GetDevice()] = true
	case *ledgerv1.Event_DeviceResumed:
		delete(s.barred, "paused "+k.DeviceResumed.GetDevice())
	case *ledgerv1.Event_DeviceLocked:
		s.barred["locked "+k.DeviceLocked.GetDevice()] = true
	case *ledgerv1.Event_DeviceUnlocked:
		delete(s.barred, "locked "+k.DeviceUnlocked.GetDevice())
	case *ledgerv1.Event_AttendanceSet:
		if e.GetActor() == "" {
			s.t.Fatalf("the shifts were changed by nobody: %v", e)
		}
	case *ledgerv1.Event_WaitOverridden:
		if e.GetActor() == "" || k.WaitOverridden.GetNote() == "" {
			s.t.Fatalf("a waiting time was waived by nobody or for nothing: %v", e)
		}
		s.waived[k.WaitOverridden.GetJob()+"/"+k.WaitOverridden.GetStep()] = true
	case *ledgerv1.Event_PiecesSpoiled:
		s.spoiled[k.PiecesSpoiled.GetJob()] += k.PiecesSpoiled.GetPieces()
	case *ledgerv1.Event_SpoilWithdrawn:
		s.withdrawn(k.SpoilWithdrawn)
	case *ledgerv1.Event_PiecesRemade:
		for _, j := range k.PiecesRemade.GetJoins() {
			delete(s.waived, k.PiecesRemade.GetJob()+"/"+j.GetStep())
		}
	case *ledgerv1.Event_RunGranted:
		s.granted(k.RunGranted.GetRun())
	case *ledgerv1.Event_MediaOverridden:
		if e.GetActor() == "" || k.MediaOverridden.GetNote() == "" {
			s.t.Fatalf("let begin with other media by nobody or for nothing: %v", e)
		}
		s.said[k.MediaOverridden.GetRun()] = true
	case *ledgerv1.Event_MediaLoaded:
		s.loads(k.MediaLoaded)
	case *ledgerv1.Event_RunAllowed:
		s.allowed(c, e, k.RunAllowed)
	case *ledgerv1.Event_RunChanged:
		s.changed(k.RunChanged)
	case *ledgerv1.Event_RunResolved:
		if e.GetActor() == "" {
			s.t.Fatalf("resolved by nobody: %v", e)
		}
		s.waived[s.stepOf[k.RunResolved.GetRun()]] = true // the person says that it is done, dry or not
		delete(s.misread, s.stepOf[k.RunResolved.GetRun()])
		s.gone(k.RunResolved.GetRun())
	case *ledgerv1.Event_PanelRegistered:
		s.registered(k.PanelRegistered)
	case *ledgerv1.Event_RunRefused:
		s.gone(k.RunRefused.GetRun())
	}
}

// configured: a device that comes back after it was forgotten starts afresh.
func (s *shadow) configured(file *tandemv1.FloorFile) {
	for _, d := range file.GetDevices() {
		if old, ok := s.w.floor.byDevice[d.GetId()]; !ok || !slices.Contains(s.w.floor.Devices, old) {
			s.link[d.GetId()] = tandemv1.Link_LINK_NOT_YET_REPORTED
			delete(s.barred, "paused "+d.GetId())
			delete(s.barred, "locked "+d.GetId())
		}
	}
}

func (s *shadow) granted(r *tandemv1.Run) {
	step, device := r.GetJob()+"/"+r.GetStep(), r.GetDevice()
	held := 0
	for _, d := range s.on {
		if d == device {
			held++
		}
	}
	spec := s.w.floor.byDevice[device].Spec
	switch {
	case s.live[step] != "":
		s.t.Fatalf("%s has the live run %s and was granted %s", step, s.live[step], r.GetId())
	case s.misread[step] != "":
		s.t.Fatalf("%s was granted again before a person has looked at the panel of %s", step, s.misread[step])
	case s.completed[step]:
		s.t.Fatalf("%s is completed and was granted again", step)
	case r.GetFence() <= s.fence:
		s.t.Fatalf("fence %d after %d", r.GetFence(), s.fence)
	case held >= max(int(spec.GetCapacity()), 1):
		s.t.Fatalf("%s holds %d runs and was granted another", device, held)
	case s.link[device] != tandemv1.Link_LINK_ONLINE || s.barred["paused "+device] || s.barred["locked "+device]:
		s.t.Fatalf("%s is %v and barred by %v, and was granted %s", device, s.link[device], s.barred, step)
	case !slices.ContainsFunc(spec.GetAbilities(), func(a *tandemv1.Ability) bool {
		return a.GetOperation() == s.w.floor.byJob[r.GetJob()].byStep[r.GetStep()].Operation()
	}):
		s.t.Fatalf("%s cannot do %s", device, step)
	}
	for _, b := range s.w.floor.byJob[r.GetJob()].byStep[r.GetStep()].Before {
		before := b.Job.ID + "/" + b.ID()
		if !s.completed[before] {
			s.t.Fatalf("%s was granted before %s is completed", step, before)
		}
		if b.Drying() && s.w.now.Before(s.dryAt[before]) && !s.dryEnough(b) {
			s.t.Fatalf("%s was granted at %v; %s is not dry before %v", step, s.w.now, before, s.dryAt[before])
		}
	}
	s.fence = r.GetFence()
	s.live[step], s.on[r.GetId()], s.stepOf[r.GetId()] = r.GetId(), device, step
}

// allowed: nothing moves but on the word of a person at the device, or where the floor file allows it by name.
func (s *shadow) allowed(c Command, e *ledgerv1.Event, a *ledgerv1.RunAllowed) {
	switch c.(type) {
	case StartRun, StartHere:
		if e.GetActor() == "" {
			s.t.Fatalf("started by nobody: %v", e)
		}
		s.supplied(c, a.GetRun())
		return
	}
	s.supplied(c, a.GetRun())
	device := s.w.floor.byDevice[s.on[a.GetRun()]]
	step := s.stepOf[a.GetRun()]
	job, id, _ := strings.Cut(step, "/")
	operation := s.w.floor.byJob[job].byStep[id].Operation()
	if ability := device.Ability(operation); ability.GetUnattendedStart() == nil && !ability.GetContinuesLoaded() {
		s.t.Fatalf("%T let %s begin on %s with nobody there", c, step, device.ID)
	}
	if _, ok := c.(Grant); !ok && device.Ability(operation).GetUnattendedStart() == nil {
		s.t.Fatalf("%T let %s begin on %s with nobody there", c, step, device.ID)
	}
}

// supplied: nothing begins on other media, or on a roll that is too short, but on a person's word.
func (s *shadow) supplied(c Command, run string) {
	switch c.(type) {
	case LoadMedia, MeasureLot: // it is being made right by the same events
		return
	}
	job, id, _ := strings.Cut(s.stepOf[run], "/")
	step, d := s.w.floor.byJob[job].byStep[id], s.w.floor.byDevice[s.on[run]]
	need := step.Supply()
	if need == "" || s.said[run] {
		return
	}
	length := step.Spec.GetLengthUm() * int64(step.Left()) / int64(max(step.Whole(), 1)) // 0: not known, and nobody can say that it is too much
	switch {
	case d.Loaded != need:
		s.t.Fatalf("%T let %s begin on %s with %q, it needs %s", c, s.stepOf[run], d.ID, d.Loaded, need)
	case d.Lot == nil || (step.Live != nil && step.Live.Lot == d.Lot):
	case d.Lot.Remaining == 0 || length > 0 && d.Lot.Remaining-d.Lot.Reserved() < length:
		s.t.Fatalf("%T let %s begin on %s with too little on it", c, s.stepOf[run], d.ID)
	}
}

// loads: other media are never put on a device that has begun to work with what is on it.
func (s *shadow) loads(e *ledgerv1.MediaLoaded) {
	for _, r := range s.w.floor.byDevice[e.GetDevice()].Live {
		if need := r.Step.Supply(); need != "" && r.Lot != nil && r.begun() && e.GetMedia() != need && e.GetMedia() != r.Device.Loaded {
			s.t.Fatalf("%q was put on %s while %s works with %s", e.GetMedia(), r.Device.ID, r.ID, r.Device.Loaded)
		}
	}
}

func (s *shadow) changed(c *ledgerv1.RunChanged) {
	if s.on[c.GetRun()] == "" {
		s.t.Fatalf("run %s is not live and changed: %v", c.GetRun(), c)
	}
	job, _, _ := strings.Cut(s.stepOf[c.GetRun()], "/")
	s.spoiled[job] += c.GetPiecesSpoiled() - s.runSpoilt[c.GetRun()]
	s.runSpoilt[c.GetRun()] = c.GetPiecesSpoiled()
	if ended(c.GetState()) {
		s.gone(c.GetRun())
	}
}

func (s *shadow) gone(run string) {
	delete(s.live, s.stepOf[run])
	delete(s.on, run)
}

// look compares the floor with the books, after an act.
func (s *shadow) look() {
	if err := s.w.floor.Check(); err != nil {
		s.t.Fatal(err)
	}
	for _, j := range s.w.floor.Jobs {
		var spoiled int32
		for _, p := range j.Panels {
			spoiled += p.Spoiled
			if p.Good < 0 || p.Good+p.Spoiled != p.Pieces {
				s.t.Fatalf("panel %s of %s has %d good and %d spoiled of %d", p.ID, j.ID, p.Good, p.Spoiled, p.Pieces)
			}
		}
		if told, known := s.told(j); known && spoiled > told {
			s.t.Fatalf("%s has %d spoiled pieces, of which %d were ever reported", j.ID, spoiled, told)
		}
		for _, st := range j.Steps {
			s.lookAt(st)
		}
	}
}

// lookAtLots: what a run that has ended took from its lots is the length of the pieces that were made from them, and what
// each roll and the run as a whole lose.
func (s *shadow) lookAtLots(r *Run) {
	if r.Step.Live == r {
		return
	}
	var took, counted, rolls int64
	counted = int64(r.made())
	for _, u := range r.Earlier {
		took += u.GetLengthUm()
		if u.GetLot() == "" {
			counted -= int64(u.GetPieces())
		} else {
			rolls++
		}
	}
	if r.Lot != nil {
		took, rolls = took+r.LotLength, rolls+1
	}
	length, whole := r.Step.Spec.GetLengthUm(), int64(r.Step.Whole())
	most := length*int64(r.Pieces)/whole + 1 + rolls + 300 + 700*rolls
	if rolls == 0 {
		most = 0
	}
	if took > most {
		s.t.Fatalf("%s took %d um of %d rolls, at most %d can be", r.ID, took, rolls, most)
	}
	if r.Lot != nil && length > 0 && took < length*max(counted, 0)/whole && r.State == tandemv1.JobState_JOB_STATE_COMPLETED {
		s.t.Fatalf("%s made %d pieces of %d um and took %d um", r.ID, counted, length*counted/whole, took)
	}
}

// told returns how many pieces of a job were ever reported as spoiled, those of panels that it shares included. Not known if a
// gang run was given up with pieces that were not finished.
func (s *shadow) told(j *Job) (n int32, known bool) {
	n = s.spoiled[j.ID]
	for _, m := range j.Members {
		n += s.spoiled[m.ID]
	}
	if j.gang != nil {
		n += s.spoiled[j.gang.ID]
	}
	return n, j.Ending == 0 && (j.gang == nil || j.gang.Ending == 0)
}

// dryEnough says whether a person has taken the responsibility for a drying step, or for the gang run's step that is its own,
// or nothing was left that could have been wet.
func (s *shadow) dryEnough(b *Step) bool {
	return s.waived[b.Job.ID+"/"+b.ID()] || b.emptied() || b.Carrier != nil && s.waived[b.Carrier.Job.ID+"/"+b.Carrier.ID()]
}

func (s *shadow) lookAt(st *Step) {
	id := st.Job.ID + "/" + st.ID()
	live := ""
	if st.Live != nil {
		live = st.Live.ID
	}
	if live != s.live[id] {
		s.t.Fatalf("%s has the live run %q, the books say %q", id, live, s.live[id])
	}
	for _, r := range st.Runs {
		s.lookAtLots(r)
	}
	done := st.Ended == tandemv1.JobState_JOB_STATE_COMPLETED
	if s.completed[id] && !done {
		s.t.Fatalf("%s was completed and is not any more", id)
	}
	s.completed[id] = done
	if st.Drying() && st.Waiting == 0 {
		s.dryAt[id] = st.Free.Add(st.Spec.GetDuration().AsDuration())
	}
}
