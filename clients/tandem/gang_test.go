package main

import (
	"fmt"
	"strings"
	"testing"

	tandemv1 "tandem/proto/tandem/v1"
)

// withGangs adds a gang run, one of its members and proposals for more.
func (f *fake) withGangs() {
	f.jobs = append(f.jobs, someMember(), someGang())
	f.page = len(f.jobs)
	f.proposals = []*tandemv1.GangProposal{
		{Jobs: []string{"tide-tables", "cafe-door"}, Media: "vinyl-white", LengthApartUm: 2_640_000, LengthTogetherUm: 1_400_000},
		{Jobs: []string{"fleet", "berth-signs", "keel-marks"}, Media: "vinyl-clear", LengthApartUm: 3_000_000, LengthTogetherUm: 2_950_000},
	}
}

func someGang() *tandemv1.Job {
	const held = tandemv1.JobState_JOB_STATE_PENDING_HELD
	return &tandemv1.Job{
		Id: "gang-6", Code: "J203X", Priority: 80, DueTime: after(240), CreateTime: after(-30), Revision: 1040,
		State: tandemv1.JobState_JOB_STATE_PROCESSING, StateReasons: []string{"job-printing"}, Members: []string{"buoy-tags", "hull-names"},
		Panels: []*tandemv1.Panel{{Id: "p1", Code: "P20A", Pieces: 12, PiecesGood: 11, PiecesSpoiled: 1, Place: "printer-1", PlaceTime: after(-4), Contents: []*tandemv1.Content{
			{Job: "buoy-tags", Item: "tag", Pieces: 4},
			{Job: "hull-names", Item: "name", Pieces: 7, PiecesSpoiled: 1},
			{Job: "buoy-tags", Item: "tag", Pieces: 1},
		}}},
		Steps: []*tandemv1.Step{
			{
				Id: "print", Operation: "print", Media: "vinyl-white", LengthUm: 1_400_000, State: tandemv1.JobState_JOB_STATE_PROCESSING,
				StateReasons: []string{"job-printing"}, PiecesGood: 5, PiecesSpoiled: 1, PiecesLeft: 6,
				Runs: []*tandemv1.Run{{
					Id: "r21", Device: "printer-1", State: tandemv1.JobState_JOB_STATE_PROCESSING, Pieces: 12, PiecesGood: 5, PiecesSpoiled: 1,
					StartTime: after(-4), StartedBy: "anna", MayStart: true,
				}},
			},
			{Id: "cut", Operation: "cut", After: []string{"print"}, State: held, StateReasons: []string{"x-waiting-predecessor"}, PiecesLeft: 11},
		},
	}
}

func someMember() *tandemv1.Job {
	const held = tandemv1.JobState_JOB_STATE_PENDING_HELD
	return &tandemv1.Job{
		Id: "buoy-tags", Code: "J201D", Priority: 50, CreateTime: after(-90), Revision: 1040,
		State: tandemv1.JobState_JOB_STATE_PROCESSING, StateReasons: []string{"x-in-gang-run", "job-printing"},
		Panels: []*tandemv1.Panel{{Id: "p1", Code: "P208", Pieces: 5, PiecesGood: 5, Contents: []*tandemv1.Content{{Item: "tag", Pieces: 5}}}},
		Steps: []*tandemv1.Step{
			{
				Id: "print", Operation: "print", State: tandemv1.JobState_JOB_STATE_PROCESSING, StateReasons: []string{"x-in-gang-run", "job-printing"},
				CarriedBy: "gang-6/print", PiecesGood: 4, PiecesLeft: 1,
			},
			{Id: "kiss", Operation: "cut", After: []string{"print"}, State: held, StateReasons: []string{"x-in-gang-run"}, CarriedBy: "gang-6/cut", PiecesLeft: 5},
			{Id: "pack", Operation: "pack", After: []string{"kiss"}, State: held, StateReasons: []string{"x-waiting-predecessor"}, PiecesLeft: 5},
		},
	}
}

func TestGangUsage(t *testing.T) {
	for _, tt := range []struct{ args, says string }{
		{"gang", "at least two jobs"},
		{"gang g a", "at least two jobs"},
		{"gang --propose g", "stands alone"},
		{"gang --propose --check", "stands alone"},
	} {
		f := newFake(t)
		code, _, stderr := f.tandem(t, strings.Fields(tt.args)...)
		if code != 2 || !strings.Contains(stderr, tt.says) {
			t.Errorf("tandem %s: exit %d, %s", tt.args, code, stderr)
		}
	}
}

func TestNoGangToPropose(t *testing.T) {
	f := newFake(t)
	if code, stdout, stderr := f.tandem(t, "gang", "--propose"); code != 0 || stdout != "" || !strings.Contains(stderr, "no jobs") {
		t.Errorf("exit %d, %q, %q", code, stdout, stderr)
	}
}

// A long layout does not scroll the rest of the job off the screen.
func TestContentsOfALongPanel(t *testing.T) {
	f := newFake(t)
	g := someGang()
	for i := range 50 {
		g.Panels[0].Contents = append(g.Panels[0].Contents, &tandemv1.Content{Job: fmt.Sprintf("job-%d", i), Item: "x", Pieces: 1})
	}
	f.jobs = append(f.jobs, g)
	_, stdout, _ := f.tandem(t, "jobs", "gang-6")
	if !strings.Contains(stdout, "and 13 more rows") || strings.Contains(stdout, "job-45") {
		t.Errorf("shown as\n%s", stdout)
	}
}

// What happens to a gang run shows at its members, although the event names only the run.
func TestLiveFloorAsksForKin(t *testing.T) {
	l := &liveFloor{changed: map[string]bool{}, jobs: []*tandemv1.Job{someMember(), someGang()}}
	l.changeKin("gang-6")
	if !l.changed["buoy-tags"] || !l.changed["hull-names"] {
		t.Errorf("asks for %v", l.changed)
	}
	clear(l.changed)
	l.changeKin("buoy-tags")
	if !l.changed["gang-6"] || len(l.changed) != 1 {
		t.Errorf("asks for %v", l.changed)
	}
}
