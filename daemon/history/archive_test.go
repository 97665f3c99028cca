package history_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"tandem/daemon/history"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// A job that has left the floor is known here as it was, by its id and by its code; also where the history is begun anew over a ledger
// from which it has left long ago.
func TestJobsThatHaveLeftTheFloor(t *testing.T) {
	s := newShop(t)
	h, stop := s.follow()
	s.do("a")
	s.do("b") // what the cutter has worked on last: it stays
	s.caughtUp(h)
	result, err := s.engine.Do(t.Context(), floor.Meta{Actor: "daemon"}, floor.ArchiveJobs{EndedBefore: time.Now().Add(time.Hour), Most: 10})
	if err != nil || len(result.Events) != 1 {
		t.Fatalf("archived: %v %v", result.Events, err)
	}
	s.caughtUp(h)
	look := func(h *history.History) {
		t.Helper()
		j, err := h.Job(t.Context(), "a")
		if err != nil {
			t.Fatal(err)
		}
		step := j.GetSteps()[0]
		if !j.GetArchived() || j.GetDisplayName() != "for a" || j.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED || j.GetEndTime() == nil ||
			step.GetPiecesGood() != 5 || len(step.GetRuns()) != 1 || j.GetPanels()[0].GetPiecesSpoiled() != 1 {
			t.Errorf("a is known as %v", j)
		}
		if by, err := h.Job(t.Context(), j.GetCode()); err != nil || by.GetId() != "a" {
			t.Errorf("by its code %s: %v %v", j.GetCode(), by, err)
		}
		if _, err := h.Job(t.Context(), "c"); !errors.Is(err, history.ErrNoJob) {
			t.Errorf("a job that never was: %v", err)
		}
	}
	look(h)
	stop()
	for _, tail := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(filepath.Join(s.dir, history.FileName) + tail); err != nil && !errors.Is(err, os.ErrNotExist) {
			t.Fatal(err)
		}
	}
	h, _ = s.follow()
	s.until("the tables are filled from the records", func() bool {
		_, err := h.Job(t.Context(), "a")
		if err != nil && !errors.Is(err, history.ErrNotReady) && !errors.Is(err, history.ErrNoJob) {
			t.Fatal(err)
		}
		return err == nil
	})
	look(h)
	s.do("d") // and it goes on
	s.caughtUp(h)
	if j, err := h.Job(t.Context(), "d"); err != nil || j.GetId() != "d" {
		t.Errorf("d: %v %v", j, err)
	}
}
