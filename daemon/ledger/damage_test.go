package ledger_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/ledger"
	"tandem/daemon/ledger/ledgertest"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// TestFlippedByte flips one byte of one record in the store's file while it is stopped. What the store makes of it
// depends on where the byte is and on whether its index is there: it skips the record, or drops it and all after it
// without a word, and only what somebody else remembers tells that from a shorter ledger.
func TestFlippedByte(t *testing.T) {
	const records = 60
	for _, revision := range []uint64{1, 30, records} {
		for _, part := range []string{"run", "checksum", "length"} {
			for _, index := range []bool{true, false} {
				t.Run(fmt.Sprintf("%s of record %d, index %t", part, revision, index), func(t *testing.T) {
					dir := t.TempDir()
					s := startStore(t, dir)
					want, head := ledgertest.Fill(t, s.open(t, s.options()), ledger.Head{}, records, 1)
					s.stop()
					damage(t, dir, ledger.StreamName, index, func(file []byte) bool {
						at := bytes.Index(file, fmt.Appendf(nil, "run-%d-0", revision))
						if at < 0 {
							return false
						}
						switch part {
						case "checksum": // ours, the last bytes of the body
							data, hash, err := ledger.Encode(want[revision-1])
							if err != nil {
								t.Fatal(err)
							}
							at = bytes.Index(file, data) + len(data) - len(hash)
						case "length": // of the store's own entry, 22 bytes before the subject
							at = bytes.LastIndex(file[:at], []byte("tandem.ledger.record")) - 22
						}
						file[at] ^= 0x10
						return true
					})

					s = startStore(t, dir)
					opts := s.options()
					opts.Known = head
					opts.ReadTimeout = time.Second
					l, err := ledger.OpenJetStream(t.Context(), s.js, opts)
					if err == nil {
						err = l.Replay(t.Context(), 0, func(*ledgerv1.Record) error { return nil })
					}
					var found *ledger.CorruptError
					if !errors.As(err, &found) {
						t.Fatalf("got error %v, want a *CorruptError", err)
					}
					if found.Revision > revision || !strings.Contains(err.Error(), "restore a backup") {
						t.Errorf("got %q, want at most revision %d and the remedy", err, revision)
					}
				})
			}
		}
	}
}

// damage changes a stream's files while its store is stopped, and takes the index away if asked to.
func damage(tb testing.TB, dir, stream string, keepIndex bool, change func(file []byte) bool) {
	tb.Helper()
	folder := filepath.Join(dir, "jetstream", "$G", "streams", stream, "msgs")
	files, err := filepath.Glob(filepath.Join(folder, "*.blk"))
	if err != nil || len(files) == 0 {
		tb.Fatalf("no files in %s: %v", folder, err)
	}
	var changed bool
	for _, name := range files {
		file, err := os.ReadFile(name)
		if err != nil {
			tb.Fatal(err)
		}
		if changed = change(file); changed {
			if err := os.WriteFile(name, file, 0o600); err != nil {
				tb.Fatal(err)
			}
			break
		}
	}
	if !changed {
		tb.Fatal("there was nothing to change")
	}
	if !keepIndex {
		if err := os.Remove(filepath.Join(folder, "index.db")); err != nil {
			tb.Fatal(err)
		}
	}
}

// TestRecordOutOfPlace stores what no ledger would have, and reads it back.
func TestRecordOutOfPlace(t *testing.T) {
	for _, c := range []struct {
		name, problem string
		change        func(rec *ledgerv1.Record)
	}{
		{"previous hash", "previous_hash", func(rec *ledgerv1.Record) { rec.PreviousHash[0] ^= 1 }},
		{"revision repeated", "revision 3", func(rec *ledgerv1.Record) { rec.Revision = 3 }},
		{"revision skipped", "revision 5", func(rec *ledgerv1.Record) { rec.Revision = 5 }},
		{"term back", "term", func(rec *ledgerv1.Record) { rec.Term = 0 }},
		{"commit time back", "commit_time", func(rec *ledgerv1.Record) { rec.CommitTime = timestamppb.New(ledgertest.Start) }},
		{"no commit time", "commit_time", func(rec *ledgerv1.Record) { rec.CommitTime = nil }},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := startStore(t, t.TempDir())
			l := s.open(t, s.options())
			_, head := ledgertest.Fill(t, l, ledger.Head{}, 3, 1)
			rec := proto.CloneOf(ledgertest.Next(head, 1))
			c.change(rec)
			publish(t, s, []*ledgerv1.Record{rec})
			for after := range uint64(4) {
				var seen int
				err := l.Replay(t.Context(), after, func(*ledgerv1.Record) error { seen++; return nil })
				var found *ledger.CorruptError
				if !errors.As(err, &found) || found.Revision != 4 || !strings.Contains(err.Error(), c.problem) {
					t.Errorf("replay after %d: got error %v, want a *CorruptError at 4 with %q", after, err, c.problem)
				}
				if seen != 3-int(after) {
					t.Errorf("replay after %d: saw %d records, want %d", after, seen, 3-after)
				}
			}
		})
	}
}

func TestForeignMessage(t *testing.T) {
	s := startStore(t, t.TempDir())
	l := s.open(t, s.options())
	ledgertest.Fill(t, l, ledger.Head{}, 2, 1)
	publishBytes(t, s, []byte("good morning"))
	if err := l.Replay(t.Context(), 0, func(*ledgerv1.Record) error { return nil }); !errors.Is(err, ledger.ErrCorrupt) {
		t.Errorf("replay: got error %v, want ErrCorrupt", err)
	}
	if _, err := ledger.OpenJetStream(t.Context(), s.js, s.options()); !errors.Is(err, ledger.ErrCorrupt) {
		t.Errorf("open: got error %v, want ErrCorrupt", err)
	}
}

func TestKnown(t *testing.T) {
	dir := t.TempDir()
	s := startStore(t, dir)
	l := s.open(t, s.options())
	_, fifth := ledgertest.Fill(t, l, ledger.Head{}, 5, 1)
	_, eighth := ledgertest.Fill(t, l, fifth, 3, 1)
	for _, c := range []struct {
		name  string
		known ledger.Head
		good  bool
	}{
		{"nothing", ledger.Head{}, true},
		{"last", eighth, true},
		{"earlier", fifth, true},
		{"revision alone", ledger.Head{Revision: 8}, true},
		{"later", ledger.Head{Revision: 9, Hash: eighth.Hash}, false},
		{"another hash", ledger.Head{Revision: 5, Hash: eighth.Hash}, false},
	} {
		opts := s.options()
		opts.Known = c.known
		if _, err := ledger.OpenJetStream(t.Context(), s.js, opts); (err == nil) != c.good || (err != nil && !errors.Is(err, ledger.ErrCorrupt)) {
			t.Errorf("%s: got error %v, want opened %t", c.name, err, c.good)
		}
	}
	if err := s.js.DeleteStream(t.Context(), ledger.StreamName); err != nil {
		t.Fatal(err)
	}
	opts := s.options()
	opts.Known = fifth
	if _, err := ledger.OpenJetStream(t.Context(), s.js, opts); !errors.Is(err, ledger.ErrCorrupt) {
		t.Errorf("stream gone: got error %v, want ErrCorrupt", err)
	}
}

// removeMeta takes away a file of a stream's settings while its store is stopped.
func removeMeta(tb testing.TB, dir, stream, file string) {
	tb.Helper()
	if err := os.Remove(filepath.Join(dir, "jetstream", "$G", "streams", stream, file)); err != nil {
		tb.Fatal(err)
	}
}

// TestKilledWhileMade begins with what a kill leaves that comes while the stream of records is made: its settings
// without their checksum. The server does not find such a stream, and made again in the ordinary way it would be lost at
// the next restart.
func TestKilledWhileMade(t *testing.T) {
	dir := t.TempDir()
	s := startStore(t, dir)
	if _, err := s.js.CreateStream(t.Context(), configOfStream(t)); err != nil {
		t.Fatal(err)
	}
	s.stop()
	removeMeta(t, dir, ledger.StreamName, "meta.sum")

	s = startStore(t, dir)
	if _, err := s.js.Stream(t.Context(), ledger.StreamName); !errors.Is(err, jetstream.ErrStreamNotFound) {
		t.Fatalf("the server finds the stream, error %v: this test tests nothing", err)
	}
	want, _ := ledgertest.Fill(t, s.open(t, s.options()), ledger.Head{}, 5, 1)
	s.stop()
	s = startStore(t, dir)
	ledgertest.Same(t, ledgertest.Collect(t, s.open(t, s.options()), 0), want)
}

// TestMadeHalfWay has a stream whose making was not finished although the server finds it.
func TestMadeHalfWay(t *testing.T) {
	s := startStore(t, t.TempDir())
	cfg := configOfStream(t)
	cfg.Description = "tandem: being made"
	if _, err := s.js.CreateStream(t.Context(), cfg); err != nil {
		t.Fatal(err)
	}
	s.open(t, s.options())
	stream, err := s.js.Stream(t.Context(), ledger.StreamName)
	if err != nil {
		t.Fatal(err)
	}
	if got := stream.CachedInfo().Config.Description; got == cfg.Description {
		t.Errorf("it is still %q", got)
	}
}

// TestLeftoversOfSnapshots begins with what kills leave while streams of snapshots are made or removed.
func TestLeftoversOfSnapshots(t *testing.T) {
	for _, file := range []string{"meta.sum", "meta.inf"} {
		dir := t.TempDir()
		s := startStore(t, dir)
		l := s.open(t, s.options())
		_, head := ledgertest.Fill(t, l, ledger.Head{}, 1, 1)
		if err := l.SaveSnapshot(t.Context(), ledgertest.Snapshot(head, 2<<20)); err != nil {
			t.Fatal(err)
		}
		s.stop()
		removeMeta(t, dir, "TANDEM_SNAPSHOT_A", file)

		s = startStore(t, dir)
		wantSnapshot(t, s, nil)
		l = s.open(t, s.options())
		_, head = ledgertest.Fill(t, l, head, 1, 1)
		want := ledgertest.Snapshot(head, 3<<20)
		if err := l.SaveSnapshot(t.Context(), want); err != nil {
			t.Fatalf("save beside a stream without %s: %v", file, err)
		}
		s.stop()
		s = startStore(t, dir)
		if survived := wantSnapshot(t, s, want); len(survived) != 0 {
			t.Errorf("without %s: survived %v", file, survived)
		}
		s.stop()
		if left, err := filepath.Glob(filepath.Join(dir, "jetstream", "$G", "streams", "*")); err != nil || len(left) != 2 {
			t.Errorf("without %s: left on disk are %q, error %v, want records and one snapshot", file, left, err)
		}
	}
}
