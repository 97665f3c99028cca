package datadir_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/backup"
	"tandem/daemon/bus"
	"tandem/daemon/datadir"
	"tandem/daemon/engine"
	"tandem/daemon/history"
	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// shop is a daemon's data folder with an engine at work in it.
type shop struct {
	t      testing.TB
	dir    string
	server *bus.Server
	store  *ledger.JetStream
	engine *engine.Engine
	past   *history.History
	term   uint64 // that the last driver was told

	note   *ledger.Note
	cancel context.CancelFunc
	ended  chan error
	open   bool
}

// start opens the folder as the daemon does.
func start(t testing.TB, dir string) *shop {
	t.Helper()
	s := &shop{t: t, dir: dir, ended: make(chan error, 2), open: true}
	var err error
	s.server, err = bus.StartServer(bus.ServerConfig{StoreDir: datadir.BusDir(dir), MaxStore: 1 << 30, MaxPayload: ledger.ServerMaxPayload})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.stop)
	if s.past, err = history.Open(t.Context(), dir); err != nil {
		t.Fatal(err)
	}
	conn, err := s.server.LedgerConn()
	if err != nil {
		t.Fatal(err)
	}
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	if s.note, err = ledger.OpenNote(datadir.NotePath(dir)); err != nil {
		t.Fatal(err)
	}
	s.store, err = ledger.OpenJetStream(t.Context(), js, ledger.Options{SyncAlways: s.server.SyncAlways, Known: s.past.Head(), Note: s.note})
	if err != nil {
		t.Fatal(err)
	}
	file := &tandemv1.FloorFile{Devices: []*tandemv1.Device{
		{Id: "printer-1", Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "print", UnattendedStart: &tandemv1.UnattendedStart{AllowedBy: "mira"}}}},
		{Id: "cutter-1", Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "cut"}}},
	}}
	s.engine, err = engine.Open(t.Context(), engine.Options{
		Ledger: s.store, Clock: clock.Wall(), File: file, Period: time.Minute, Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
	})
	if err != nil {
		t.Fatal(err)
	}
	var ctx context.Context
	ctx, s.cancel = context.WithCancel(context.Background())
	go func() { s.ended <- s.engine.Run(ctx) }()
	go func() {
		s.past.Follow(ctx, s.engine, s.store, zap.NewNop())
		s.ended <- nil
	}()
	return s
}

func (s *shop) stop() {
	if !s.open {
		return
	}
	s.open = false
	if s.cancel != nil {
		s.cancel()
		if err := errors.Join(<-s.ended, <-s.ended, s.past.Close(), s.note.Close()); err != nil {
			s.t.Error(err)
		}
	}
	s.server.Shutdown()
}

func (s *shop) submit(id string, operations ...string) {
	s.t.Helper()
	job := &tandemv1.Job{Id: id, Pieces: 6}
	for i, op := range operations {
		step := &tandemv1.Step{Id: op, Operation: op}
		if i > 0 {
			step.After = []string{operations[i-1]}
		}
		job.Steps = append(job.Steps, step)
	}
	if _, err := s.engine.Do(s.t.Context(), floor.Meta{Actor: "mira"}, floor.CreateJob{Job: job}); err != nil {
		s.t.Fatal(err)
	}
}

// hello is a driver's: idle, with these runs in hand.
func (s *shop) hello(device string, epoch uint64, runs ...*driverv1.RunStatus) (minFence uint64) {
	s.t.Helper()
	welcome, err := s.engine.Hello(s.t.Context(), device, &driverv1.Status{
		Epoch: epoch, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE, Runs: runs,
	})
	if err != nil {
		s.t.Fatal(err)
	}
	s.term = welcome.Term
	return welcome.MinFence
}

func (s *shop) view(fn func(f *floor.Floor)) {
	s.t.Helper()
	if err := s.engine.View(s.t.Context(), func(st engine.State) { fn(st.Floor) }); err != nil {
		s.t.Fatal(err)
	}
}

// run returns the live run of a step.
func (s *shop) run(job, step string) *driverv1.RunStatus {
	s.t.Helper()
	out := &driverv1.RunStatus{Job: job, Step: step}
	s.view(func(f *floor.Floor) {
		j, _ := f.Job(job)
		if at, ok := j.Step(step); ok && at.Live != nil {
			out.Run, out.Fence = at.Live.ID, at.Live.Fence
		}
	})
	if out.GetRun() == "" {
		s.t.Fatalf("%s of %s is not granted", step, job)
	}
	return out
}

func (s *shop) historyKept() {
	s.t.Helper()
	for deadline := time.Now().Add(20 * time.Second); s.past.Kept() != s.store.Head().Revision; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			s.t.Fatal("the history does not catch up")
		}
	}
}

func (s *shop) backup() []byte {
	s.t.Helper()
	var out bytes.Buffer
	var head ledger.Head
	if err := s.engine.View(s.t.Context(), func(st engine.State) { head = st.Head }); err != nil {
		s.t.Fatal(err)
	}
	if _, err := backup.Write(s.t.Context(), &out, s.store, head, backup.About{Program: "a test", Made: time.Now(), TimeScale: 1}); err != nil {
		s.t.Fatal(err)
	}
	return out.Bytes()
}

func restored(t *testing.T, file []byte, nothingDone bool) (string, datadir.Restored) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "elsewhere")
	done, err := datadir.Restore(t.Context(), bytes.NewReader(file), dir, datadir.RestoreOptions{Actor: "mira", Now: time.Now(), NothingDone: nothingDone})
	if err != nil {
		t.Fatal(err)
	}
	return dir, done
}

func TestVerify(t *testing.T) {
	dir := t.TempDir()
	if _, err := datadir.Verify(t.Context(), dir); !errors.Is(err, datadir.ErrNoLedger) {
		t.Errorf("an empty folder: %v", err)
	}
	s := start(t, dir)
	s.submit("a", "print", "cut")
	s.historyKept()
	if _, err := datadir.Verify(t.Context(), dir); !errors.Is(err, bus.ErrInUse) {
		t.Errorf("while the daemon runs: %v", err)
	}
	head := s.store.Head()
	s.stop()
	report, err := datadir.Verify(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	if report.Head.Revision != head.Revision || !bytes.Equal(report.Head.Hash, head.Hash) || report.Audit.Records != head.Revision ||
		report.History != head.Revision || report.Snapshot != head.Revision || len(report.Doubts) > 0 || report.Audit.JobsOpen() != 1 {
		t.Errorf("report is %+v, head %v", report, head)
	}
}

// The ledger is lost or set back; the history still has it. Neither the daemon's start nor a verification takes the rest for all.
func TestLedgerBehindItsHistory(t *testing.T) {
	dir := t.TempDir()
	s := start(t, dir)
	s.submit("a", "print", "cut")
	s.historyKept()
	early := s.backup()
	s.submit("b", "print")
	s.historyKept()
	head := s.store.Head()
	token, err := os.ReadFile(filepath.Join(datadir.BusDir(dir), bus.TokenFile))
	if err != nil {
		t.Fatal(err)
	}
	s.stop()

	// Where the note of the last record is another's, or gone, nobody knows whether the history has all.
	const gone, withNote, earlier = "gone", "gone with its note", "an earlier one"
	for name, spoil := range map[string]func(t *testing.T, dir string){
		withNote: func(t *testing.T, dir string) {
			if err := os.RemoveAll(datadir.BusDir(dir)); err != nil {
				t.Fatal(err)
			}
		},
		gone: func(t *testing.T, dir string) {
			if err := os.RemoveAll(filepath.Join(datadir.BusDir(dir), "jetstream")); err != nil {
				t.Fatal(err)
			}
		},
		earlier: func(t *testing.T, dir string) {
			if err := os.RemoveAll(datadir.BusDir(dir)); err != nil {
				t.Fatal(err)
			}
			back, _ := restored(t, early, false)
			if err := os.Rename(datadir.BusDir(back), datadir.BusDir(dir)); err != nil {
				t.Fatal(err)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			own := copyFolder(t, dir, filepath.Join(t.TempDir(), "data"))
			spoil(t, own)
			before := filepath.Join(own, "bus.damaged-19700101-000000") // by a rebuild in the same second
			if err := os.MkdirAll(filepath.Join(before, "jetstream"), 0o700); err != nil {
				t.Fatal(err)
			}
			killed := filepath.Join(own, "bus.salvaging")
			if err := os.MkdirAll(filepath.Join(killed, "jetstream"), 0o700); err != nil { // by a rebuild that was killed
				t.Fatal(err)
			}
			if err := openKnown(t, own); !errors.Is(err, ledger.ErrCorrupt) {
				t.Fatalf("opened: %v", err)
			}
			if _, err := datadir.Verify(t.Context(), own); !errors.Is(err, ledger.ErrCorrupt) || !strings.Contains(err.Error(), "rebuild") {
				t.Errorf("verified: %v", err)
			}
			opt := datadir.RebuildOptions{Now: time.Unix(0, 0)}
			made, err := datadir.Rebuild(t.Context(), own, opt)
			want, review := head.Revision, 0
			if name != gone {
				if !errors.Is(err, datadir.ErrHistoryShort) || !strings.Contains(err.Error(), "--without-last") {
					t.Fatalf("rebuilt, though nobody knows whether the history has all: %v", err)
				}
				opt.Actor, opt.WithoutLast = "mira", true
				made, err = datadir.Rebuild(t.Context(), own, opt)
				want, review = head.Revision+1, 2 // a record says that it was restored, and the jobs' steps that wait
			}
			if err != nil {
				t.Fatal(err)
			}
			if made.Head.Revision != want || name == gone && !bytes.Equal(made.Head.Hash, head.Hash) {
				t.Errorf("made anew up to %d %x, want %d %x", made.Head.Revision, made.Head.Hash, want, head.Hash)
			}
			if made.Missing != 0 || made.Doubt != (name != gone) || made.Review < review {
				t.Errorf("%d records are missing, doubt is %v, %d steps to review; want none, %v, at least %d", made.Missing, made.Doubt, made.Review, name != gone, review)
			}
			if _, err := os.Stat(made.Aside); err != nil || made.Aside != before+"-2" {
				t.Errorf("the old one is not kept: %q %v", made.Aside, err)
			}
			if _, err := os.Stat(killed); !errors.Is(err, os.ErrNotExist) {
				t.Errorf("copies that a killed rebuild has left stay: %v", err)
			}
			report, err := datadir.Verify(t.Context(), own)
			if err != nil || report.Head.Revision != want || len(report.Doubts) > 0 {
				t.Errorf("afterwards: %+v %v", report, err)
			}
			if name == gone {
				if got, err := os.ReadFile(filepath.Join(datadir.BusDir(own), bus.TokenFile)); err != nil || !bytes.Equal(got, token) {
					t.Errorf("drivers of other processes do not find the daemon again: %v", err)
				}
			}
			again := start(t, own)
			again.view(func(f *floor.Floor) {
				if _, ok := f.Job("b"); !ok {
					t.Error("job b is lost")
				}
			})
			again.stop()
		})
	}
}

// openKnown opens the ledger as the daemon does, with what the history knows.
func openKnown(t *testing.T, dir string) error {
	t.Helper()
	past, err := history.Open(t.Context(), dir)
	if err != nil {
		return err
	}
	defer past.Close()
	server, err := bus.StartServer(bus.ServerConfig{StoreDir: datadir.BusDir(dir), MaxStore: 1 << 30, MaxPayload: ledger.ServerMaxPayload})
	if err != nil {
		return err
	}
	defer server.Shutdown()
	conn, err := server.LedgerConn()
	if err != nil {
		return err
	}
	js, err := jetstream.New(conn)
	if err != nil {
		return err
	}
	_, err = ledger.OpenJetStream(t.Context(), js, ledger.Options{SyncAlways: server.SyncAlways, Known: past.Head()})
	return err
}

func TestRebuildRefuses(t *testing.T) {
	dir := t.TempDir()
	if _, err := datadir.Rebuild(t.Context(), dir, datadir.RebuildOptions{Now: time.Now()}); !errors.Is(err, datadir.ErrNoLedger) {
		t.Errorf("without a history: %v", err)
	}
	s := start(t, dir)
	s.submit("a", "print")
	s.historyKept()
	if _, err := datadir.Rebuild(t.Context(), dir, datadir.RebuildOptions{Now: time.Now()}); !errors.Is(err, bus.ErrInUse) {
		t.Errorf("while the daemon runs: %v", err)
	}
	s.stop()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), "bus.") {
			t.Errorf("%s was left", e.Name())
		}
	}
}

// The history was a moment behind when the ledger was damaged: that is said, and who goes on without the last records is asked what
// was done meanwhile, as after a backup.
func TestRebuildWithoutTheLastRecords(t *testing.T) {
	dir := t.TempDir()
	s := start(t, dir)
	s.hello("printer-1", 1)
	s.submit("early", "cut")
	s.historyKept()
	s.stop()
	behind := filepath.Join(t.TempDir(), history.FileName)
	copyFile(t, filepath.Join(dir, history.FileName), behind)
	s = start(t, dir)
	s.hello("printer-1", 2)
	s.submit("late", "print")
	s.historyKept()
	last := s.store.Head()
	s.stop()
	copyFile(t, behind, filepath.Join(dir, history.FileName))
	loseBlocks(t, dir)

	_, err := datadir.Rebuild(t.Context(), dir, datadir.RebuildOptions{Now: time.Unix(0, 0)})
	if !errors.Is(err, datadir.ErrHistoryShort) || !strings.Contains(err.Error(), "--without-last") {
		t.Fatalf("rebuilt without a word: %v", err)
	}
	made, err := datadir.Rebuild(t.Context(), dir, datadir.RebuildOptions{Now: time.Unix(0, 0), Actor: "mira", WithoutLast: true})
	if err != nil {
		t.Fatal(err)
	}
	if had := made.Head.Revision - 1; made.Missing == 0 || had+made.Missing != last.Revision {
		t.Errorf("%d records are missing after %d, want those up to %d", made.Missing, had, last.Revision)
	}
	if made.Review != 1 || made.Fence == 0 {
		t.Errorf("%d steps wait for a person's word and grants go on after %d, want 1 and more than 0", made.Review, made.Fence)
	}
	report, err := datadir.Verify(t.Context(), dir)
	if err != nil || report.Head.Revision != made.Head.Revision {
		t.Errorf("afterwards: %+v %v", report, err)
	}
	s = start(t, dir)
	s.view(func(f *floor.Floor) {
		if j, ok := f.Job("early"); !ok || len(f.ToReview()) != 1 {
			t.Errorf("early: %v, to review: %d", j, len(f.ToReview()))
		}
	})
	s.stop()
}

// A rebuild without the last records is killed between taking the old ledger away and putting the new one in its place. The next one
// still knows that records are missing, also if a daemon was started in between: what they had begun is begun again by nobody.
func TestRebuildWithoutTheLastRecordsInterrupted(t *testing.T) {
	dir := t.TempDir()
	s := start(t, dir)
	s.hello("printer-1", 1)
	s.submit("early", "cut")
	s.historyKept()
	s.stop()
	behind := filepath.Join(t.TempDir(), history.FileName)
	copyFile(t, filepath.Join(dir, history.FileName), behind)
	s = start(t, dir)
	s.submit("late", "print")
	s.historyKept()
	s.stop()
	copyFile(t, behind, filepath.Join(dir, history.FileName))
	loseBlocks(t, dir)

	without := datadir.RebuildOptions{Now: time.Unix(0, 0), Actor: "mira", WithoutLast: true}
	for _, number := range []string{"", "-2", "-3", "-4", "-5", "-6", "-7", "-8", "-9"} { // nobody rebuilds more often in a second
		if err := os.MkdirAll(filepath.Join(dir, "bus.damaged-19700101-000000"+number, "kept"), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := datadir.Rebuild(t.Context(), dir, without); err == nil || !strings.Contains(err.Error(), "aside") {
		t.Fatalf("the old ledger was put where another is: %v", err)
	}
	if err := os.Rename(datadir.BusDir(dir), filepath.Join(dir, "bus.damaged-by-the-kill")); err != nil { // the new one is not in its place yet
		t.Fatal(err)
	}
	if err := openKnown(t, dir); !errors.Is(err, ledger.ErrCorrupt) {
		t.Fatalf("a daemon in between: %v", err)
	}
	without.Now = time.Unix(60, 0)
	for range 2 {
		if _, err := datadir.Rebuild(t.Context(), dir, datadir.RebuildOptions{Now: without.Now}); !errors.Is(err, datadir.ErrHistoryShort) {
			t.Fatalf("rebuilt without a word: %v", err)
		}
	}
	made, err := datadir.Rebuild(t.Context(), dir, without)
	if err != nil || made.Missing == 0 || made.Review != 1 {
		t.Fatalf("rebuilt again: %+v, error %v, want records missing and 1 step for review", made, err)
	}
	loseBlocks(t, dir)
	if made, err = datadir.Rebuild(t.Context(), dir, datadir.RebuildOptions{Now: time.Unix(120, 0)}); !errors.Is(err, datadir.ErrHistoryShort) {
		t.Errorf("rebuilt once more before the history follows: %+v, error %v", made, err)
	}
}

// loseBlocks removes the records of a ledger.
func loseBlocks(t *testing.T, dir string) {
	t.Helper()
	blocks, err := filepath.Glob(filepath.Join(datadir.BusDir(dir), "jetstream", "*", "streams", ledger.StreamName, "msgs", "*.blk"))
	if err != nil || len(blocks) == 0 {
		t.Fatalf("blocks of the ledger: %q %v", blocks, err)
	}
	for _, block := range blocks {
		if err := os.Remove(block); err != nil {
			t.Fatal(err)
		}
	}
}

// A few bytes of the stream's settings are changed, so that the server passes over it, when the history was a moment behind. The records
// are all there, and none of them is lost.
func TestRebuildSalvagesWhatTheHistoryLacks(t *testing.T) {
	whole := t.TempDir()
	s := start(t, whole)
	s.submit("early", "print")
	s.historyKept()
	s.stop()
	behind := filepath.Join(t.TempDir(), history.FileName)
	copyFile(t, filepath.Join(whole, history.FileName), behind)
	s = start(t, whole)
	s.submit("late", "print", "cut")
	s.submit("later", "cut")
	s.historyKept()
	last := s.store.Head()
	s.stop()

	for name, c := range map[string]struct {
		spoil func(t *testing.T, stream string)
		lost  bool // the last record cannot be read
	}{
		"settings": {spoil: func(t *testing.T, stream string) {
			if err := os.WriteFile(filepath.Join(stream, "meta.sum"), make([]byte, 16), 0o600); err != nil {
				t.Fatal(err)
			}
		}},
		"settings and the last record": {lost: true, spoil: func(t *testing.T, stream string) {
			if err := os.Remove(filepath.Join(stream, "meta.inf")); err != nil {
				t.Fatal(err)
			}
			block := filepath.Join(stream, "msgs", "1.blk")
			info, err := os.Stat(block)
			if err == nil {
				err = os.Truncate(block, info.Size()-10)
			}
			if err != nil {
				t.Fatal(err)
			}
		}},
	} {
		t.Run(name, func(t *testing.T) {
			dir := copyFolder(t, whole, filepath.Join(t.TempDir(), "data [1]")) // which means something in a pattern
			copyFile(t, behind, filepath.Join(dir, history.FileName))
			c.spoil(t, filepath.Join(datadir.BusDir(dir), "jetstream", "LEDGER", "streams", ledger.StreamName))
			opt := datadir.RebuildOptions{Now: time.Unix(0, 0)}
			made, err := datadir.Rebuild(t.Context(), dir, opt)
			if c.lost {
				if !errors.Is(err, datadir.ErrHistoryShort) || !strings.Contains(err.Error(), "1 more") {
					t.Fatalf("rebuilt without a word, or more is said to be lost than is: %v", err)
				}
				opt.WithoutLast, opt.Actor = true, "mira"
				made, err = datadir.Rebuild(t.Context(), dir, opt)
			}
			if err != nil {
				t.Fatal(err)
			}
			if !c.lost && (made.Head.Revision != last.Revision || !bytes.Equal(made.Head.Hash, last.Hash) || made.Missing > 0) || c.lost && made.Missing != 1 || made.Salvaged == 0 {
				t.Errorf("made anew up to %d with %d salvaged and %d missing, want %d", made.Head.Revision, made.Salvaged, made.Missing, last.Revision)
			}
			if _, err := os.Stat(filepath.Join(dir, "bus.salvaging")); !errors.Is(err, os.ErrNotExist) {
				t.Errorf("copies of the blocks are left: %v", err)
			}
			again := start(t, dir)
			again.view(func(f *floor.Floor) {
				for _, id := range []string{"early", "late"} {
					if _, ok := f.Job(id); !ok {
						t.Errorf("job %s is lost", id)
					}
				}
			})
			again.stop()
		})
	}
}

// copyFolder copies a data folder and returns where the copy is.
func copyFolder(t *testing.T, from, to string) string {
	t.Helper()
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
	token := filepath.Join(datadir.BusDir(to), bus.TokenFile)
	if err := os.Chmod(token, 0o600); err != nil { // a copy is readable to others
		t.Fatal(err)
	}
	return to
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	data, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, data, 0o600); err != nil {
		t.Fatal(err)
	}
}

// The floor went on after the backup was made: a print that was under way ended, what came after it was cut. The ledger is lost and
// restored. Nothing of that is done again, nothing of it is counted by itself, and a person hears of it.
func TestFloorThatKnowsMoreThanItsLedger(t *testing.T) {
	s := start(t, t.TempDir())
	s.hello("printer-1", 1)
	s.hello("cutter-1", 1)
	s.submit("under-way", "print", "cut")
	s.submit("waiting", "print", "cut")
	printing := s.run("under-way", "print")
	printing.State = tandemv1.JobState_JOB_STATE_PROCESSING
	s.hello("printer-1", 1, printing)
	file := s.backup()

	printing.State, printing.PiecesGood = tandemv1.JobState_JOB_STATE_COMPLETED, 6
	s.hello("printer-1", 1, printing)
	cutting := s.run("under-way", "cut")
	s.submit("late", "cut")
	stale := cutting.GetFence()
	s.stop()
	again := start(t, s.dir) // the old daemon leads in a later term than that of the backup
	again.hello("printer-1", 1)
	staleTerm := again.term
	again.stop()

	dir, done := restored(t, file, false)
	if done.Unknown != 1 || done.Review != 3 || done.Fence < printing.GetFence()+floor.FenceStep {
		t.Errorf("restored: %d unknown, %d to review, fence %d; want 1, 3 and at least %d", done.Unknown, done.Review, done.Fence, printing.GetFence()+floor.FenceStep)
	}
	s = start(t, dir)
	if fence := s.hello("printer-1", 1); fence <= stale {
		t.Errorf("the printer takes orders from fence %d on: those of a daemon that still runs elsewhere have up to %d", fence, stale)
	}
	if s.term <= staleTerm {
		t.Errorf("the restored daemon leads in term %d, the old one in %d: drivers would refuse the new one's orders", s.term, staleTerm)
	}
	cutting.State, cutting.PiecesGood = tandemv1.JobState_JOB_STATE_COMPLETED, 6
	foreign := &driverv1.RunStatus{Run: "run-90", Fence: 90, Job: "late", Step: "cut", State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: 6}
	if fence := s.hello("cutter-1", 2, cutting, foreign); fence != done.Fence {
		t.Errorf("the cutter takes orders from fence %d on, want %d", fence, done.Fence)
	}
	s.view(func(f *floor.Floor) {
		unrecorded := f.Unrecorded()
		if len(unrecorded) != 2 || unrecorded[0].Run != cutting.GetRun() || unrecorded[0].Good != 6 || unrecorded[0].Job != "under-way" || unrecorded[1].Job != "late" {
			t.Errorf("unrecorded work: %v", unrecorded)
		}
		if _, ok := f.Job("late"); ok {
			t.Error("a job handed in after the backup is there")
		}
		for _, j := range f.Jobs {
			for _, step := range j.Steps {
				if step.Good != 0 || step.Live != nil && !step.Live.Unknown() {
					t.Errorf("%s of %s counts %d pieces, live %v", step.ID(), j.ID, step.Good, step.Live)
				}
			}
		}
		if err := f.Check(); err != nil {
			t.Error(err)
		}
	})
	// A person has looked: what was done is recorded, and the rest goes on.
	person := floor.Meta{Actor: "mira"}
	for _, c := range []floor.Command{
		floor.ResolveRun{Run: printing.GetRun(), Outcome: ledgerv1.RunResolved_OUTCOME_DONE},
		floor.ReviewStep{Job: "under-way", Step: "cut", Outcome: floor.ReviewDone},
		floor.NoteUnrecorded{Run: "run-90"},
		floor.ReviewStep{Job: "waiting", Outcome: floor.ReviewNotDone},
	} {
		if _, err := s.engine.Do(t.Context(), person, c); err != nil {
			t.Fatalf("%T: %v", c, err)
		}
	}
	s.hello("cutter-1", 2)
	next := s.run("waiting", "print")
	if next.GetFence() <= done.Fence {
		t.Errorf("the next grant has fence %d, not above %d", next.GetFence(), done.Fence)
	}
	s.view(func(f *floor.Floor) {
		j, _ := f.Job("under-way")
		if j.End.IsZero() || len(f.Unrecorded()) != 0 || len(f.ToReview()) != 0 {
			t.Errorf("in the end %s is not done, or %v or %d steps are to review", j.ID, f.Unrecorded(), len(f.ToReview()))
		}
	})
	s.historyKept()
	s.stop()
	if report, err := datadir.Verify(t.Context(), dir); err != nil || len(report.Doubts) > 0 {
		t.Errorf("afterwards: %v %v", report.Doubts, err)
	}
}

func TestRestoreIntoAnEmptyFolderOnly(t *testing.T) {
	s := start(t, t.TempDir())
	s.submit("a", "print")
	file := s.backup()
	s.stop()
	restore := func(ctx context.Context, file []byte, dir string) error {
		_, err := datadir.Restore(ctx, bytes.NewReader(file), dir, datadir.RestoreOptions{Actor: "mira", Now: time.Now()})
		return err
	}
	full := t.TempDir()
	if err := os.WriteFile(filepath.Join(full, "notes"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := restore(t.Context(), file, full); err == nil || !strings.Contains(err.Error(), "is not empty (notes is there)") {
		t.Errorf("into a full folder: %v", err)
	}
	if err := restore(t.Context(), file, s.dir); err == nil || !strings.Contains(err.Error(), "is not empty") {
		t.Errorf("into a daemon's folder: %v", err)
	}
	empty := t.TempDir()
	if err := restore(t.Context(), file, empty); err != nil {
		t.Errorf("into an empty folder: %v", err)
	}
	// A backup that turns out to be cut off, and one that is interrupted, leave a folder that nobody takes for a good one.
	canceled, cancel := context.WithCancel(t.Context())
	cancel()
	for name, c := range map[string]struct {
		ctx  context.Context
		file []byte
	}{"cut off": {t.Context(), file[:len(file)-20]}, "interrupted": {canceled, file}} {
		dir := filepath.Join(t.TempDir(), "data")
		if err := restore(c.ctx, c.file, dir); err == nil {
			t.Errorf("%s: restored", name)
		}
		if err := datadir.CheckFinished(dir); !errors.Is(err, datadir.ErrUnfinished) {
			t.Errorf("%s: a daemon would start there: %v", name, err)
		}
		if _, err := os.Stat(datadir.BusDir(dir)); err == nil {
			t.Errorf("%s: there is a ledger", name)
		}
		if err := restore(t.Context(), file, dir); !errors.Is(err, datadir.ErrUnfinished) {
			t.Errorf("%s: restored again over what was left: %v", name, err)
		}
		if _, err := datadir.Verify(t.Context(), dir); !errors.Is(err, datadir.ErrUnfinished) {
			t.Errorf("%s: verified: %v", name, err)
		}
	}
}

// The file with the records is gone, the snapshot is not: the floor could go on, and yet the ledger is no audit trail any more.
func TestVerifyMissesRecordsBeforeTheSnapshot(t *testing.T) {
	dir := t.TempDir()
	s := start(t, dir)
	s.submit("a", "print", "cut")
	s.historyKept()
	s.stop()
	blocks, err := filepath.Glob(filepath.Join(datadir.BusDir(dir), "jetstream", "*", "streams", ledger.StreamName, "msgs", "*.blk"))
	if err != nil || len(blocks) == 0 {
		t.Fatalf("the ledger's files: %v, %v", blocks, err)
	}
	for _, name := range blocks {
		if err := os.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := datadir.Verify(t.Context(), dir); !errors.Is(err, ledger.ErrCorrupt) || !strings.Contains(err.Error(), "rebuild the ledger from the history") {
		t.Errorf("without its records: %v", err)
	}
	if _, err := datadir.Rebuild(t.Context(), dir, datadir.RebuildOptions{Now: time.Now()}); err != nil {
		t.Fatal(err)
	}
	if report, err := datadir.Verify(t.Context(), dir); err != nil || len(report.Doubts) > 0 {
		t.Errorf("made anew: %v, %v", report.Doubts, err)
	}
}

// The second copy is damaged where nobody looks until it is needed.
func TestVerifyReadsTheHistoryToo(t *testing.T) {
	dir := t.TempDir()
	s := start(t, dir)
	for i := range 40 {
		s.submit(fmt.Sprintf("a-%d", i), "print", "cut")
	}
	s.historyKept()
	s.stop()
	file, err := os.OpenFile(filepath.Join(dir, history.FileName), os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	whole, err := io.ReadAll(file)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(whole, []byte("a-20")) // a record that names the job
	if at < 0 {
		t.Fatal("the history does not name the job")
	}
	changed := bytes.Clone(whole)
	for ; at >= 0; at = bytes.Index(changed, []byte("a-20")) {
		copy(changed[at:], "b-20")
	}
	const page = 4096
	contents := map[string][]byte{"a record": changed}
	for _, n := range []int{2, 6, 10} { // tables and indexes
		torn := bytes.Clone(whole)
		copy(torn[n*page:], bytes.Repeat([]byte{0xa5}, page))
		contents[fmt.Sprintf("page %d", n)] = torn
	}
	for name, content := range contents {
		if _, err := file.WriteAt(content, 0); err != nil {
			t.Fatal(err)
		}
		report, err := datadir.Verify(t.Context(), dir)
		if err != nil || len(report.Doubts) != 1 || !strings.Contains(report.Doubts[0], "damaged") {
			t.Errorf("%s was changed: %q, %v", name, report.Doubts, err)
		}
	}
	if _, err := file.WriteAt(whole, 0); err != nil {
		t.Fatal(err)
	}
	if report, err := datadir.Verify(t.Context(), dir); err != nil || len(report.Doubts) > 0 {
		t.Errorf("as it was: %q, %v", report.Doubts, err)
	}
}

// A record that no program of ours would write, and the chain is right: the replay finds it.
func TestVerifyFindsWhatDoesNotFit(t *testing.T) {
	dir := t.TempDir()
	s := start(t, dir)
	s.stop()
	server, err := bus.StartServer(bus.ServerConfig{StoreDir: datadir.BusDir(dir), MaxStore: 1 << 30, MaxPayload: ledger.ServerMaxPayload})
	if err != nil {
		t.Fatal(err)
	}
	conn, err := server.LedgerConn()
	if err != nil {
		t.Fatal(err)
	}
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	store, err := ledger.OpenJetStream(t.Context(), js, ledger.Options{SyncAlways: server.SyncAlways})
	if err != nil {
		t.Fatal(err)
	}
	head := store.Head()
	add := func(schema uint32, event *ledgerv1.Event) {
		t.Helper()
		rec := &ledgerv1.Record{
			Revision: head.Revision + 1, Term: head.Term, CommitTime: timestamppb.New(head.CommitTime), PreviousHash: head.Hash, Schema: schema, Events: []*ledgerv1.Event{event},
		}
		if head, err = store.Append(t.Context(), rec); err != nil {
			t.Fatal(err)
		}
	}
	add(floor.Schema, &ledgerv1.Event{Kind: &ledgerv1.Event_JobHeld{JobHeld: &ledgerv1.JobHeld{Job: "nobody"}}})
	server.Shutdown()
	if _, err := datadir.Verify(t.Context(), dir); err == nil || !strings.Contains(err.Error(), `job "nobody", which is not there`) {
		t.Errorf("verified: %v", err)
	}
}
