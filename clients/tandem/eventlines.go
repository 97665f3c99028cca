package main

import (
	"fmt"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// stamp is the form of times in lists of events: complete, so that a line means the same tomorrow.
const stamp = "2006-01-02 15:04:05"

// commit shows every event of a revision, one a line. Types that are newer than this program are shown like the others.
func (a *app) commit(m *tandemv1.WatchEventsResponse) {
	when := m.GetCommit().GetCommitTime().AsTime().In(a.zone).Format(stamp)
	for _, e := range m.GetCommit().GetEvents() {
		about := words(" ", words("/", e.GetJob(), e.GetStep()), before("panel ", e.GetPanel()), before("run ", e.GetRun()), before("on ", e.GetDevice()))
		spans := []span{{faint, when}, {plain, fmt.Sprintf("  #%d  ", m.GetRevision())}, {strong, e.GetType()}, {plain, before("  ", about)}}
		if e.GetState() != "" {
			spans = append(spans, span{plain, ": "}, state(e.GetState()), span{plain, reasonsBehind(e.GetReasons())})
		}
		if e.GetPiecesGood() != 0 {
			spans = append(spans, span{plain, fmt.Sprintf(", %d good", e.GetPiecesGood())})
		}
		if e.GetPiecesSpoiled() != 0 {
			spans = append(spans, span{bad, fmt.Sprintf(", %d spoiled", e.GetPiecesSpoiled())})
		}
		spans = append(spans, span{plain, before("; ", e.GetMessage())}, span{faint, before("; by ", e.GetActor())})
		a.line(spans...)
	}
}

// present shows a part of the present state, one line for each device and job.
func (a *app) present(s *tandemv1.Snapshot) {
	for _, d := range s.GetDevices() {
		a.line(span{faint, "now  "}, span{plain, "device "}, span{strong, d.GetId()}, span{plain, ": "}, state(wording.DeviceState(d.GetState())),
			span{plain, reasonsBehind(d.GetStateReasons()) + ", " + wording.Link(d.GetLink())})
	}
	for _, j := range s.GetJobs() {
		a.line(span{faint, "now  "}, span{plain, "job "}, span{strong, j.GetId()}, span{plain, ": "}, state(wording.JobState(j.GetState())),
			span{plain, reasonsBehind(j.GetStateReasons()) + ", steps " + stepsDone(j)})
	}
}

// before puts a word in front of a text, unless that is empty.
func before(word, text string) string { return orNothing(text != "", word+text) }
