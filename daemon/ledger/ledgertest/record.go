package ledgertest

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// Start is the commit time of the first record made by Next.
var Start = time.Date(2026, time.March, 2, 6, 0, 0, 0, time.UTC)

// Next returns a record that may follow head: committed a millisecond later, with n events of the size that a step of a
// job has on its way through the shop, about 200 bytes each.
func Next(head ledger.Head, n int) *ledgerv1.Record {
	at := Start
	if head.Revision > 0 {
		at = head.CommitTime.Add(time.Millisecond)
	}
	rec := &ledgerv1.Record{
		Revision:     head.Revision + 1,
		Term:         max(head.Term, 1),
		CommitTime:   timestamppb.New(at),
		PreviousHash: head.Hash,
		Schema:       1,
		Events:       make([]*ledgerv1.Event, n),
	}
	for i := range rec.GetEvents() {
		rec.Events[i] = event(rec.GetRevision(), i, at)
	}
	return rec
}

// event returns a change of a run, as drivers report it.
func event(revision uint64, i int, at time.Time) *ledgerv1.Event {
	id := fmt.Sprintf("run-%d-%d", revision, i)
	return &ledgerv1.Event{
		Actor: "driver:cutter-left",
		Kind: &ledgerv1.Event_RunChanged{RunChanged: &ledgerv1.RunChanged{
			Run:        id,
			State:      tandemv1.JobState_JOB_STATE_PROCESSING,
			Reasons:    []string{"job-printing", "marker-supply-low-report", "x-awaiting-start", "media-low-report", "x-media-of-last-run-kept"},
			PiecesGood: int32(i),
			StartTime:  timestamppb.New(at.Add(-time.Minute)),
			EndTime:    timestamppb.New(at),
		}},
	}
}

// Snapshot returns a snapshot of the record that made head, with a hold note of padding bytes on its one job.
func Snapshot(head ledger.Head, padding int) *ledgerv1.Snapshot {
	note := make([]byte, padding)
	for i := range note {
		note[i] = byte('a' + i%23)
	}
	return &ledgerv1.Snapshot{
		Revision:      head.Revision,
		Term:          head.Term,
		CommitTime:    timestamppb.New(head.CommitTime),
		Hash:          head.Hash,
		Schema:        1,
		Jobs:          []*ledgerv1.JobSnapshot{{Job: &tandemv1.Job{Id: "window-lettering"}, Held: true, HoldNote: string(note)}},
		PersonNumbers: map[string]uint64{"kim": 1, "lee": 2, "ola": 3},
	}
}
