package floor

import (
	"errors"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// shop is a floor with a clock, for tests that look at figures and not at events.
type shop struct {
	t     *testing.T
	floor *Floor
	now   time.Time
}

// monday is 2026-03-02, in UTC, which the shops here go by.
func monday(hour, minute int) time.Time { return time.Date(2026, 3, 2, hour, minute, 0, 0, time.UTC) }

func newShop(t *testing.T, file *tandemv1.FloorFile) *shop {
	s := &shop{t: t, floor: New(), now: monday(8, 0)}
	s.do(BeginTerm{})
	s.do(Configure{File: file})
	for _, d := range file.GetDevices() {
		s.do(Greet{Device: d.GetId(), Status: &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE}})
	}
	return s
}

func (s *shop) do(c Command) {
	s.t.Helper()
	d, err := s.floor.Decide(s.now, Meta{Actor: "mira"}, c)
	if err != nil {
		s.t.Fatalf("%T: %v", c, err)
	}
	for _, e := range d.Events {
		s.floor.Apply(s.floor.Revision+1, s.now, e)
	}
}

func (s *shop) device(id string) *Device { d, _ := s.floor.Device(id); return d }

func (s *shop) step(job, id string) *Step {
	j, _ := s.floor.Job(job)
	st, _ := j.Step(id)
	return st
}

func (s *shop) grant(job, step, device string) *Run {
	s.t.Helper()
	st, d := s.step(job, step), s.device(device)
	s.do(Grant{Step: st, Device: d, Expected: d.Estimate(st, s.now)})
	return st.Live
}

func (s *shop) end(r *Run) {
	s.t.Helper()
	s.do(Report{Device: r.Device.ID, Status: &driverv1.Status{
		Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE,
		Runs: []*driverv1.RunStatus{{Run: r.ID, Fence: r.Fence, State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: r.Pieces}},
	}})
}

// dayShift is 07:00 to 16:00 with so many people, every day but Sunday.
func dayShift(operators int32) []*tandemv1.Shift {
	return []*tandemv1.Shift{{Id: "day", Days: []string{"mon", "tue", "wed", "thu", "fri", "sat"}, From: "07:00", To: "16:00", Operators: operators}}
}

func minutes(n int) *durationpb.Duration { return durationpb.New(time.Duration(n) * time.Minute) }

// workshop has a printer that starts alone, a cutter that is unloaded, a rack with so many places and a bench.
func workshop(operators, places int32) *tandemv1.FloorFile {
	return &tandemv1.FloorFile{Shifts: dayShift(operators), Devices: []*tandemv1.Device{
		{Id: "printer", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, LoadedMedia: "white", Abilities: []*tandemv1.Ability{{
			Operation: "print", Setup: minutes(5), PerPiece: minutes(1), MediaChangeover: minutes(10), UnattendedStart: &tandemv1.UnattendedStart{AllowedBy: "mira"},
		}}},
		{Id: "cutter", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{
			Operation: "cut", Setup: minutes(3), PerPiece: minutes(1), Unload: minutes(10),
		}}},
		{Id: "rack", Capacity: places, Driver: &tandemv1.Driver{Kind: "rack", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "dry", UnattendedStart: &tandemv1.UnattendedStart{AllowedBy: "mira"}}}},
		{Id: "bench", Capacity: 1, Driver: &tandemv1.Driver{Kind: "operator", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "weed", PerPiece: minutes(1)}}},
	}}
}

func job(id string, pieces int32, steps ...*tandemv1.Step) *tandemv1.Job {
	return &tandemv1.Job{Id: id, Pieces: pieces, Steps: steps}
}

func TestHowLongARunNeedsSomebody(t *testing.T) {
	s := newShop(t, workshop(1, 1))
	s.do(CreateJob{Job: job("a", 20, &tandemv1.Step{Id: "print", Operation: "print", Media: "white"}, &tandemv1.Step{Id: "clear", Operation: "print", Media: "clear"},
		&tandemv1.Step{Id: "cut", Operation: "cut"}, &tandemv1.Step{Id: "weed", Operation: "weed"}, &tandemv1.Step{Id: "dry", Operation: "dry", Duration: minutes(60)})})
	for _, tt := range []struct {
		step, device string
		person       bool
		attended     time.Duration
	}{
		{"print", "printer", false, 0},               // starts alone, its set-up is its own
		{"clear", "printer", true, 15 * time.Minute}, // a changeover of media by hand, and the set-up
		{"cut", "cutter", true, 3 * time.Minute},     // a person starts it
		{"weed", "bench", true, 20 * time.Minute},    // hand work: the whole
		{"dry", "rack", false, 0},                    // ink dries alone
	} {
		e := s.device(tt.device).Estimate(s.step("a", tt.step), s.now)
		if e.Person != tt.person || e.Attended != tt.attended {
			t.Errorf("%s: %v for %v, want %v for %v", tt.step, e.Person, e.Attended, tt.person, tt.attended)
		}
	}
	s.device("cutter").Spec.Abilities[0].Attendance = tandemv1.Attendance_ATTENDANCE_WHOLE
	if e := s.device("cutter").Estimate(s.step("a", "cut"), s.now); e.Attended != e.Total() {
		t.Errorf("attended for %v of %v, want the whole", e.Attended, e.Total())
	}
}

// A cutter is free when somebody has taken the work off it: ten minutes in the shift, the next morning at night, at once where
// a panel of it is seen elsewhere.
func TestADeviceIsFreeOnceItIsUnloaded(t *testing.T) {
	for _, tt := range []struct {
		end  time.Time
		want time.Time
	}{
		{monday(9, 0), monday(9, 10)},
		{monday(15, 55), monday(24+7, 10)},
		{monday(23, 0), monday(24+7, 10)},
	} {
		s := newShop(t, workshop(1, 1))
		s.do(CreateJob{Job: job("a", 20, &tandemv1.Step{Id: "cut", Operation: "cut"})})
		r := s.grant("a", "cut", "cutter")
		s.do(StartRun{Run: r.ID})
		s.now = tt.end
		s.end(r)
		d := s.device("cutter")
		if got := d.BusyUntil(s.now); !got.Equal(tt.want) {
			t.Errorf("ended at %v: free at %v, want %v", tt.end, got, tt.want)
		}
		again, err := Restore(s.floor.Snapshot())
		if err != nil {
			t.Fatal(err)
		}
		if got := again.byDevice["cutter"].BusyUntil(s.now); !got.Equal(tt.want) {
			t.Errorf("restored: free at %v, want %v", got, tt.want)
		}
		s.do(MovePanel{Job: "a", Panel: s.step("a", "cut").Panels[0].ID, Place: "shelf"})
		if got := d.BusyUntil(s.now); !got.Equal(s.now) {
			t.Errorf("its panel lies on the shelf: free at %v, want now", got)
		}
	}
}

func TestHindrances(t *testing.T) {
	print := func(media string, next ...*tandemv1.Step) []*tandemv1.Step {
		return append([]*tandemv1.Step{{Id: "print", Operation: "print", Media: media}}, next...)
	}
	dry := &tandemv1.Step{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: minutes(240)}
	tests := []struct {
		name   string
		now    time.Time
		before func(*shop)
		steps  []*tandemv1.Step
		device string
		reason string
		until  time.Time
		says   string
	}{
		{name: "a print that starts alone at night", now: monday(22, 0), steps: print("white"), device: "printer"},
		{
			name: "a changeover at night", now: monday(22, 0), steps: print("clear"), device: "printer",
			reason: ReasonUnattended, until: monday(24+7, 0), says: "nobody is there to start it until Tue 2026-03-03 07:00",
		},
		{
			name: "hand work that would not be done", now: monday(15, 50), steps: []*tandemv1.Step{{Id: "weed", Operation: "weed"}}, device: "bench",
			reason: ReasonUnattended, until: monday(24+7, 0), says: "needs somebody for longer than they are there",
		},
		{name: "hand work longer than any shift begins all the same", now: monday(9, 0), steps: []*tandemv1.Step{{Id: "weed", Operation: "weed", Duration: durationpb.New(10 * time.Hour)}}, device: "bench"},
		{
			name: "the only one is busy", now: monday(9, 0), device: "cutter", steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}},
			before: func(s *shop) {
				s.do(CreateJob{Job: job("other", 30, &tandemv1.Step{Id: "weed", Operation: "weed"})})
				s.grant("other", "weed", "bench")
			},
			reason: ReasonOperatorBusy, until: monday(9, 30), says: "the one who is there has something to do until Mon 2026-03-02 09:30",
		},
		{
			name: "a forgotten run keeps nobody", now: monday(9, 0), device: "cutter", steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}},
			before: func(s *shop) {
				s.do(CreateJob{Job: job("other", 30, &tandemv1.Step{Id: "weed", Operation: "weed"})})
				s.grant("other", "weed", "bench")
				s.now = monday(9, 31)
			},
		},
		{
			name: "the rack is full when it is printed", now: monday(9, 0), device: "printer", steps: print("white", dry),
			before: func(s *shop) {
				s.do(CreateJob{Job: job("other", 5, print("white", dry)...)})
				s.end(s.grant("other", "print", "printer"))
				s.grant("other", "dry", "rack")
			},
			// The other is dry at 13:00; 25 minutes before that the print may begin.
			reason: ReasonRackFull, until: monday(12, 35), says: "the rack is full: all 1 places of rack",
		},
		{
			name: "the place is promised to a print under way", now: monday(9, 0), device: "printer-2", steps: print("white", dry),
			before: func(s *shop) {
				s.do(CreateJob{Job: job("other", 5, print("white", dry)...)})
				s.grant("other", "print", "printer") // 10 minutes, then four hours
			},
			reason: ReasonRackFull, until: monday(12, 45),
		},
		{
			name: "what follows would wait too long", now: monday(15, 40), device: "printer",
			steps:  print("white", &tandemv1.Step{Id: "cut", Operation: "cut", After: []string{"print"}, MaxWait: minutes(60)}),
			reason: ReasonWouldWait, until: monday(24+5, 35), says: "cut may wait for 1h and could begin on cutter at Tue 2026-03-03 07:00 UTC only",
		},
		{
			name: "and never would not: printed by day it is due to be cut at night", now: monday(9, 0), device: "printer",
			steps: print("clear", &tandemv1.Step{Id: "cut", Operation: "cut", After: []string{"print"}, MinWait: minutes(600), MaxWait: minutes(660)}),
		},
		{
			name: "drying in between counts", now: monday(9, 0), device: "printer",
			steps: print("white", dry, &tandemv1.Step{Id: "cut", Operation: "cut", After: []string{"dry"}, MaxWait: minutes(60)}),
		},
		{
			name: "drying in between counts, into the night", now: monday(13, 0), device: "printer",
			steps:  print("white", dry, &tandemv1.Step{Id: "cut", Operation: "cut", After: []string{"dry"}, MaxWait: minutes(60)}),
			reason: ReasonWouldWait, until: monday(24+1, 35), // printed by 02:00, dry at 06:00
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			file := workshop(1, 1)
			second := file.GetDevices()[0]
			file.Devices = append(file.Devices, &tandemv1.Device{Id: "printer-2", Capacity: 1, Driver: second.GetDriver(), LoadedMedia: "white", Abilities: second.GetAbilities()})
			s := newShop(t, file)
			s.now = tt.now
			if tt.before != nil {
				tt.before(s)
			}
			s.do(CreateJob{Job: job("a", 20, tt.steps...)})
			st := s.step("a", tt.steps[0].GetId())
			h, _ := s.floor.Hindered(st, s.device(tt.device), s.now)
			if h.Reason != tt.reason || !h.Until.Equal(tt.until) {
				t.Fatalf("%q until %v, want %q until %v: %v", h.Reason, h.Until, tt.reason, tt.until, h)
			}
			if !strings.Contains(h.String(), tt.says) {
				t.Errorf("says %q, want %q", h, tt.says)
			}
			for _, d := range s.floor.Devices { // let the device be the only one, for what is said of the step as a whole
				if d.ID != tt.device {
					s.do(PauseDevice{Device: d.ID})
				}
			}
			if tt.name == "what follows would wait too long" || strings.HasPrefix(tt.name, "drying in between") || strings.HasPrefix(tt.name, "and never") {
				return // the cutter is paused: nothing is known of what follows
			}
			view, why := st.View(s.now), st.Explain(s.now, s.floor.Devices)
			if got := strings.Join(view.GetStateReasons(), " "); tt.reason != "" && !strings.Contains(got, tt.reason) {
				t.Errorf("reasons %s, want %s", got, tt.reason)
			}
			if tt.reason != "" && !strings.Contains(why.GetSummary(), h.String()) {
				t.Errorf("explained as %q, want %q", why.GetSummary(), h)
			}
		})
	}
}

func TestSetAttendance(t *testing.T) {
	s := newShop(t, workshop(2, 1))
	s.now = monday(15, 0)
	s.do(SetAttendance{Operators: 1, Until: monday(21, 30), Note: "overtime"})
	for _, tt := range []struct {
		at   time.Time
		want int
	}{{monday(15, 0), 1}, {monday(21, 29), 1}, {monday(21, 30), 0}, {monday(24+7, 0), 2}} {
		if got := s.floor.Calendar().Operators(tt.at); got != tt.want {
			t.Errorf("%v: %d people, want %d", tt.at, got, tt.want)
		}
	}
	if d, ok := s.floor.Deviation(s.now); !ok || d.Actor != "mira" || d.Note != "overtime" {
		t.Errorf("deviation %+v, %v", d, ok)
	}
	again, err := Restore(s.floor.Snapshot())
	if err != nil {
		t.Fatal(err)
	}
	if got := again.Calendar().Operators(monday(20, 0)); got != 1 {
		t.Errorf("restored: %d people, want 1", got)
	}
	s.do(SetAttendance{})
	if got := s.floor.Calendar().Operators(monday(20, 0)); got != 0 {
		t.Errorf("after it was taken back: %d people, want those of the shifts", got)
	}
	for _, c := range []SetAttendance{
		{Operators: -1, Until: monday(16, 0)}, {Operators: 10_001, Until: monday(16, 0)}, {Operators: 1, Until: monday(15, 0)}, {Operators: 1, Until: monday(16, 0).AddDate(0, 2, 0)},
	} {
		var bad *Error
		if _, err := s.floor.Decide(s.now, Meta{Actor: "mira"}, c); !errors.As(err, &bad) || bad.Kind != Invalid || len(bad.Violations) != 1 {
			t.Errorf("%+v: %v, want one bad field", c, err)
		}
	}
	if _, err := s.floor.Decide(s.now, Meta{}, SetAttendance{Operators: 1, Until: monday(16, 0)}); err == nil {
		t.Error("nobody may change who is there")
	}
}

func TestBackTime(t *testing.T) {
	s := newShop(t, workshop(2, 1))
	d := s.device("printer")
	s.do(PauseDevice{Device: "printer", Back: monday(11, 0)})
	if !d.Expected() || !d.FreeFrom(s.now).Equal(monday(11, 0)) {
		t.Errorf("expected %v from %v, want from 11:00", d.Expected(), d.FreeFrom(s.now))
	}
	s.do(CreateJob{Job: job("a", 1, &tandemv1.Step{Id: "print", Operation: "print", Media: "white"})})
	if got := s.step("a", "print").Explain(s.now, s.floor.Devices).GetSummary(); got != "print waits for printer, which is expected back at Mon 2026-03-02 11:00 UTC" {
		t.Errorf("explained as %q", got)
	}
	s.now = monday(11, 30)
	if got := d.FreeFrom(s.now); !got.Equal(monday(12, 0)) {
		t.Errorf("half an hour late it is free from %v, want as much later", got)
	}
	s.do(ResumeDevice{Device: "printer"})
	if !d.Back.IsZero() || !d.FreeFrom(s.now).Equal(s.now) {
		t.Errorf("back: %v, free from %v", d.Back, d.FreeFrom(s.now))
	}
	s.do(LockDevice{Device: "printer", Note: "belt"})
	if d.Expected() {
		t.Error("nobody knows when it is back, and it is waited for")
	}
	s.do(LockDevice{Device: "printer", Note: "belt", Back: monday(13, 0)}) // its setter knows more now
	if !d.FreeFrom(s.now).Equal(monday(13, 0)) {
		t.Errorf("free from %v, want 13:00", d.FreeFrom(s.now))
	}
	for _, back := range []time.Time{monday(11, 30), monday(11, 30).AddDate(2, 0, 0)} {
		if _, err := s.floor.Decide(s.now, Meta{Actor: "mira"}, PauseDevice{Device: "cutter", Back: back}); err == nil {
			t.Errorf("expected back at %v, and nobody minds", back)
		}
	}
	var events []*ledgerv1.Event
	if decision, err := s.floor.Decide(s.now, Meta{Actor: "mira"}, UnlockDevice{Device: "printer"}); err != nil {
		t.Fatal(err)
	} else if events = decision.Events; len(events) != 1 {
		t.Errorf("unlocked by %d events", len(events))
	}
}
