package backup_test

import (
	"archive/tar"
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/daemon/backup"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	"tandem/scheduler/floor"
)

// source is a ledger of records in their stored form: a day that a program of the past wrote.
type source struct {
	records [][]byte
	snap    *ledgerv1.Snapshot
	during  func(revision uint64) // called while record after record is read
}

const past = "../audit/testdata/schema-1"

func newSource(tb testing.TB) *source {
	tb.Helper()
	r := bufio.NewReader(bytes.NewReader(unzipped(tb, past+".records.gz")))
	s := &source{snap: new(ledgerv1.Snapshot)}
	for {
		n, err := binary.ReadUvarint(r)
		if errors.Is(err, io.EOF) {
			break
		}
		data := make([]byte, n)
		if _, err = io.ReadFull(r, data); err != nil {
			tb.Fatal(err)
		}
		s.records = append(s.records, data)
	}
	if err := proto.Unmarshal(unzipped(tb, past+".snapshot.gz"), s.snap); err != nil {
		tb.Fatal(err)
	}
	return s
}

func unzipped(tb testing.TB, path string) []byte {
	tb.Helper()
	f, err := os.Open(path)
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		tb.Fatal(err)
	}
	data, err := io.ReadAll(z)
	if err != nil {
		tb.Fatal(err)
	}
	return data
}

func (s *source) ReplayStored(ctx context.Context, after, through uint64, fn func(*ledgerv1.Record, []byte) error) error {
	var links ledger.Chain
	for i, stored := range s.records[:through] {
		rec, err := links.Next(stored)
		if err != nil {
			return err
		}
		if s.during != nil {
			s.during(rec.GetRevision())
		}
		if uint64(i) < after {
			continue
		}
		if err := errors.Join(ctx.Err(), fn(rec, stored)); err != nil {
			return err
		}
	}
	return nil
}

func (s *source) LoadSnapshot(context.Context) (*ledgerv1.Snapshot, error) { return s.snap, nil }

// head returns the head at a revision.
func (s *source) head(tb testing.TB, revision uint64) ledger.Head {
	tb.Helper()
	rec, hash, err := ledger.Decode(s.records[revision-1])
	if err != nil {
		tb.Fatal(err)
	}
	return ledger.Head{Revision: revision, Term: rec.GetTerm(), CommitTime: rec.GetCommitTime().AsTime(), Hash: hash}
}

var made = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func (s *source) backup(tb testing.TB, head ledger.Head) []byte {
	tb.Helper()
	var out bytes.Buffer
	if _, err := backup.Write(tb.Context(), &out, s, head, backup.About{Program: "a test", Made: made, TimeScale: 1}); err != nil {
		tb.Fatal(err)
	}
	return out.Bytes()
}

func (s *source) last() uint64 { return uint64(len(s.records)) }

func TestEverythingComesBack(t *testing.T) {
	s := newSource(t)
	file := s.backup(t, s.head(t, s.last()))
	var got [][]byte
	report, err := backup.Verify(t.Context(), bytes.NewReader(file), func(stored []byte) error {
		got = append(got, stored)
		return nil
	})
	if err != nil || report.Doubt != nil {
		t.Fatal(err, report.Doubt)
	}
	if len(got) != len(s.records) {
		t.Fatalf("%d records, want %d", len(got), len(s.records))
	}
	for i := range got {
		if !bytes.Equal(got[i], s.records[i]) {
			t.Errorf("record %d is not as stored", i+1)
		}
	}
	m := report.Manifest
	if m.Revision != s.last() || m.LedgerHead != hex.EncodeToString(s.head(t, s.last()).Hash) || !m.MadeTime.Equal(made) || m.Program != "a test" || m.Schema != floor.Schema {
		t.Errorf("manifest is %+v", m)
	}
	if report.Audit.Records != 366 || report.Audit.Events != 670 {
		t.Errorf("%d records and %d events, want 366 and 670", report.Audit.Records, report.Audit.Events)
	}
}

// Records that come while the backup is made do not get into it, and an earlier end is an end.
func TestEndsAtItsRevision(t *testing.T) {
	s := newSource(t)
	file := s.backup(t, s.head(t, 200)) // its snapshot is of a later record
	report, err := backup.Verify(t.Context(), bytes.NewReader(file), nil)
	if err != nil || report.Manifest.Revision != 200 || report.Audit.Revision != 200 {
		t.Errorf("ends at %d and %d, want 200: %v", report.Manifest.Revision, report.Audit.Revision, err)
	}
	wrong := s.head(t, 200)
	wrong.Hash = s.head(t, 199).Hash
	if _, err := backup.Write(t.Context(), io.Discard, s, wrong, backup.About{Made: made}); err == nil {
		t.Error("a ledger that gives out another record than the engine knows is taken")
	}
}

// The same with the tools of any computer: tar and coreutils.
func TestOtherToolsReadIt(t *testing.T) {
	for _, tool := range []string{"tar", "sha256sum"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("%s is not there", tool)
		}
	}
	s, dir := newSource(t), t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "backup.tgz"), s.backup(t, s.head(t, s.last())), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"tar", "xzf", "backup.tgz"}, {"sha256sum", "-c", "--strict", "SHA256SUMS"}} {
		cmd := exec.CommandContext(t.Context(), args[0], args[1:]...)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("%v: %v\n%s", args, err, out)
		}
	}
}

// Wherever a file is cut off, it is known; and so is every byte that was changed.
func TestCutOffOrChanged(t *testing.T) {
	s := newSource(t)
	s.records = s.records[:12]
	s.snap = nil
	file := s.backup(t, s.head(t, 12))
	if _, err := backup.Verify(t.Context(), bytes.NewReader(file), nil); err != nil {
		t.Fatal(err)
	}
	for n := range file {
		if _, err := backup.Verify(t.Context(), bytes.NewReader(file[:n]), nil); !errors.Is(err, backup.ErrDamaged) {
			t.Fatalf("cut off after %d of %d bytes: %v", n, len(file), err)
		}
	}
	// Some bits hold nothing: when and on what the file was made (RFC 1952, 2.3), codes that no symbol uses (RFC 1951, 3.2.7).
	content := inflated(file)
	inRecord := 0
	for i := range file {
		changed := bytes.Clone(file)
		changed[i] ^= 0x40
		_, err := backup.Verify(t.Context(), bytes.NewReader(changed), nil)
		switch {
		case err == nil && !bytes.Equal(inflated(changed), content):
			t.Errorf("byte %d of %d was changed, and nobody saw it", i, len(file))
		case err != nil && strings.Contains(err.Error(), "stop the daemon"):
			t.Errorf("byte %d of %d was changed: the remedy is one for the ledger, which nothing is wrong with: %v", i, len(file), err)
		case err != nil && strings.Contains(err.Error(), "use another backup"):
			inRecord++
		}
	}
	if inRecord == 0 {
		t.Error("no change was found in a record")
	}
	if _, err := backup.Verify(t.Context(), bytes.NewReader(append(bytes.Clone(file), 'x')), nil); !errors.Is(err, backup.ErrDamaged) {
		t.Errorf("more after the end: %v", err)
	}
}

// inflated returns what is behind gzip's compression, nil if that cannot be told.
func inflated(file []byte) []byte {
	z, err := gzip.NewReader(bytes.NewReader(file))
	if err != nil {
		return nil
	}
	data, err := io.ReadAll(z)
	if err != nil {
		return nil
	}
	return data
}

// entry is a file of the archive.
type entry struct {
	name string
	data []byte
}

func unpack(t *testing.T, file []byte) []entry {
	t.Helper()
	z, err := gzip.NewReader(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	var out []entry
	for r := tar.NewReader(z); ; {
		head, err := r.Next()
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, entry{head.Name, data})
	}
}

func pack(t *testing.T, entries []entry) []byte {
	t.Helper()
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	w := tar.NewWriter(z)
	for _, e := range entries {
		if err := w.WriteHeader(&tar.Header{Typeflag: tar.TypeReg, Name: e.name, Size: int64(len(e.data)), Mode: 0o600}); err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(e.data); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(w.Close(), z.Close()); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// A file that hangs together as an archive, and is no backup that can be relied on.
func TestRefused(t *testing.T) {
	s := newSource(t)
	whole := unpack(t, s.backup(t, s.head(t, s.last())))
	at := func(name string) int {
		for i, e := range whole {
			if e.name == name {
				return i
			}
		}
		t.Fatalf("no entry %s", name)
		return 0
	}
	manifest := func(change func(m map[string]any)) func(e []entry) []entry {
		return func(e []entry) []entry {
			var m map[string]any
			if err := json.Unmarshal(e[at("manifest.json")].data, &m); err != nil {
				t.Fatal(err)
			}
			change(m)
			e[at("manifest.json")].data, _ = json.Marshal(m)
			return e
		}
	}
	for name, c := range map[string]struct {
		change func(e []entry) []entry
		want   string
	}{
		"another archive":      {func([]entry) []entry { return []entry{{"notes.txt", nil}} }, `entry "notes.txt" where README.txt should be`},
		"nothing in it":        {func([]entry) []entry { return nil }, "its last entry, is missing"},
		"last entry missing":   {func(e []entry) []entry { return e[:len(e)-1] }, "its last entry, is missing"},
		"records missing":      {func(e []entry) []entry { return append(e[:at("records/000001")], e[at("SHA256SUMS")]) }, "SHA256SUMS: "},
		"snapshot last":        {func(e []entry) []entry { return append(e[:at("records/000001")+1], e[at("snapshot.pb")]) }, `"snapshot.pb" where`},
		"one more":             {func(e []entry) []entry { return append(e, entry{"more", nil}) }, "after SHA256SUMS there is more"},
		"readme changed":       {func(e []entry) []entry { e[0].data = []byte("hello"); return e }, "entry README.txt does not match its sum"},
		"another format":       {manifest(func(m map[string]any) { m["format"] = 2 }), "use the program that made it"},
		"a newer schema":       {manifest(func(m map[string]any) { m["schema"] = floor.Schema + 1 }), "use the newer program"},
		"no head":              {manifest(func(m map[string]any) { m["ledger_head"] = "00" }), "is no SHA-256"},
		"no revision":          {manifest(func(m map[string]any) { m["revision"] = 0 }), "it holds nothing"},
		"an earlier end":       {manifest(func(m map[string]any) { m["revision"] = 350 }), "goes on after revision 350"},
		"a later end":          {manifest(func(m map[string]any) { m["revision"] = 400 }), "SHA256SUMS: entry manifest.json does not match its sum"},
		"no manifest":          {func(e []entry) []entry { e[at("manifest.json")].data = []byte("{"); return e }, "manifest.json: "},
		"a record out of turn": {func(e []entry) []entry { e[at("records/000001")].data = swap(s.records); return e }, "revision 1"},
		"a length too long":    {func(e []entry) []entry { e[at("records/000001")].data = []byte{0xff, 0xff, 0xff, 0xff, 0x0f}; return e }, "has a length that cannot be"},
		"no snapshot":          {func(e []entry) []entry { e[at("snapshot.pb")].data = []byte{0xff}; return e }, "snapshot.pb: "},
	} {
		t.Run(name, func(t *testing.T) {
			entries := make([]entry, len(whole))
			copy(entries, whole)
			_, err := backup.Verify(t.Context(), bytes.NewReader(pack(t, c.change(entries))), nil)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want something with %q", err, c.want)
			}
		})
	}
	if _, err := backup.Verify(t.Context(), strings.NewReader("no gzip"), nil); !errors.Is(err, backup.ErrDamaged) {
		t.Errorf("no gzip: %v", err)
	}
}

// swap returns a segment whose first two records have changed places.
func swap(records [][]byte) []byte {
	var out []byte
	for _, r := range [][]byte{records[1], records[0]} {
		out = append(binary.AppendUvarint(out, uint64(len(r))), r...)
	}
	return out
}

// A snapshot that contradicts the records is told of; the records count.
func TestDoubtfulSnapshot(t *testing.T) {
	s := newSource(t)
	s.snap = proto.CloneOf(s.snap)
	s.snap.Schema = floor.Schema
	s.snap.Jobs = s.snap.GetJobs()[1:]
	report, err := backup.Verify(t.Context(), bytes.NewReader(s.backup(t, s.head(t, s.last()))), nil)
	if err != nil || report.Doubt == nil || !strings.Contains(report.Doubt.Error(), fmt.Sprintf("revision %d", s.snap.GetRevision())) {
		t.Errorf("doubt %v, error %v", report.Doubt, err)
	}
}

func TestCanceled(t *testing.T) {
	s := newSource(t)
	ctx, cancel := context.WithCancel(t.Context())
	s.during = func(revision uint64) {
		if revision == 50 {
			cancel()
		}
	}
	if _, err := backup.Write(ctx, io.Discard, s, s.head(t, s.last()), backup.About{Made: made}); !errors.Is(err, context.Canceled) {
		t.Errorf("canceled: %v", err)
	}
}

// Whatever is in a file, reading it ends with an answer. Run by hand, give it -fuzzminimizetime 5x: what a decompressor covers differs from
// run to run, and the fuzzer would spend its time on making inputs smaller.
func FuzzRead(f *testing.F) {
	s := newSource(f)
	s.snap = nil
	for _, n := range []uint64{1, 12} {
		f.Add(s.backup(f, s.head(f, n)))
	}
	f.Add([]byte{0x1f, 0x8b})
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, file := range [][]byte{data, zipped(data)} {
			var last uint64
			m, err := backup.Read(t.Context(), bytes.NewReader(file), backup.Visitor{Record: func(rec *ledgerv1.Record, _ []byte) error {
				if rec.GetRevision() != last+1 {
					t.Errorf("revision %d after %d", rec.GetRevision(), last)
				}
				last++
				return nil
			}})
			if err == nil && (last == 0 || last != m.Revision) {
				t.Errorf("good, with %d records and revision %d", last, m.Revision)
			}
		}
	})
}

// zipped puts data behind gzip's sum, so that the fuzzer gets past it.
func zipped(data []byte) []byte {
	var out bytes.Buffer
	z, _ := gzip.NewWriterLevel(&out, gzip.NoCompression)
	_, _ = z.Write(data)
	_ = z.Close()
	return out.Bytes()
}
