package floor

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
)

func TestOverdue(t *testing.T) {
	const (
		pending    = tandemv1.JobState_JOB_STATE_PENDING
		processing = tandemv1.JobState_JOB_STATE_PROCESSING
	)
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC) // a Monday
	night := time.Date(2026, 3, 2, 21, 50, 0, 0, time.UTC)
	day := new(people)
	day.configure(1, &tandemv1.FloorFile{TimeZone: "UTC", Shifts: []*tandemv1.Shift{{Id: "day", From: "06:00", To: "22:00"}}})
	rack := &tandemv1.Device{Id: "rack", Slots: []string{"a1"}, Driver: &tandemv1.Driver{Manual: true}}
	bench := &tandemv1.Device{Id: "bench", Driver: &tandemv1.Driver{Manual: true}}
	for _, c := range []struct {
		name      string
		spec      *tandemv1.Device
		operation string
		place     string
		state     tandemv1.JobState
		mayStart  bool
		stopping  bool
		begun     time.Time // grant, and start unless pending
		after     time.Duration
		want      string
		since     time.Duration // after begun
	}{
		{name: "waits for its start", spec: bench, operation: "cut", state: pending, begun: at, after: 30 * time.Minute},
		{name: "waits too long", spec: bench, operation: "cut", state: pending, begun: at, after: 31 * time.Minute, want: ReasonStartOverdue},
		{name: "may start by itself", spec: bench, operation: "cut", state: pending, mayStart: true, begun: at, after: time.Hour},
		{name: "is taken back", spec: bench, operation: "cut", state: pending, stopping: true, begun: at, after: time.Hour},
		{name: "nobody is there to start it", spec: bench, operation: "cut", state: pending, begun: night, after: 8 * time.Hour},
		{name: "in the morning", spec: bench, operation: "cut", state: pending, begun: night, after: 8*time.Hour + 31*time.Minute, want: ReasonStartOverdue},
		{name: "goes on", spec: bench, operation: "cut", state: processing, mayStart: true, begun: at, after: 30 * time.Minute},
		{name: "over its time", spec: bench, operation: "cut", state: processing, mayStart: true, begun: at, after: 31 * time.Minute, want: ReasonOverdue, since: 20 * time.Minute},
		{name: "people went home", spec: bench, operation: "cut", state: processing, mayStart: true, begun: night, after: 8 * time.Hour},
		{name: "a machine needs nobody to end", spec: &tandemv1.Device{Id: "cutter"}, operation: "cut", state: processing, mayStart: true, begun: night, after: 31 * time.Minute, want: ReasonOverdue, since: 20 * time.Minute},
		{name: "outcome unknown", spec: bench, operation: "cut", state: tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, mayStart: true, begun: at, after: time.Hour},
		{name: "on its way to the rack", spec: rack, operation: dry, place: "printer", state: processing, begun: at, after: 15 * time.Minute},
		{name: "not seen in the rack", spec: rack, operation: dry, place: "printer", state: processing, begun: at, after: 16 * time.Minute, want: ReasonNotSeen},
		{name: "seen there", spec: rack, operation: dry, place: "rack", state: processing, begun: at, after: 5 * time.Hour},
		{name: "a rack whose slots nobody names", spec: &tandemv1.Device{Id: "rack", Driver: &tandemv1.Driver{Manual: true}}, operation: dry, place: "printer", state: processing, begun: at, after: 5 * time.Hour},
	} {
		r := &Run{
			State: c.state, MayStart: c.mayStart, Stopping: c.stopping, Grant: c.begun, Expected: 20 * time.Minute, Device: &Device{ID: c.spec.GetId(), Spec: c.spec, people: day},
			Step: &Step{Spec: &tandemv1.Step{Operation: c.operation, Duration: durationpb.New(24 * time.Hour)}, Free: c.begun, Panels: []*Panel{{Place: c.place}}},
		}
		if c.state != pending {
			r.Start = c.begun
		}
		got, since := r.Overdue(c.begun.Add(c.after))
		if got != c.want || got != "" && !since.Equal(c.begun.Add(c.since)) {
			t.Errorf("%s: %q since %v, want %q since %v", c.name, got, since, c.want, c.begun.Add(c.since))
		}
	}
}
