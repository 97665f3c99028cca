package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) showJob(ctx context.Context, id string) error {
	client, err := a.jobs()
	if err != nil {
		return err
	}
	job, err := bounded(ctx, a, func(ctx context.Context) (*tandemv1.Job, error) {
		return client.GetJob(ctx, &tandemv1.GetJobRequest{Id: id})
	})
	if err != nil {
		return err
	}
	switch {
	case a.json:
		a.message(job)
	case a.quiet:
		a.text("%s", job.GetId())
	default:
		a.job(a.clock(ctx), job)
	}
	return nil
}

// job shows everything about one job.
func (a *app) job(clock wording.Clock, j *tandemv1.Job) {
	a.line(span{strong, j.GetId()}, span{plain, before("  ", words("  ", j.GetCode(), j.GetDisplayName()))})
	var f facts
	f.style("state", stateStyle(wording.JobState(j.GetState())), withReasons(wording.JobState(j.GetState()), j.GetStateReasons()))
	if j.GetHold() {
		f.style("hold", warned, "held: 'tandem release' lets it go on")
	}
	d := due(clock, j)
	f.style("due", d.Style, d.Text)
	f.forecast(clock, j.GetForecast())
	if j.GetReleaseTime() != nil {
		f.add("release", clock.When(j.GetReleaseTime()))
	}
	if j.GetPriority() != 0 {
		f.add("priority", strconv.Itoa(int(j.GetPriority())))
	}
	f.add("created", clock.When(j.GetCreateTime()))
	if j.GetEndTime() != nil {
		f.add("ended", clock.When(j.GetEndTime()))
	}
	f.add("archived", orNothing(j.GetArchived(), "it has left the floor, and can no longer be changed"))
	for _, key := range slices.Sorted(maps.Keys(j.GetLabels())) {
		f.add("label", key+" = "+j.GetLabels()[key])
	}
	if len(j.GetMembers()) > 0 {
		f.add("gang run of", strings.Join(j.GetMembers(), ", "))
	}
	f.add("revision", strconv.FormatUint(j.GetRevision(), 10))
	f.print(a.printer)
	a.steps(clock, j)
	a.carried(j)
	a.panels(clock, j)
	a.contents(j)
	a.runsOf(clock, j)
	a.materials(j)
	a.registrations(j)
}

func (a *app) steps(clock wording.Clock, j *tandemv1.Job) {
	t := table{head: []string{"STEP", "OPERATION", "STATE", "AFTER", "GOOD", "SPOILED", "LEFT", "READY", "NEEDS", "REASONS"}}
	for _, s := range j.GetSteps() {
		ready := "-"
		if s.GetReadyTime() != nil && !wording.Ended(s.GetState()) {
			ready = clock.When(s.GetReadyTime())
		}
		t.add(span{strong, s.GetId()}, span{plain, s.GetOperation()}, state(wording.JobState(s.GetState())),
			span{plain, orDash(strings.Join(s.GetAfter(), " "))}, count(s.GetPiecesGood()), count(s.GetPiecesSpoiled()), count(s.GetPiecesLeft()),
			span{plain, ready}, span{plain, orDash(stepNeeds(s))}, span{plain, reasons(s.GetStateReasons())})
	}
	a.line()
	t.print(a.printer)
	for _, s := range j.GetSteps() {
		if s.GetNote() != "" {
			a.line(span{warned, "note for " + s.GetId() + ": "}, span{plain, s.GetNote()})
		}
	}
}

// stepNeeds lists what a step asks of a device.
func stepNeeds(s *tandemv1.Step) string {
	var parts []string
	for _, p := range []struct{ name, value string }{{"", s.GetMedia()}, {"film ", s.GetFilm()}, {"blade ", s.GetBlade()}, {"ink ", s.GetInk()}, {"mode ", s.GetMode()}} {
		if p.value != "" {
			parts = append(parts, p.name+p.value)
		}
	}
	for _, p := range []struct {
		name string
		um   int64
		show func(um int64) string
	}{{"width", s.GetWidthUm(), wording.Millimetres}, {"length", s.GetLengthUm(), wording.Millimetres}, {"knife path", s.GetPathLengthUm(), wording.Metres}} {
		if p.um != 0 {
			parts = append(parts, p.name+" "+p.show(p.um))
		}
	}
	if d := s.GetDuration(); d != nil {
		parts = append(parts, wording.Span(d.AsDuration()))
	}
	for _, key := range slices.Sorted(maps.Keys(s.GetRequires())) {
		parts = append(parts, key+"="+s.GetRequires()[key])
	}
	return strings.Join(parts, ", ")
}

func (a *app) panels(clock wording.Clock, j *tandemv1.Job) {
	t := table{head: []string{"PANEL", "CODE", "PIECES", "GOOD", "SPOILED", "REMAKE OF", "PLACE", "SINCE"}}
	for _, p := range j.GetPanels() {
		t.add(span{strong, p.GetId()}, span{plain, orDash(p.GetCode())}, count(p.GetPieces()), count(p.GetPiecesGood()), count(p.GetPiecesSpoiled()),
			span{plain, orDash(p.GetRemakeOf())}, span{plain, orDash(wording.Place(p))}, span{plain, clock.At(p.GetPlaceTime())})
	}
	if len(t.rows) > 0 {
		a.line()
	}
	t.print(a.printer)
}

func (a *app) runsOf(clock wording.Clock, j *tandemv1.Job) {
	t := table{head: []string{"RUN", "STEP", "DEVICE", "STATE", "GOOD", "SPOILED", "STARTED BY", "START", "END", "REASONS"}}
	for _, s := range j.GetSteps() {
		for _, r := range s.GetRuns() {
			t.add(span{strong, r.GetId()}, span{plain, s.GetId()}, span{plain, r.GetDevice()}, state(wording.JobState(r.GetState())),
				span{plain, fmt.Sprintf("%d/%d", r.GetPiecesGood(), r.GetPieces())}, count(r.GetPiecesSpoiled()),
				span{plain, orDash(r.GetStartedBy())}, span{plain, clock.At(r.GetStartTime())}, span{plain, clock.At(r.GetEndTime())},
				span{plain, reasons(r.GetStateReasons())})
		}
	}
	if len(t.rows) > 0 {
		a.line()
	}
	t.print(a.printer)
}

func count(n int32) span { return span{plain, strconv.Itoa(int(n))} }

func withReasons(state string, list []string) string { return state + reasonsBehind(list) }
