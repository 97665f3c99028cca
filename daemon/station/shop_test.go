package station_test

import (
	"errors"
	"strings"
	"testing"
	"time"
	"unicode"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/station"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
	"tandem/scheduler/floor"
)

// opening is when every test begins, by the floor's clock and by the wall's.
var opening = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// at is a time of the day as the operator's display shows it.
func at(sinceOpening time.Duration) string { return opening.Add(sinceOpening).Local().Format("15:04") }

var file = &tandemv1.FloorFile{
	Devices: []*tandemv1.Device{
		machine("printer-1", "print"), machine("cutter-1", "cut"), machine("cutter-2", "cut"), machine("laminator", "laminate"),
		byHand("bench", "weed"), byHand("table", "mask"), byHand("rack", "dry", "a1", "a2"),
	},
	People: []*tandemv1.Person{{Id: "mira"}, {Id: "timo"}},
}

func machine(id, operation string) *tandemv1.Device {
	return &tandemv1.Device{
		Id: id, Driver: &tandemv1.Driver{Kind: "sim"},
		Abilities: []*tandemv1.Ability{{Operation: operation, PerPiece: durationpb.New(time.Minute)}},
	}
}

// byHand is a device of two places without a data port; table does pack, too.
func byHand(id, operation string, slots ...string) *tandemv1.Device {
	a := &tandemv1.Ability{Operation: operation}
	if operation == "dry" {
		a.UnattendedStart = &tandemv1.UnattendedStart{AllowedBy: "mira", AllowTime: timestamppb.New(opening.Add(-time.Hour))}
	}
	d := &tandemv1.Device{Id: id, Slots: slots, Capacity: 2, Driver: &tandemv1.Driver{Kind: "operator", Manual: true}, Abilities: []*tandemv1.Ability{a}}
	if operation == "mask" {
		d.Abilities = append(d.Abilities, &tandemv1.Ability{Operation: "pack"})
	}
	return d
}

// shop is a desk on a floor that does what the desk says.
type shop struct {
	t       *testing.T
	floor   *floor.Floor
	desk    *station.Desk
	now     time.Time
	station string
	stands  string        // the device the station stands at
	age     time.Duration // of the scans
	refused *floor.Error  // the floor's answer to the last command
}

func open(t *testing.T) *shop {
	s := &shop{t: t, floor: floor.New(), desk: station.NewDesk(), now: opening, station: "desk"}
	s.do(floor.BeginTerm{})
	s.do(floor.Configure{File: file})
	for _, d := range file.GetDevices() {
		s.greet(d.GetId())
	}
	return s
}

// try decides a command and applies what it causes as one record.
func (s *shop) try(actor string, c floor.Command) error {
	d, err := s.floor.Decide(s.now, floor.Meta{Actor: actor}, c)
	if err != nil || len(d.Events) == 0 {
		return err
	}
	s.floor.ApplyRecord(&ledgerv1.Record{Revision: s.floor.Revision + 1, Term: s.floor.Term, CommitTime: timestamppb.New(s.now), Events: d.Events})
	return s.floor.Check()
}

func (s *shop) do(c floor.Command) {
	s.t.Helper()
	if err := s.try("test", c); err != nil {
		s.t.Fatalf("%T: %v", c, err)
	}
}

func (s *shop) greet(device string, runs ...*driverv1.RunStatus) {
	s.t.Helper()
	s.do(floor.Greet{Device: device, Status: &driverv1.Status{
		Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE, Runs: runs,
	}})
}

func (s *shop) job(id string) *floor.Job {
	s.t.Helper()
	j, ok := s.floor.Job(id)
	if !ok {
		s.t.Fatalf("no job %s", id)
	}
	return j
}

// submit takes in a job of ten pieces; a step waits for the one before it. A step is operation or operation=supply.
func (s *shop) submit(id string, steps ...string) {
	s.t.Helper()
	j := &tandemv1.Job{Id: id, Pieces: 10}
	for i, text := range steps {
		operation, supply, _ := strings.Cut(text, "=")
		step := &tandemv1.Step{Id: operation, Operation: operation}
		switch operation {
		case "laminate":
			step.Film = supply
		case "dry":
			step.Duration = durationpb.New(4 * time.Hour)
		case "cut":
			step.Documents = []*tandemv1.Document{{Role: "cut", Uri: "file:///contours/star.svg", Sha256: strings.Repeat("0123456789abcdef", 4)}}
		default:
			step.Media = supply
		}
		if i > 0 {
			step.After = []string{j.GetSteps()[i-1].GetId()}
		}
		j.Steps = append(j.Steps, step)
	}
	s.do(floor.CreateJob{Job: j})
}

// grant gives a step to a device, as the dispatcher would.
func (s *shop) grant(job, step, device string) *floor.Run {
	s.t.Helper()
	st, _ := s.job(job).Step(step)
	d, _ := s.floor.Device(device)
	s.do(floor.Grant{Step: st, Device: d, Expected: d.Estimate(st, s.now)})
	return st.Live
}

// report is the device's word on a run.
func (s *shop) report(r *floor.Run, state tandemv1.JobState, good int32) {
	s.t.Helper()
	s.do(floor.Report{Device: r.Device.ID, Status: &driverv1.Status{
		Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE,
		Runs: []*driverv1.RunStatus{{Run: r.ID, Fence: r.Fence, State: state, PiecesGood: good}},
	}})
}

// made has a machine make a step of ten pieces.
func (s *shop) made(job, step, device string) {
	s.t.Helper()
	r := s.grant(job, step, device)
	s.do(floor.StartRun{Run: r.ID})
	s.report(r, processing, 0)
	s.report(r, completed, 10)
}

const (
	processing = tandemv1.JobState_JOB_STATE_PROCESSING
	completed  = tandemv1.JobState_JOB_STATE_COMPLETED
)

// payload turns words into what a reader sends: "panel JOB", "job ID", "device ID", "slot ID" (of the rack), "lot ID", "badge ID", "card VERB"; anything else
// is sent as it is.
func (s *shop) payload(words string) string {
	s.t.Helper()
	kind, id, _ := strings.Cut(words, " ")
	switch kind {
	case "panel":
		return s.job(id).Panels[0].Code
	case "job":
		return s.job(id).Code
	case "device":
		d, _ := s.floor.Device(id)
		return d.Code
	case "slot":
		return s.floor.SlotCode("rack", id)
	case "badge":
		for _, p := range s.floor.File().GetPeople() {
			if p.GetId() == id {
				return p.GetCode()
			}
		}
	case "lot":
		l, ok := s.floor.Lot(id)
		if !ok {
			s.t.Fatalf("no lot %s", id)
		}
		return l.Code
	case "card":
		for _, v := range code.Verbs() {
			if v.String() == id {
				return v.Code().String()
			}
		}
	}
	return words
}

// scan asks the desk and carries out what it says.
func (s *shop) scan(payload string) station.Answer {
	s.t.Helper()
	s.refused = nil
	a := s.desk.Decide(s.floor, s.now, station.Scan{Station: s.station, Payload: payload, Device: s.stands, At: s.now, Age: s.age})
	if a.Outcome == tandemv1.RecordScanResponse_OUTCOME_UNSPECIFIED || a.Message == "" || a.Actor == "" {
		s.t.Errorf("%q is answered with %+v: want an outcome, a message and an actor", payload, a)
	}
	if strings.ContainsFunc(a.Message, func(r rune) bool { return unicode.IsControl(r) || r == unicode.ReplacementChar }) {
		s.t.Errorf("%q is answered with %q, which no display should show", payload, a.Message)
	}
	if a.Command == nil {
		return a
	}
	if err := s.try(a.Actor, a.Command); err != nil && !errors.As(err, &s.refused) {
		s.t.Fatal(err)
	}
	if s.refused != nil {
		s.desk.Refused(s.station, a)
	} else {
		s.desk.Done(s.station, a, s.floor)
	}
	return a
}
