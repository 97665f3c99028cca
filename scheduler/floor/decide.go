package floor

import (
	"bytes"
	"fmt"
	"strings"
	"time"
	"unicode"

	"google.golang.org/protobuf/types/known/timestamppb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// Command is something that somebody wants to happen. The types in this package are all there are.
type Command interface {
	decide(f *Floor, now time.Time, m Meta) (Decision, error)
}

// Meta says who asks, and how a repeated request is recognised.
type Meta struct {
	Actor       string
	RequestID   string // empty: not idempotent
	Fingerprint []byte // hash of what is asked; compared when the request id comes again
}

// Decision is what a command would cause.
type Decision struct {
	Events   []*ledgerv1.Event
	Subject  string // what the answer is about: "jobs/ID", "devices/ID", "lots/ID" or "runs/ID"
	Answer   []byte // kept with the request, where the answer is more than the subject's present state
	Replayed bool   // the request was answered before: Events is empty
	Revision uint64 // of the record that answered it, if Replayed
}

// Decide answers with the events that the command would cause now. It changes nothing. Errors are of type *Error.
func (f *Floor) Decide(now time.Time, m Meta, c Command) (Decision, error) {
	if d, err := f.Replayed(m); err != nil || d.Replayed {
		return d, err
	}
	d, err := c.decide(f, now, m)
	if err != nil {
		return Decision{}, err
	}
	for _, e := range d.Events {
		if e.GetActor() == "" {
			e.Actor = m.Actor
		}
	}
	f.placeRuns(d.Events)
	if m.RequestID != "" && len(d.Events) > 0 {
		d.Events = append(d.Events, &ledgerv1.Event{Actor: m.Actor, Kind: &ledgerv1.Event_RequestAnswered{
			RequestAnswered: &ledgerv1.RequestAnswered{
				RequestId: m.RequestID, Fingerprint: m.Fingerprint, Subject: d.Subject, Answer: d.Answer,
			},
		}})
	}
	return d, nil
}

// Replayed answers a request as it was answered before; Replayed is false in an answer to one that is new. A request id that
// was used for something else is an *Error.
func (f *Floor) Replayed(m Meta) (Decision, error) {
	a, ok := f.requests[m.RequestID]
	if !ok {
		return Decision{}, nil
	}
	if !bytes.Equal(a.event.GetFingerprint(), m.Fingerprint) {
		return Decision{}, &Error{
			Kind: Exists, Reason: "REQUEST_ID_REUSED",
			Message: fmt.Sprintf("request id %q was used for a different request; use a new one", shorten(m.RequestID)),
		}
	}
	return Decision{Subject: a.event.GetSubject(), Answer: a.event.GetAnswer(), Replayed: true, Revision: a.revision}, nil
}

// placeRuns notes with every event about a run whose it is, so that a reader of the ledger needs nothing else.
func (f *Floor) placeRuns(events []*ledgerv1.Event) {
	type place struct{ job, step, device string }
	granted := map[string]place{}
	of := func(run string) (string, string, string) {
		if r, ok := f.runs[run]; ok {
			return r.Step.Job.ID, r.Step.ID(), r.Device.ID
		}
		p := granted[run]
		return p.job, p.step, p.device
	}
	for _, e := range events {
		switch k := e.GetKind().(type) {
		case *ledgerv1.Event_RunGranted:
			r := k.RunGranted.GetRun()
			granted[r.GetId()] = place{r.GetJob(), r.GetStep(), r.GetDevice()}
		case *ledgerv1.Event_RunAllowed:
			c := k.RunAllowed
			c.Job, c.Step, c.Device = of(c.GetRun())
		case *ledgerv1.Event_MediaOverridden:
			c := k.MediaOverridden
			c.Job, c.Step, c.Device = of(c.GetRun())
		case *ledgerv1.Event_RunLapsed:
			c := k.RunLapsed
			c.Job, c.Step, c.Device = of(c.GetRun())
		case *ledgerv1.Event_RunStopping:
			c := k.RunStopping
			c.Job, c.Step, c.Device = of(c.GetRun())
		case *ledgerv1.Event_RunChanged:
			c := k.RunChanged
			c.Job, c.Step, c.Device = of(c.GetRun())
		case *ledgerv1.Event_RunResolved:
			c := k.RunResolved
			c.Job, c.Step, c.Device = of(c.GetRun())
		case *ledgerv1.Event_RunRefused:
			c := k.RunRefused
			c.Job, c.Step, c.Device = of(c.GetRun())
		case *ledgerv1.Event_PanelRegistered:
			c := k.PanelRegistered
			c.Job, c.Step, c.Device = of(c.GetRun())
		}
	}
}

// Answered is a command with an answer to be kept with its request.
type Answered struct {
	Command
	Answer []byte
}

func (c Answered) decide(f *Floor, now time.Time, m Meta) (Decision, error) {
	d, err := c.Command.decide(f, now, m)
	d.Answer = c.Answer
	return d, err
}

// BeginTerm begins a leader's time with the next term.
type BeginTerm struct {
	Leader string // name of the daemon; empty: the only one there is
}

func (c BeginTerm) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	return Decision{Events: []*ledgerv1.Event{{Kind: &ledgerv1.Event_TermBegan{TermBegan: &ledgerv1.TermBegan{Term: f.Term + 1, Leader: c.Leader}}}}}, nil
}

// Configure puts a floor file in force. It must have been checked already. A device that has live runs may leave the file:
// it takes no more and is forgotten once they have ended. The lock of one that leaves stays.
type Configure struct{ File *tandemv1.FloorFile }

func (c Configure) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	if sameFile(f.file, c.File) {
		return Decision{}, nil
	}
	return Decision{Events: []*ledgerv1.Event{{Kind: &ledgerv1.Event_FloorConfigured{
		FloorConfigured: &ledgerv1.FloorConfigured{Floor: c.File},
	}}}}, nil
}

func (f *Floor) needJob(id string) (*Job, error) {
	j, ok := f.Job(id)
	if !ok && f.archive.has(id) {
		return nil, &Error{Kind: NotFound, Reason: ReasonArchived, Message: fmt.Sprintf("job %q ended long ago and has left the floor: it can be read, and no longer changed; hand in a new one", id)}
	}
	if !ok {
		return nil, Missing("job", id)
	}
	return j, nil
}

func (f *Floor) needStep(job, step string) (*Job, *Step, error) {
	j, err := f.needJob(job)
	if err != nil {
		return nil, nil, err
	}
	s, ok := j.Step(step)
	if !ok {
		return nil, nil, Missing("step", step)
	}
	return j, s, nil
}

func (f *Floor) needDevice(id string) (*Device, error) {
	d, ok := f.Device(id)
	if !ok || d.Retired {
		return nil, Missing("device", id)
	}
	return d, nil
}

// needHeard returns a device whose driver has a say: one that has left the floor file, too, until its runs have ended.
func (f *Floor) needHeard(id string) (*Device, error) {
	if d, ok := f.byDevice[id]; ok && len(d.Live) > 0 {
		return d, nil
	}
	return f.needDevice(id)
}

func (f *Floor) needRun(id string) (*Run, error) {
	r, ok := f.Run(id)
	if !ok {
		return nil, Missing("run", id)
	}
	return r, nil
}

func needActor(m Meta) error {
	if Blank(m.Actor) {
		return invalid("actor", "say who does this: it is kept with the record")
	}
	return nil
}

// Blank says whether a name or a reason holds nothing that can be read: nothing but spaces and invisible characters would be
// nobody's and none, and yet pass for one.
func Blank(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return unicode.IsGraphic(r) && !unicode.IsSpace(r) })
}

func (j *Job) subject() string    { return "jobs/" + j.ID }
func (d *Device) subject() string { return "devices/" + d.ID }
func (r *Run) subject() string    { return "runs/" + r.ID }

func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

func moment(t *timestamppb.Timestamp) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.AsTime()
}
