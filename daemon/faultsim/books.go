package faultsim

import (
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/drivers"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// books is an independent account of what the ledger holds and of what the machines did. It knows nothing of the floor's code.
type books struct {
	w       *World
	records []*ledgerv1.Record // durable, in order
	walls   []time.Time        // when each of them was stored
	runs    map[string]*entry
	all     []*entry          // the same, in the order of their grants
	live    map[string]string // step -> its live run
	load    map[string]int    // device -> live runs
	room    map[string]int    // device -> capacity
	fence   uint64
	term    uint64
	time    time.Time
	acked   []*request // what clients have been told is done
	rules   *rules

	begunFence map[string]uint64 // device -> fence of the run that it began last

	after    []*ledgerv1.Record // that were lost when the ledger was set back last
	lost     []*entry           // runs that were lost so
	lostRuns map[string]*entry  // the same
	listed   map[string]bool    // of these, those that the ledger lists as unrecorded
}

// entry is a run.
type entry struct {
	run, job, step, device string // step: job/step
	fence                  uint64
	allowed                bool          // somebody has let it begin
	at                     time.Time     // of its grant
	attends                time.Duration // for which it needs somebody, from its beginning
	attended               time.Time     // until when, as far as is known; zero: it needs nobody
	overridden             bool          // whatever is loaded
	startBefore            time.Time     // until then
	told                   bool          // more has been said of it than that it waits
	said                   bool          // so, and not by a daemon that had lost its device
	started                bool          // and that it began
	unknown                bool          // nobody knows how far it got
	void                   bool          // its device has begun anew without it: what it was let begin, it never will
	adrift                 bool          // its device has begun anew since it was let begin
	stopping               bool
	ended                  bool
	completed              bool
	refused                bool  // by its driver
	resolved               bool  // by a person
	bad                    int32 // pieces that it has spoiled, as the ledger says

	begun         bool // the machine has begun it
	made, spoiled int32
	forgotten     bool // the machine was switched off while it had it

	pieces int32    // that it was granted for
	works  []string // the steps whose work it does: its own, and of a gang run its members'
	was    *entry   // the same run in the ledger that is lost

	settled map[string]bool // the ledger has lost it, and of these of the steps a person has said what became of them
}

func newBooks(w *World, file *tandemv1.FloorFile) *books {
	b := &books{w: w, runs: map[string]*entry{}, live: map[string]string{}, load: map[string]int{}, room: map[string]int{}, begunFence: map[string]uint64{}, lostRuns: map[string]*entry{}, listed: map[string]bool{}, rules: newRules(w, file)}
	for _, d := range file.GetDevices() {
		b.room[d.GetId()] = int(max(d.GetCapacity(), 1))
	}
	return b
}

// record takes a record that has just become durable.
func (b *books) record(rec *ledgerv1.Record) {
	w := b.w
	if rec.GetRevision() != uint64(len(b.records))+1 {
		w.fail("revision %d was stored after %d", rec.GetRevision(), len(b.records))
	}
	if rec.GetTerm() < b.term {
		w.fail("revision %d has term %d after %d", rec.GetRevision(), rec.GetTerm(), b.term)
	}
	if at := rec.GetCommitTime().AsTime(); at.Before(b.time) {
		w.fail("revision %d was committed at %v, before the one before at %v", rec.GetRevision(), at, b.time)
	}
	b.term, b.time = rec.GetTerm(), rec.GetCommitTime().AsTime()
	b.records, b.walls = append(b.records, proto.CloneOf(rec)), append(b.walls, w.wall())
	for _, e := range rec.GetEvents() {
		w.trace("  %d: %v", rec.GetRevision(), e)
		b.rules.event(b, rec, e)
		b.event(rec, e)
	}
	b.rules.recorded()
}

func (b *books) event(rec *ledgerv1.Record, e *ledgerv1.Event) {
	w := b.w
	switch k := e.GetKind().(type) {
	case *ledgerv1.Event_TermBegan:
		if k.TermBegan.GetTerm() != rec.GetTerm() {
			w.fail("term %d began in a record of term %d", k.TermBegan.GetTerm(), rec.GetTerm())
		}
	case *ledgerv1.Event_RunGranted:
		b.granted(k.RunGranted.GetRun(), rec.GetCommitTime().AsTime(), b.rules.reviewing && e.GetActor() != "dispatch")
	case *ledgerv1.Event_RunAllowed:
		if e.GetActor() == "" {
			w.fail("%s was let begin by nobody", k.RunAllowed.GetRun())
		}
		r := b.liveRun(k.RunAllowed.GetRun(), "allowed")
		r.void = false
		r.allowed, r.startBefore = true, k.RunAllowed.GetStartBefore().AsTime()
	case *ledgerv1.Event_RunLapsed:
		b.liveRun(k.RunLapsed.GetRun(), "lapsed").allowed = false
	case *ledgerv1.Event_RunChanged:
		if r := b.liveRun(k.RunChanged.GetRun(), "changed"); drivers.Ended(k.RunChanged.GetState()) {
			b.end(r)
		}
	case *ledgerv1.Event_RunResolved:
		if e.GetActor() == "" {
			w.fail("%s was resolved by nobody", k.RunResolved.GetRun())
		}
		if r := b.runs[k.RunResolved.GetRun()]; r != nil {
			r.resolved = true
			b.end(r)
		}
	case *ledgerv1.Event_RunRefused:
		b.end(b.liveRun(k.RunRefused.GetRun(), "refused"))
	}
}

func (b *books) granted(g *tandemv1.Run, at time.Time, doneBefore bool) {
	r := &entry{run: g.GetId(), job: g.GetJob(), step: g.GetJob() + "/" + g.GetStep(), device: g.GetDevice(), fence: g.GetFence(), at: at, pieces: g.GetPieces()}
	r.attend(g.GetAttendedDuration())
	if r.fence <= b.fence {
		b.w.fail("%s was granted with fence %d after %d", r.run, r.fence, b.fence)
	}
	b.fence = r.fence
	if other := b.live[r.step]; other != "" {
		b.w.fail("%s was granted to %s while %s is live", r.step, r.run, other)
	}
	if b.load[r.device]++; b.load[r.device] > b.room[r.device] && !doneBefore {
		b.w.fail("%s was given %d runs, it holds %d", r.device, b.load[r.device], b.room[r.device])
	}
	r.works = b.rules.steps[r.step].works()
	b.live[r.step], b.runs[r.run] = r.run, r
	b.all = append(b.all, r)
}

// liveRun returns a run that must be live.
func (b *books) liveRun(id, what string) *entry {
	r := b.runs[id]
	if r == nil || r.ended {
		b.w.fail("%s is not live and was %s", id, what)
	}
	return r
}

func (b *books) end(r *entry) {
	if !r.ended {
		r.ended = true
		b.load[r.device]--
		b.rules.leaves(b, r.device)
		if b.live[r.step] == r.run {
			delete(b.live, r.step)
		}
	}
}

// begins is called when a machine has begun to move: not before a moment, by its clock.
func (b *books) begins(device, run string, fence uint64, notBefore time.Time) {
	w := b.w
	r := b.find(run)
	if r == nil {
		w.fail("%s began %s, which was never granted", device, run)
	}
	allowed, startBefore := r.mayBegin()
	switch {
	case r.device != device || r.fence != fence:
		w.fail("%s began %s with fence %d, it belongs to %s with %d", device, run, fence, r.device, r.fence)
	case r.begun:
		w.fail("%s began %s a second time", device, run)
	case !allowed:
		w.fail("%s began %s, and nobody has let it begin", device, run)
	case fence <= b.begunFence[device]:
		w.fail("%s began %s with fence %d after %d", device, run, fence, b.begunFence[device])
	case startBefore.Before(notBefore):
		w.fail("%s began %s at %v or later, and was to begin it before %v", device, run, notBefore, startBefore)
	case r.refused:
		w.fail("%s began %s, which its driver had refused", device, run)
	case r.resolved:
		w.fail("%s began %s after a person had said what became of it", device, run)
	}
	for _, o := range b.all {
		if o != r && o.step == r.step && o.begun && !o.ended {
			w.fail("%s began %s of %s, which %s began on %s and nobody knows to have ended", device, run, r.step, o.run, o.device)
		}
	}
	for _, o := range b.lost {
		for _, step := range r.works {
			if b.runs[run] != nil && o.begun && slices.Contains(o.works, step) && !o.settled[step] {
				w.fail("%s began %s of %s, which %s began on %s before the ledger was set back, and nobody has said what became of that", device, run, step, o.run, o.device)
			}
		}
	}
	r.begun = true
	b.begunFence[device] = fence
	w.trace("%s begins %s of %s", device, run, r.step)
}

// request is a command of a client that must not be lost.
type request struct {
	id       string
	print    []byte
	subject  string
	revision uint64
}

// kept looks whether a floor still knows what clients have been told.
func (b *books) kept(ask func(*request) (subject string, revision uint64, ok bool), when string) {
	for _, q := range b.acked {
		subject, revision, ok := ask(q)
		if !ok || subject != q.subject || revision != q.revision {
			b.w.fail("%s: request %s was answered with %s at revision %d, and now is %q at %d (known: %v)", when, q.id, q.subject, q.revision, subject, revision, ok)
		}
	}
}

// settle compares, at the end, what the ledger says of each run with what its machine did.
func (b *books) settle(told func(run string) (good, spoiled int32, ok bool)) {
	for _, r := range b.all {
		if !r.begun || r.was != nil { // of one that was under way when the ledger was set back a person says what the step as a whole has
			continue
		}
		good, spoiled, ok := told(r.run)
		if !ok { // its job has been forgotten
			continue
		}
		// A person who resolves a run says what is good; what was spoiled meanwhile, only the machine knew.
		if good != r.made-r.spoiled || spoiled != r.spoiled && !r.resolved {
			b.w.fail("the ledger says that %s of %s made %d good and %d spoiled pieces; %s made %d and %d (resolved: %v, forgotten: %v)",
				r.run, r.step, good, spoiled, r.device, r.made-r.spoiled, r.spoiled, r.resolved, r.forgotten)
		}
	}
}
