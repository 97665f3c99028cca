package crashtest

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tandem/daemon/datadir"
	"tandem/daemon/history"
	"tandem/daemon/ledger"
	tandemv1 "tandem/proto/tandem/v1"
)

// subject stands before each record in the store's file, and entryHeader bytes before it the store's own entry begins.
const (
	subject     = "tandem.ledger.record"
	entryHeader = 22
)

// ledgerFile returns the file with the last records of a data folder.
func ledgerFile(t *testing.T, data string) string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(datadir.BusDir(data), "jetstream", "*", "streams", ledger.StreamName, "msgs", "*.blk"))
	must(t, err)
	if len(files) != 1 {
		t.Fatalf("the records are in %v, want one file", files)
	}
	return files[0]
}

// command runs the daemon's program to its end.
func command(t *testing.T, args ...string) (string, error) {
	t.Helper()
	path, err := program()
	must(t, err)
	out, err := exec.CommandContext(within(t, time.Minute), path, args...).CombinedOutput()
	return string(out), err
}

// startOn starts a daemon on a data folder, and returns the shop once it serves or the error with which it ended.
func startOn(t *testing.T, data string) (*Shop, error) {
	t.Helper()
	s := openShop(t, data, nil)
	return s, s.Start(within(t, time.Minute))
}

// damaged is a shop's data folder after its daemon has been killed, to be copied and damaged.
type damaged struct {
	data     string
	revision uint64
	head     string
	load     *Load
}

// endedShop lets clients work for a while, and ends the daemon once its history has everything: a daemon that is killed leaves
// no index of its store and no new snapshot, one that is stopped leaves both. If it is killed while a record is under way, which
// may then be lost, it works on and is killed again.
func endedShop(t *testing.T, end func(*Shop) error) damaged {
	t.Helper()
	s := openShop(t, "", nil)
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "damage", 5, true)
	stop := working(t, l, 3)
	must(t, poll(within(t, 30*time.Second), "some requests", func(context.Context) (bool, error) {
		l.mu.Lock()
		defer l.mu.Unlock()
		return l.Requests > 150 && len(l.accepted) > 5, nil
	}))
	stop()
	d := damaged{data: s.Data(), load: l}
	for {
		d.revision, d.head = allKept(t, s)
		must(t, end(s))
		if stored, acknowledged := recordsIn(t, d.data); stored == acknowledged {
			return d
		}
		must(t, s.Start(within(t, time.Minute)))
	}
}

// allKept waits until the history has all that the ledger has, and returns where that ends.
func allKept(t *testing.T, s *Shop) (revision uint64, head string) {
	t.Helper()
	must(t, poll(within(t, 20*time.Second), "the history to have everything", func(ctx context.Context) (bool, error) {
		st, err := s.Admin.GetStatus(ctx, &tandemv1.GetStatusRequest{})
		if err != nil {
			return false, err
		}
		past, err := history.OpenCopy(s.Data())
		if err != nil {
			return false, err
		}
		known, err := past.Head(ctx)
		revision, head = st.GetRevision(), st.GetLedgerHead()
		return known.Revision == revision, errors.Join(err, past.Close())
	}))
	return revision, head
}

// recordsIn returns how many records the store's file of a data folder holds, and the last that was acknowledged.
func recordsIn(t *testing.T, data string) (stored, acknowledged uint64) {
	t.Helper()
	b, err := os.ReadFile(ledgerFile(t, data))
	must(t, err)
	note, err := ledger.OpenNote(datadir.NotePath(data))
	must(t, err)
	defer note.Close()
	return uint64(bytes.Count(b, []byte(subject))), note.Head().Revision
}

// copyFolder copies a data folder with the modes of its files.
func copyFolder(t *testing.T, from string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "data")
	must(t, filepath.WalkDir(from, func(path string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, err := filepath.Rel(from, path)
		if err != nil {
			return err
		}
		if entry.IsDir() {
			return os.MkdirAll(filepath.Join(to, name), 0o700)
		}
		body, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(to, name), body, 0o600)
	}))
	return to
}

// What a disk can do to the records while nobody runs: whatever was acknowledged and is gone or changed is refused, by a start and by
// `tandemd ledger verify` alike, with the remedy, and the remedy brings everything back; what was never acknowledged is no damage.
func TestDamagedLedger(t *testing.T) {
	t.Parallel()
	killed, stopped := endedShop(t, (*Shop).KillDaemon), endedShop(t, (*Shop).StopDaemon)
	lastEntry := func(b []byte) int { return bytes.LastIndex(b, []byte(subject)) - entryHeader }
	// inside is a place within the body of a record.
	inside := func(entry int) int { return entry + entryHeader + len(subject) + 40 }
	middle := func(b []byte) int {
		at := len(b) / 2
		return at + bytes.Index(b[at:], []byte(subject)) - entryHeader
	}
	flip := func(at func([]byte) int) func([]byte) []byte {
		return func(b []byte) []byte {
			b[inside(at(b))] ^= 0x10
			return b
		}
	}
	for _, c := range []struct {
		name   string
		from   damaged
		damage func([]byte) []byte
		noPast bool // the history is gone as well
		good   bool // nothing acknowledged is lost
		later  bool // a start does not need what is damaged, and its daemon says so while it serves
	}{
		{name: "untouched", from: killed, damage: func(b []byte) []byte { return b }, good: true},
		{name: "a byte flipped in the middle", from: killed, damage: flip(middle)},
		{name: "a byte flipped in the middle, with index and snapshot", from: stopped, damage: flip(middle), later: true},
		{name: "a byte flipped in the last record", from: killed, damage: flip(lastEntry)},
		{name: "a byte flipped in the last record, with index and snapshot", from: stopped, damage: flip(lastEntry)},
		{name: "cut within the last record", from: killed, damage: func(b []byte) []byte { return b[:len(b)-10] }},
		{name: "cut within the last record, with index and snapshot", from: stopped, damage: func(b []byte) []byte { return b[:len(b)-10] }},
		{name: "cut before the last record, no history", from: killed, damage: func(b []byte) []byte { return b[:lastEntry(b)] }, noPast: true},
		{name: "half of a record that nobody was told of", from: killed, damage: func(b []byte) []byte { return append(b, b[lastEntry(b):][:60]...) }, good: true},
		{name: "zeros after the last record", from: killed, damage: func(b []byte) []byte { return append(b, make([]byte, 4096)...) }, good: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			data := copyFolder(t, c.from.data)
			file := ledgerFile(t, data)
			b, err := os.ReadFile(file)
			must(t, err)
			must(t, os.WriteFile(file, c.damage(b), 0o600))
			if c.noPast {
				for _, suffix := range []string{"", "-wal", "-shm"} {
					if err := os.Remove(filepath.Join(data, history.FileName+suffix)); err != nil && !errors.Is(err, os.ErrNotExist) {
						t.Fatal(err)
					}
				}
			}
			told, verdict := command(t, "ledger", "verify", "--data-dir", copyFolder(t, data))
			s, started := startOn(t, data)
			t.Logf("verify: %v\n%s\nstart: %v", verdict, told, started)
			if c.good {
				if verdict != nil || started != nil {
					t.Fatalf("nothing acknowledged is lost, and it is refused")
				}
				sameLedger(t, s, c.from)
				return
			}
			if c.later && started == nil {
				must(t, poll(within(t, 20*time.Second), "the daemon to find it", func(ctx context.Context) (bool, error) {
					st, err := s.Admin.GetStatus(ctx, &tandemv1.GetStatusRequest{})
					started = errors.New(strings.Join(st.GetReasons(), "\n"))
					return strings.Contains(started.Error(), "damaged"), err
				}))
				must(t, s.StopDaemon())
			}
			if verdict == nil || started == nil {
				t.Fatal("what was acknowledged is gone or changed, and nobody says so")
			}
			for _, text := range []string{told, started.Error()} {
				if !strings.Contains(text, "damaged at revision") || !strings.Contains(text, "rebuild") || !strings.Contains(text, "restore a backup") {
					t.Errorf("the refusal does not name the revision and the remedy:\n%s", text)
				}
			}
			again, _ := command(t, "ledger", "verify", "--data-dir", data)
			if !strings.Contains(again, "damaged at revision") {
				t.Errorf("after a start that was refused, verify says\n%s", again)
			}
			told, err = command(t, "ledger", "rebuild", "--data-dir", data)
			if c.noPast {
				if err == nil || !strings.Contains(told, "restore a backup") {
					t.Errorf("there is nothing to make the ledger from, and rebuild says %v\n%s", err, told)
				}
				return
			}
			if err != nil && strings.Contains(told, "--without-last") { // a record that came between the last look and the kill
				told, err = command(t, "ledger", "rebuild", "--data-dir", data, "--without-last")
			}
			if err != nil {
				t.Fatalf("rebuild: %v\n%s", err, told)
			}
			if told, err = command(t, "ledger", "verify", "--data-dir", data); err != nil {
				t.Fatalf("verify after the rebuild: %v\n%s", err, told)
			}
			s, err = startOn(t, data)
			must(t, err)
			sameLedger(t, s, c.from)
		})
	}
}

// sameLedger compares what a daemon has, and leaves when it is stopped, with what clients were told before.
func sameLedger(t *testing.T, s *Shop, from damaged) {
	t.Helper()
	must(t, s.StopDaemon())
	books, err := Audit(t.Context(), s.Data())
	must(t, err)
	if got := books.hashes[from.revision]; got != from.head {
		t.Errorf("revision %d has the hash %q, want %s", from.revision, got, from.head)
	}
	must(t, books.CheckLoad(from.load))
}
