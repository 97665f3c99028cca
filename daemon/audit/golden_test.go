package audit_test

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"tandem/daemon/audit"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	"tandem/scheduler/floor"
)

var rewrite = flag.Bool("rewrite", false, "write what the golden ledgers come to into testdata, to be read as a diff")

// The ledgers in testdata were written by programs of the past, and must be read for ever: schema-N.records.gz holds records in their
// stored form, each after its length as a varint; schema-N.snapshot.gz the snapshot that was the newest, which is of an earlier record;
// schema-N.txt what they come to. Schema 1: the demo's day, and after it a morning of 18 jobs with a gang run, holds, a cancelation, lots,
// pauses, a lock, another attendance and two kills of the daemon. Schema 2: a backup of a first morning, restored, reviewed, and gone on with.
// Schema 3: the demo's day, a month in which its jobs leave the floor, and a morning after that with a spoiled count taken back.
func golden(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob("testdata/*.records.gz")
	if err != nil || len(files) == 0 {
		t.Fatalf("no ledgers of the past: %v", err)
	}
	for i, f := range files {
		files[i] = strings.TrimSuffix(f, ".records.gz")
	}
	return files
}

func TestLedgersOfThePastAreRead(t *testing.T) {
	for _, name := range golden(t) {
		t.Run(filepath.Base(name), func(t *testing.T) {
			snap := readSnapshot(t, name)
			var whole audit.Audit
			var short *floor.Floor // from the snapshot on, as a start of the daemon does
			var links ledger.Chain
			for _, stored := range readRecords(t, name) {
				rec, err := links.Next(stored)
				if err != nil {
					t.Fatal(err)
				}
				if short != nil {
					if err := audit.Apply(short, proto.CloneOf(rec)); err != nil {
						t.Fatal(err)
					}
				}
				if err := whole.Add(rec); err != nil {
					t.Fatal(err)
				}
				if rec.GetRevision() == snap.GetRevision() {
					if short, err = floor.Restore(snap); err != nil {
						t.Fatal(err)
					}
					if !proto.Equal(short.Snapshot(), whole.Floor().Snapshot()) {
						t.Errorf("the snapshot of revision %d is not what the records up to it make", rec.GetRevision())
					}
				}
			}
			if err := whole.Finish(); err != nil {
				t.Error(err)
			}
			if short == nil || !proto.Equal(short.Snapshot(), whole.Floor().Snapshot()) {
				t.Error("from the snapshot on another floor comes out than from the first record on")
			}
			compare(t, name+".txt", story(&whole, links.Head()))
		})
	}
}

// story tells what a ledger comes to.
func story(a *audit.Audit, head ledger.Head) string {
	var out strings.Builder
	fmt.Fprintf(&out, "%d records, %d events, head %x\n", a.Records, a.Events, head.Hash)
	for _, s := range a.Schemas {
		fmt.Fprintf(&out, "schema %d in revisions %d to %d\n", s.Schema, s.First, s.Last)
	}
	f := a.Floor()
	for _, j := range f.Jobs {
		state, reasons := j.State(f.CommitTime)
		fmt.Fprintf(&out, "job %s %s: %s %s\n", j.ID, j.Code, floor.Keyword(state), strings.Join(reasons, " "))
		for _, s := range j.Steps {
			state, reasons := s.State(f.CommitTime)
			fmt.Fprintf(&out, "  %s: %s %s, %d good, %d spoiled", s.ID(), floor.Keyword(state), strings.Join(reasons, " "), s.Good, s.Spoiled)
			for _, r := range s.Runs {
				fmt.Fprintf(&out, ", %s on %s %d/%d", r.ID, r.Device.ID, r.Good, r.Pieces)
			}
			out.WriteString("\n")
		}
	}
	if gone := f.Snapshot().GetArchivedJobs(); len(gone) > 0 {
		fmt.Fprintf(&out, "left the floor: %s\n", strings.Join(gone, " "))
	}
	for _, d := range f.Devices {
		fmt.Fprintf(&out, "device %s: %s, %s, loaded %q, blade %q used %d, paused %v, locked by %q\n",
			d.ID, floor.DeviceKeyword(d.State), floor.LinkKeyword(d.Link), d.Loaded, d.Blade, d.BladeUsed, d.Paused, d.LockedBy)
	}
	for _, l := range f.Snapshot().GetLots() {
		fmt.Fprintf(&out, "lot %s: %d um left, %d used, %d corrected\n", l.GetLot().GetId(), l.GetLot().GetRemainingUm(), l.GetUsedUm(), l.GetCorrectedUm())
	}
	return out.String()
}

func compare(t *testing.T, file, got string) {
	t.Helper()
	if *rewrite {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s: got\n%s", file, got)
	}
}

func unzipped(t *testing.T, path string) []byte {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	data, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func readRecords(t *testing.T, name string) [][]byte {
	t.Helper()
	r := bufio.NewReader(bytes.NewReader(unzipped(t, name+".records.gz")))
	var out [][]byte
	for {
		n, err := binary.ReadUvarint(r)
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
		data := make([]byte, n)
		if _, err := io.ReadFull(r, data); err != nil {
			t.Fatal(err)
		}
		out = append(out, data)
	}
}

func readSnapshot(t *testing.T, name string) *ledgerv1.Snapshot {
	t.Helper()
	snap := new(ledgerv1.Snapshot)
	if err := proto.Unmarshal(unzipped(t, name+".snapshot.gz"), snap); err != nil {
		t.Fatal(err)
	}
	return snap
}

// What a newer program wrote is refused before any of it is applied.
func TestNewerSchemaIsRefused(t *testing.T) {
	var a audit.Audit
	err := a.Add(&ledgerv1.Record{Revision: 1, Schema: floor.Schema + 1, Events: []*ledgerv1.Event{{}}})
	if err == nil || !strings.Contains(err.Error(), "use the newer program") || a.Records != 0 {
		t.Errorf("taken, or refused without the remedy: %v", err)
	}
	if _, err := floor.Restore(&ledgerv1.Snapshot{Schema: floor.Schema + 1}); err == nil || !strings.Contains(err.Error(), "use the newer program") {
		t.Errorf("snapshot: %v", err)
	}
}

// A record that does not fit the floor is an error, not the end of the program.
func TestUnfitRecordIsAnError(t *testing.T) {
	for name, event := range map[string]*ledgerv1.Event{
		"no such job":       {Kind: &ledgerv1.Event_JobHeld{JobHeld: &ledgerv1.JobHeld{Job: "nobody"}}},
		"no kind we know":   {},
		"no such device":    {Kind: &ledgerv1.Event_WorkUnrecorded{WorkUnrecorded: &ledgerv1.WorkUnrecorded{Device: "nobody"}}},
		"nothing to review": {Kind: &ledgerv1.Event_WorkReviewed{WorkReviewed: &ledgerv1.WorkReviewed{Job: "nobody"}}},
	} {
		var a audit.Audit
		if err := a.Add(&ledgerv1.Record{Revision: 1, Schema: floor.Schema, Events: []*ledgerv1.Event{event}}); !errors.Is(err, audit.ErrUnfit) || !strings.Contains(err.Error(), "revision 1") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A snapshot that is not what the records make is told apart.
func TestAgrees(t *testing.T) {
	name := golden(t)[0]
	var a audit.Audit
	var links ledger.Chain
	for _, stored := range readRecords(t, name) {
		rec, err := links.Next(stored)
		if err != nil {
			t.Fatal(err)
		}
		if err := a.Add(rec); err != nil {
			t.Fatal(err)
		}
	}
	snap := a.Snapshot(links.Head())
	if err := a.Agrees(snap); err != nil {
		t.Error(err)
	}
	changed := proto.CloneOf(snap)
	changed.Jobs = slices.Delete(changed.GetJobs(), 0, 1)
	if err := a.Agrees(changed); err == nil {
		t.Error("a snapshot without a job agrees")
	}
}
