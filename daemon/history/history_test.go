package history_test

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"tandem/daemon/engine"
	"tandem/daemon/history"
	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// shop is an engine over a ledger in memory, with one cutter that the test plays.
type shop struct {
	t      *testing.T
	store  *ledger.Memory
	engine *engine.Engine
	dir    string
}

func newShop(t *testing.T) *shop {
	t.Helper()
	s := &shop{t: t, store: ledger.NewMemory(), dir: t.TempDir()}
	var err error
	s.engine, err = engine.Open(t.Context(), engine.Options{
		Ledger: s.store, Clock: clock.Wall(), File: cutterFile(), Period: time.Minute, Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.engine.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	if _, err := s.engine.Hello(t.Context(), "cutter-1", status()); err != nil {
		t.Fatal(err)
	}
	return s
}

func cutterFile() *tandemv1.FloorFile {
	return &tandemv1.FloorFile{Devices: []*tandemv1.Device{
		{Id: "cutter-1", Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "cut"}}},
	}}
}

func status(runs ...*driverv1.RunStatus) *driverv1.Status {
	return &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE, Runs: runs}
}

// do plays a job of 6 pieces, of which one is spoiled, from intake to its end on the cutter. It returns the run.
func (s *shop) do(job string) string {
	s.t.Helper()
	meta := floor.Meta{Actor: "mira"}
	spec := &tandemv1.Job{Id: job, DisplayName: "for " + job, Pieces: 6, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}
	if _, err := s.engine.Do(s.t.Context(), meta, floor.CreateJob{Job: spec}); err != nil {
		s.t.Fatal(err)
	}
	run, fence := "", uint64(0)
	if err := s.engine.View(s.t.Context(), func(st engine.State) {
		j, _ := st.Floor.Job(job)
		run, fence = j.Steps[0].Runs[0].ID, j.Steps[0].Runs[0].Fence
	}); err != nil {
		s.t.Fatal(err)
	}
	if _, err := s.engine.Do(s.t.Context(), meta, floor.StartRun{Run: run}); err != nil {
		s.t.Fatal(err)
	}
	for _, state := range []tandemv1.JobState{tandemv1.JobState_JOB_STATE_PROCESSING, tandemv1.JobState_JOB_STATE_COMPLETED} {
		rs := &driverv1.RunStatus{Run: run, Fence: fence, State: state}
		if state == tandemv1.JobState_JOB_STATE_COMPLETED {
			rs.PiecesGood, rs.PiecesSpoiled = 5, 1
		}
		if err := s.engine.Status(s.t.Context(), "cutter-1", status(rs)); err != nil {
			s.t.Fatal(err)
		}
	}
	if err := s.engine.Status(s.t.Context(), "cutter-1", status()); err != nil {
		s.t.Fatal(err)
	}
	return run
}

// follow opens the history and lets it follow until the returned function is called.
func (s *shop) follow() (h *history.History, stop func()) {
	s.t.Helper()
	h, err := history.Open(s.t.Context(), s.dir)
	if err != nil {
		s.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		h.Follow(ctx, s.engine, s.store, zap.NewNop())
	}()
	stopped := false
	stop = func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		<-ended
		if err := h.Close(); err != nil {
			s.t.Error(err)
		}
	}
	s.t.Cleanup(stop)
	return h, stop
}

// caughtUp waits until everything in the ledger is kept.
func (s *shop) caughtUp(h *history.History) {
	s.t.Helper()
	s.until("the history has caught up", func() bool { return h.Kept() == s.store.Head().Revision })
}

func (s *shop) until(what string, ok func() bool) {
	s.t.Helper()
	for deadline := time.Now().Add(30 * time.Second); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			s.t.Fatalf("not within half a minute: %s", what)
		}
	}
}

// kept compares the records of the history with the ledger's, byte for byte.
func (s *shop) kept() {
	s.t.Helper()
	var want [][]byte
	if err := s.store.ReplayStored(s.t.Context(), 0, 0, func(_ *ledgerv1.Record, stored []byte) error {
		want = append(want, bytes.Clone(stored))
		return nil
	}); err != nil {
		s.t.Fatal(err)
	}
	c, err := history.OpenCopy(s.dir)
	if err != nil {
		s.t.Fatal(err)
	}
	defer c.Close()
	head, err := c.Head(s.t.Context())
	if err != nil || head.Revision != s.store.Head().Revision || !bytes.Equal(head.Hash, s.store.Head().Hash) {
		s.t.Errorf("the history ends at %d %x (%v), the ledger at %d %x", head.Revision, head.Hash, err, s.store.Head().Revision, s.store.Head().Hash)
	}
	n := 0
	if err := c.Records(s.t.Context(), func(rec *ledgerv1.Record, stored []byte) error {
		if n >= len(want) || !bytes.Equal(stored, want[n]) {
			return fmt.Errorf("record %d is not as stored", rec.GetRevision())
		}
		n++
		return nil
	}); err != nil || n != len(want) {
		s.t.Errorf("%d of %d records: %v", n, len(want), err)
	}
}

// tables reads the tables of reports as text.
func (s *shop) tables() string {
	s.t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(s.dir, history.FileName))
	if err != nil {
		s.t.Fatal(err)
	}
	defer db.Close()
	var out strings.Builder
	rows, err := db.QueryContext(s.t.Context(), `SELECT job||' '||code||' '||display_name||' '||state||' '||pieces||' '||pieces_good||' '||pieces_spoiled||' '||(finished IS NOT NULL)||' '||(finished >= accepted) FROM jobs
		UNION ALL SELECT run||' '||job||' '||step||' '||operation||' '||device||' '||state||' '||reasons||' '||pieces||' '||pieces_good||' '||pieces_spoiled||' '||(granted <= started AND started <= ended) FROM runs ORDER BY 1`)
	if err != nil {
		s.t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var line sql.NullString
		if err := rows.Scan(&line); err != nil {
			s.t.Fatal(err)
		}
		out.WriteString(line.String + "\n")
	}
	if err := rows.Err(); err != nil {
		s.t.Fatal(err)
	}
	return out.String()
}

const oneJob = `a J001R for a completed 6 5 1 1 1
run-1 a cut cut cutter-1 completed  6 5 1 1
`

func TestFollows(t *testing.T) {
	s := newShop(t)
	h, stop := s.follow()
	if run := s.do("a"); run != "run-1" {
		t.Fatalf("the first run is %s", run)
	}
	s.caughtUp(h)
	if got := s.tables(); got != oneJob {
		t.Errorf("tables are\n%swant\n%s", got, oneJob)
	}
	s.kept()
	if a := h.Attention(); a != nil {
		t.Errorf("attention for nothing: %v", a)
	}

	// Away for a while, it reads what it lacks from the ledger.
	stop()
	s.do("b")
	h, stop = s.follow()
	s.caughtUp(h)
	s.do("c")
	s.caughtUp(h)
	s.kept()
	want := "a J001R for a completed 6 5 1 1 1\nb J002P for b completed 6 5 1 1 1\nc J003N for c completed 6 5 1 1 1\n"
	if got := s.tables(); !strings.HasPrefix(got, want) || strings.Count(got, "run-") != 3 {
		t.Errorf("tables are\n%s", got)
	}
	stop()

	// Without the file, everything comes anew from the ledger.
	before := s.tables()
	for _, tail := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(filepath.Join(s.dir, history.FileName+tail)); err != nil && !errors.Is(err, os.ErrNotExist) {
			t.Fatal(err)
		}
	}
	h, stop = s.follow()
	s.caughtUp(h)
	stop()
	if got := s.tables(); got != before {
		t.Errorf("made anew, the tables are\n%swere\n%s", got, before)
	}
	s.kept()
}

// The head is known to the next start, and only records that the ledger has are kept.
func TestHeadIsTheLedgers(t *testing.T) {
	s := newShop(t)
	h, stop := s.follow()
	s.do("a")
	s.caughtUp(h)
	stop()
	h, err := history.Open(t.Context(), s.dir)
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	if got, want := h.Head(), s.store.Head(); got.Revision != want.Revision || !bytes.Equal(got.Hash, want.Hash) || got.Term != want.Term || !got.CommitTime.Equal(want.CommitTime) {
		t.Errorf("head is %v, the ledger's %v", got, want)
	}
}

// Tables of another version are made anew over the same records; and again, if that was interrupted.
func TestTablesOfAnotherVersionAreMadeAnew(t *testing.T) {
	s := newShop(t)
	h, stop := s.follow()
	s.do("a")
	s.caughtUp(h)
	stop()
	for _, statements := range []string{
		"PRAGMA user_version = 99; DROP TABLE runs; CREATE TABLE runs (something TEXT); DELETE FROM jobs",
		"PRAGMA user_version = 0; DELETE FROM jobs; DELETE FROM runs", // what an interrupted filling leaves
	} {
		s.exec(statements)
		if h, stop = s.follow(); h.Head().Revision != s.store.Head().Revision {
			t.Errorf("records are lost: %d of %d", h.Head().Revision, s.store.Head().Revision)
		}
		s.until("the tables are filled", func() bool { return s.tables() == oneJob })
		stop()
		s.kept()
	}
}

func (s *shop) exec(statements string) {
	s.t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(s.dir, history.FileName))
	if err != nil {
		s.t.Fatal(err)
	}
	if _, err := db.ExecContext(s.t.Context(), statements); err != nil {
		s.t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		s.t.Fatal(err)
	}
}

func TestDamagedIsToldApart(t *testing.T) {
	for name, damage := range map[string]func(s *shop, path string){
		"no database": func(s *shop, path string) {
			if err := os.WriteFile(path, bytes.Repeat([]byte("garbage "), 1000), 0o600); err != nil {
				s.t.Fatal(err)
			}
		},
		"somebody else's": func(s *shop, path string) {
			if err := os.Remove(path); err != nil {
				s.t.Fatal(err)
			}
			s.exec("CREATE TABLE recipes (name TEXT)")
		},
		"last record changed": func(s *shop, _ string) {
			s.exec("UPDATE records SET stored = zeroblob(length(stored)) WHERE revision = (SELECT max(revision) FROM records)")
		},
		"last record in another's place": func(s *shop, _ string) {
			s.exec("UPDATE records SET revision = revision + 1 WHERE revision = (SELECT max(revision) FROM records)")
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := newShop(t)
			h, stop := s.follow()
			s.do("a")
			s.caughtUp(h)
			stop()
			damage(s, filepath.Join(s.dir, history.FileName))
			if h, err := history.Open(t.Context(), s.dir); !errors.Is(err, history.ErrDamaged) {
				t.Fatalf("opened: %v %v", h, err)
			}
			aside, err := history.SetAside(s.dir, "damaged")
			if err != nil {
				t.Fatal(err)
			}
			if _, err := os.Stat(aside); err != nil {
				t.Error(err)
			}
			h, _ = s.follow()
			s.caughtUp(h)
			s.kept()
		})
	}
}

// A history that is out of reach is whole: to set it aside would be to forget what the ledger must hold.
func TestOutOfReachIsNotDamaged(t *testing.T) {
	t.Parallel() // the engine waits some seconds for a lock
	written := func(t *testing.T) *shop {
		s := newShop(t)
		h, stop := s.follow()
		s.do("a")
		s.caughtUp(h)
		stop()
		return s
	}
	refused := func(t *testing.T, err error, why string) {
		t.Helper()
		if err == nil || errors.Is(err, history.ErrDamaged) || !strings.Contains(err.Error(), why) {
			t.Errorf("%v; want one that says %q, and no damage", err, why)
		}
	}
	t.Run("locked", func(t *testing.T) {
		t.Parallel()
		s := written(t)
		other, err := sql.Open("sqlite", filepath.Join(s.dir, history.FileName))
		if err != nil {
			t.Fatal(err)
		}
		defer other.Close()
		other.SetMaxOpenConns(1) // a lock belongs to a connection
		for _, statement := range []string{"PRAGMA locking_mode = EXCLUSIVE", "BEGIN EXCLUSIVE"} {
			if _, err := other.ExecContext(t.Context(), statement); err != nil {
				t.Fatal(err)
			}
		}
		_, err = history.Open(t.Context(), s.dir)
		refused(t, err, "another program keeps it locked")
		c, err := history.OpenCopy(s.dir)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		_, err = c.Head(t.Context())
		refused(t, err, "another program keeps it locked")
	})
	t.Run("a folder in its place", func(t *testing.T) {
		t.Parallel()
		dir := t.TempDir()
		if err := os.Mkdir(filepath.Join(dir, history.FileName), 0o700); err != nil {
			t.Fatal(err)
		}
		_, err := history.Open(t.Context(), dir)
		refused(t, err, "see whose they are")
	})
	t.Run("stopped while it is opened", func(t *testing.T) {
		t.Parallel()
		s := written(t)
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		_, err := history.Open(ctx, s.dir)
		refused(t, err, context.Canceled.Error())
	})
}

// A record in the middle that was changed is found when the history is read to make a ledger of it.
func TestChangedRecordIsFound(t *testing.T) {
	s := newShop(t)
	h, stop := s.follow()
	s.do("a")
	s.caughtUp(h)
	stop()
	s.exec("UPDATE records SET stored = (SELECT stored FROM records WHERE revision = 2) WHERE revision = 3")
	c, err := history.OpenCopy(s.dir)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	err = c.Records(t.Context(), func(*ledgerv1.Record, []byte) error { return nil })
	if !errors.Is(err, ledger.ErrCorrupt) || !strings.Contains(err.Error(), "revision 3") {
		t.Errorf("read: %v", err)
	}
}

// A history that cannot be written keeps nobody from working, and goes on once it can.
func TestLockedHistoryStopsNobody(t *testing.T) {
	s := newShop(t)
	h, _ := s.follow()
	s.do("a")
	s.caughtUp(h)
	db, err := sql.Open("sqlite", filepath.Join(s.dir, history.FileName))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	conn, err := db.Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := conn.ExecContext(t.Context(), "BEGIN IMMEDIATE"); err != nil {
		t.Fatal(err)
	}
	kept := h.Kept()
	for i := range 50 {
		s.do(fmt.Sprintf("while-locked-%d", i))
	}
	if h.Kept() != kept {
		t.Error("the history has gone on although it was locked: this test shows nothing")
	}
	if _, err := conn.ExecContext(t.Context(), "ROLLBACK"); err != nil {
		t.Fatal(err)
	}
	s.caughtUp(h)
	s.kept()
}

// The history of another ledger is never mixed with this one's.
func TestAnotherLedgersHistoryIsRefused(t *testing.T) {
	other := newShop(t)
	h, stop := other.follow()
	other.do("other")
	other.caughtUp(h)
	stop()
	s := newShop(t)
	s.dir = other.dir
	for _, job := range []string{"a", "b", "c"} {
		s.do(job)
	}
	h, stop = s.follow()
	before := h.Head().Revision
	s.until("the failure is noted", func() bool { return h.Failure() != nil })
	stop()
	if err := h.Failure(); !strings.Contains(err.Error(), "does not follow what is kept here") {
		t.Error(err)
	}
	if h.Kept() != before {
		t.Errorf("kept %d, then %d", before, h.Kept())
	}
	other.kept()
}
