package wording

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

func TestStatesAreKeywordsOfTheStandards(t *testing.T) {
	// RFC 8011 section 5.3.7, job-state: keyword and enum value.
	for number, want := range map[int32]string{
		3: "pending", 4: "pending-held", 5: "processing", 6: "processing-stopped", 7: "canceled", 8: "aborted", 9: "completed",
	} {
		if got := JobState(tandemv1.JobState(number)); got != want {
			t.Errorf("job-state %d = %q, want %q", number, got, want)
		}
		back, err := JobStateOf(strings.ToUpper(want))
		if err != nil || int32(back) != number {
			t.Errorf("JobStateOf(%q) = %d, %v", want, back, err)
		}
		if ended := number >= 7; Ended(tandemv1.JobState(number)) != ended {
			t.Errorf("Ended(%s) = %t", want, !ended)
		}
	}
	// RFC 8011 section 5.4.11, printer-state.
	for number, want := range map[int32]string{3: "idle", 4: "processing", 5: "stopped"} {
		if got := DeviceState(tandemv1.DeviceState(number)); got != want {
			t.Errorf("printer-state %d = %q, want %q", number, got, want)
		}
	}
	if got := Phase(tandemv1.DevicePhase_DEVICE_PHASE_NON_PRODUCTIVE); got != "non-productive" {
		t.Errorf("phase = %q", got)
	}
	if got := Link(tandemv1.Link_LINK_NOT_YET_REPORTED); got != "not-yet-reported" {
		t.Errorf("link = %q", got)
	}
	if got := Outcome(tandemv1.RecordScanResponse_OUTCOME_WRONG_STATION); got != "wrong-station" {
		t.Errorf("outcome = %q", got)
	}
	if got := JobState(tandemv1.JobState(77)); got != "77" {
		t.Errorf("state of a newer daemon = %q", got)
	}
}

func TestJobStateOfNamesTheWords(t *testing.T) {
	_, err := JobStateOf("cancelled")
	if err == nil || !strings.Contains(err.Error(), "canceled, completed") {
		t.Errorf("error = %v, want the list of keywords", err)
	}
	if _, err := JobStateOf("unspecified"); err == nil {
		t.Error("unspecified is taken for a state")
	}
}

func TestMillimetres(t *testing.T) {
	for um, want := range map[int64]string{0: "0 mm", 1: "0.001 mm", 1370000: "1370 mm", 25400: "25.4 mm"} {
		if got := Millimetres(um); got != want {
			t.Errorf("Millimetres(%d) = %q, want %q", um, got, want)
		}
	}
}

func TestSpan(t *testing.T) {
	tests := []struct {
		in   time.Duration
		want string
	}{
		{0, "0 s"},
		{400 * time.Millisecond, "0 s"},
		{59 * time.Second, "59 s"},
		{59*time.Second + 900*time.Millisecond, "1 min"},
		{12*time.Minute + 10*time.Second, "12 min"},
		{59*time.Minute + 40*time.Second, "1 h"},
		{3*time.Hour + 5*time.Minute, "3 h 5 min"},
		{24*time.Hour - time.Second, "1 d"},
		{52 * time.Hour, "2 d 4 h"},
		{-90 * time.Minute, "-1 h 30 min"},
	}
	for _, tt := range tests {
		if got := Span(tt.in); got != tt.want {
			t.Errorf("Span(%v) = %q, want %q", tt.in, got, tt.want)
		}
	}
}

func TestClock(t *testing.T) {
	// A zone two hours ahead: 22:30 UTC is already tomorrow there.
	clock := Clock{Now: time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC), Zone: time.FixedZone("", 2*3600)}
	tests := []struct {
		in         time.Time
		at, away   string
		isPastTime bool
	}{
		{clock.Now.Add(12 * time.Minute), "14:12", "in 12 min", false},
		{clock.Now.Add(-30 * time.Second), "13:59", "30 s ago", true},
		{clock.Now, "14:00", "now", false},
		{time.Date(2026, 11, 25, 22, 30, 0, 0, time.UTC), "Thu 00:30", "in 10 h 30 min", false},
		{time.Date(2026, 12, 1, 8, 0, 0, 0, time.UTC), "Tue 10:00", "in 5 d 20 h", false},
		{time.Date(2026, 12, 2, 8, 0, 0, 0, time.UTC), "2026-12-02 10:00", "in 6 d 20 h", false},
		{time.Date(2025, 11, 25, 12, 0, 0, 0, time.UTC), "2025-11-25 14:00", "365 d ago", true},
	}
	for _, tt := range tests {
		ts := timestamppb.New(tt.in)
		if got := clock.At(ts); got != tt.at {
			t.Errorf("At(%v) = %q, want %q", tt.in, got, tt.at)
		}
		if got, want := clock.When(ts), tt.at+" ("+tt.away+")"; got != want {
			t.Errorf("When(%v) = %q, want %q", tt.in, got, want)
		}
		if got := clock.Past(ts); got != tt.isPastTime {
			t.Errorf("Past(%v) = %t", tt.in, got)
		}
	}
	if clock.At(nil) != "-" || clock.When(nil) != "-" || clock.Away(nil) != "-" || clock.Past(nil) {
		t.Error("a time that is not set is not shown as a dash")
	}
}
