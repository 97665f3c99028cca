package dispatch

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// withShift gives a shop people from 08:00 to 16:00, UTC, on weekdays. A shop's time begins on a Monday at 08:00.
func withShift(s *shop, operators int32) {
	file := s.floor.File()
	for _, d := range file.GetDevices() {
		d.Code = ""
	}
	file.Shifts = []*tandemv1.Shift{{Id: "day", From: "08:00", To: "16:00", Operators: operators}}
	s.do(floor.Configure{File: file})
}

func alone(d *tandemv1.Device) *tandemv1.Device {
	d.Abilities[0].UnattendedStart = &tandemv1.UnattendedStart{AllowedBy: "mira"}
	return d
}

func on(j *tandemv1.Job, media string) *tandemv1.Job {
	j.Steps[0].Media = media
	return j
}

// At night a printer that starts alone takes what is for the media on it, however much more urgent another is; it looks again
// when somebody comes.
func TestAtNightOnlyWhatNeedsNobody(t *testing.T) {
	p := alone(printer("printer", time.Minute))
	p.LoadedMedia = "white"
	s := newShop(t.Fatalf, EarliestCompletion, p)
	withShift(s, 1)
	s.now = s.now.Add(14 * time.Hour)
	rush := on(poster("rush", 10), "clear")
	rush.Priority, rush.DueTime = 100, timestamppb.New(s.now)
	s.do(floor.CreateJob{Job: rush})
	s.do(floor.CreateJob{Job: on(poster("patient", 10), "white")})
	s.expect(t, "patient printer")
	s.end("printer")
	s.expect(t, "")
	if want := s.now.Add(10 * time.Hour); !s.dispatch.Wake().Equal(want) {
		t.Errorf("looks again at %v, want %v, when somebody comes", s.dispatch.Wake(), want)
	}
	s.do(floor.SetAttendance{Operators: 1, Until: s.now.Add(time.Hour), Note: "for the rush"})
	s.expect(t, "rush printer")
}

// One person and two free devices: the step with the greater index gets the person, whatever the order of the devices.
func TestTheIndexDecidesWhoGetsThePerson(t *testing.T) {
	first, second := printer("first", time.Minute), printer("second", time.Minute)
	for _, d := range []*tandemv1.Device{first, second} {
		d.Abilities[0].Attendance = tandemv1.Attendance_ATTENDANCE_WHOLE
	}
	s := newShop(t.Fatalf, EarliestCompletion, first, second)
	withShift(s, 1)
	minor, major := poster("minor", 10), poster("major", 10)
	minor.Steps[0].Devices, major.Steps[0].Devices = []string{"first"}, []string{"second"}
	minor.Priority, major.Priority = 1, 90
	s.do(floor.CreateJob{Job: minor})
	s.do(floor.CreateJob{Job: major})
	s.expect(t, "major second", "")
	if want := s.now.Add(10 * time.Minute); !s.dispatch.Wake().Equal(want) {
		t.Errorf("looks again at %v, want %v, when the person is free", s.dispatch.Wake(), want)
	}
	s.now = s.now.Add(10 * time.Minute)
	s.end("second")
	s.expect(t, "minor first")
}

// A slow device that starts alone beats a fast one that nobody can start until the morning; by day the fast one gets it.
func TestTheNightCountsInTheCompletion(t *testing.T) {
	slow, fast := alone(printer("slow", 10*time.Minute)), printer("fast", time.Minute)
	s := newShop(t.Fatalf, EarliestCompletion, slow, fast)
	withShift(s, 1)
	s.now = s.now.Add(12 * time.Hour)
	s.do(floor.CreateJob{Job: poster("a", 60)}) // 10 hours from 20:00, or one hour from 08:00
	s.expect(t, "a slow")
	s.do(floor.CreateJob{Job: poster("b", 100)}) // after that 16 hours and more, or two from 08:00
	s.expect(t, "")
	s.now = s.now.Add(12 * time.Hour)
	s.expect(t, "b fast")
}

// A device that is out is waited for if it is expected back in time, and no longer than that pays.
func TestADeviceThatComesBackIsWaitedFor(t *testing.T) {
	s := newShop(t.Fatalf, EarliestCompletion, printer("slow", 10*time.Minute), printer("fast", time.Minute))
	s.do(floor.PauseDevice{Device: "fast", Back: s.now.Add(time.Hour)})
	s.do(floor.CreateJob{Job: poster("a", 10)}) // 100 minutes on slow, 70 with the wait
	s.expect(t, "")
	s.do(floor.CreateJob{Job: poster("b", 5)}) // 50 minutes on slow, 65 with the wait
	s.expect(t, "b slow")
	s.now = s.now.Add(time.Hour)
	s.do(floor.ResumeDevice{Device: "fast"})
	s.expect(t, "a fast")
}

// The step with the shortest time left to its longest wait goes first, whenever its job is due.
func TestAWaitThatRunsOutIsUrgent(t *testing.T) {
	cutter := &tandemv1.Device{Id: "cutter", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "cut", PerPiece: durationpb.New(time.Minute)}}}
	s := newShop(t.Fatalf, EarliestCompletion, cutter)
	for _, id := range []string{"patient", "curing"} {
		j := &tandemv1.Job{Id: id, Pieces: 10, DueTime: timestamppb.New(s.now.Add(12 * time.Hour)), Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}
		if id == "curing" {
			j.DueTime = timestamppb.New(s.now.Add(24 * time.Hour))
			j.Steps[0].MaxWait = durationpb.New(time.Hour)
		}
		s.do(floor.CreateJob{Job: j})
	}
	s.expect(t, "curing cutter")
}

// What will wait too long whatever is done is printed all the same, and the grant says so.
func TestWhatCannotBeHelpedGoesAhead(t *testing.T) {
	cutter := &tandemv1.Device{Id: "cutter", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "cut", PerPiece: durationpb.New(time.Minute)}}}
	s := newShop(t.Fatalf, EarliestCompletion, printer("printer", time.Minute), cutter)
	withShift(s, 2)
	j := poster("a", 10)
	j.Steps = append(j.Steps, &tandemv1.Step{Id: "cut", Operation: "cut", After: []string{"print"}, MinWait: durationpb.New(10 * time.Hour), MaxWait: durationpb.New(11 * time.Hour)})
	s.do(floor.CreateJob{Job: j})
	g, ok := s.dispatch.Next(s.floor, s.now)
	if !ok || !strings.Contains(g.Why.GetRule(), "cut will wait for longer than its 11h whenever this begins") {
		t.Errorf("granted %s: %s", show(g, ok), g.Why.GetRule())
	}
}

// At half past two the printer, which a person starts, would be done with the short work before they leave: the long work that
// goes on without them is begun in its place, if the short can wait until the morning.
func TestLongWorkIsBegunLast(t *testing.T) {
	for _, tt := range []struct {
		due  time.Duration // of the short work
		want string
	}{{48 * time.Hour, "long printer"}, {4 * time.Hour, "short printer"}} {
		s := newShop(t.Fatalf, EarliestCompletion, printer("printer", time.Minute))
		withShift(s, 1)
		s.now = s.now.Add(6*time.Hour + 30*time.Minute)
		short, long := poster("short", 85), poster("long", 600)
		short.DueTime, long.DueTime = timestamppb.New(s.now.Add(tt.due)), timestamppb.New(s.now.Add(90*time.Hour))
		short.Priority, long.Priority = 60, 40
		s.do(floor.CreateJob{Job: short})
		s.do(floor.CreateJob{Job: long})
		s.expect(t, tt.want)
	}
}
