package floor

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

var rewrite = flag.Bool("rewrite", false, "write what happens into the files of testdata, to be read as a diff")

// TestScenarios plays the days in testdata. A file is a row of blocks: commands, one a line; then ----; then what they cause,
// up to an empty line. Lines that begin with # are remarks. scenario_commands_test.go has the commands.
func TestScenarios(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no days to play: %v", err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) { playFile(t, file) })
	}
}

func playFile(t *testing.T, file string) {
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	s := newStage()
	var out strings.Builder
	for _, b := range readBlocks(string(text)) {
		out.WriteString(b.head)
		var got strings.Builder
		for _, line := range b.commands {
			answer, err := s.play(line)
			if err != nil {
				t.Fatalf("%s:%d: %s: %v", file, b.line, line, err)
			}
			got.WriteString(answer)
		}
		if len(b.commands) > 0 {
			out.WriteString("----\n" + got.String())
		}
		if got.String() != b.want && !*rewrite {
			t.Errorf("%s:%d: %s\ngot:\n%swant:\n%s", file, b.line, strings.Join(b.commands, "; "), got.String(), b.want)
		}
	}
	if *rewrite && out.String() != string(text) {
		if err := os.WriteFile(file, []byte(out.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	s.replay(t)
}

// block is a part of a file.
type block struct {
	line     int    // of its first command
	head     string // everything up to ----, as written
	commands []string
	want     string
}

func readBlocks(text string) []block {
	var out []block
	var b block
	wanted := false // after ----
	for i, line := range strings.SplitAfter(text, "\n") {
		bare := strings.TrimSpace(line)
		if wanted && bare != "" {
			b.want += line
			continue
		}
		if wanted {
			out = append(out, b)
			b, wanted = block{}, false
		}
		switch {
		case bare == "----":
			wanted = true
			continue
		case bare != "" && !strings.HasPrefix(bare, "#"):
			b.commands = append(b.commands, bare)
			if b.line == 0 {
				b.line = i + 1
			}
		}
		b.head += line
	}
	return append(out, b)
}

// stage is the floor of a day.
type stage struct {
	floor   *Floor
	now     time.Time
	file    *tandemv1.FloorFile
	heard   map[string]*driverv1.Status // what each driver said last
	records []*ledgerv1.Record
}

func newStage() *stage {
	return &stage{
		floor: New(), now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC), file: &tandemv1.FloorFile{},
		heard: map[string]*driverv1.Status{},
	}
}

// do decides and applies a command and returns what that looks like.
func (s *stage) do(m Meta, c Command) (string, error) {
	before := s.floor.Snapshot()
	d, err := s.floor.Decide(s.now, m, c)
	if !proto.Equal(before, s.floor.Snapshot()) {
		return "", fmt.Errorf("%T changed the floor while being decided", c)
	}
	var refused *Error
	switch {
	case errors.As(err, &refused):
		return fmt.Sprintf("error %s %s: %s\n", kindNames[refused.Kind], refused.Reason, refused.Error()), nil
	case err != nil:
		return "", err
	case d.Replayed:
		return fmt.Sprintf("as answered in revision %d: %s\n", d.Revision, d.Subject), nil
	case len(d.Events) == 0:
		return "nothing\n", nil
	}
	rec := &ledgerv1.Record{
		Revision: s.floor.Revision + 1, Term: s.floor.Term, CommitTime: timestamppb.New(s.now), Events: d.Events,
	}
	s.records = append(s.records, proto.CloneOf(rec))
	s.floor.ApplyRecord(rec)
	if err := s.floor.Check(); err != nil {
		return "", err
	}
	var out strings.Builder
	for _, e := range d.Events {
		out.WriteString(s.eventLine(e) + "\n")
	}
	return out.String(), nil
}

// replay holds every day to what must be true of any: its records alone, and a snapshot at any point with the records after
// it, give the same floor, byte for byte.
func (s *stage) replay(t *testing.T) {
	t.Helper()
	want := marshal(t, s.floor.Snapshot())
	replayed := New()
	for i, rec := range s.records {
		replayed.ApplyRecord(proto.CloneOf(rec))
		snap := &ledgerv1.Snapshot{}
		if err := proto.Unmarshal(marshal(t, replayed.Snapshot()), snap); err != nil {
			t.Fatal(err)
		}
		restored, err := Restore(snap)
		if err != nil {
			t.Fatalf("revision %d: %v", rec.GetRevision(), err)
		}
		for _, after := range s.records[i+1:] {
			restored.ApplyRecord(proto.CloneOf(after))
		}
		if !bytes.Equal(marshal(t, restored.Snapshot()), want) {
			t.Fatalf("the snapshot of revision %d and the records after it give another floor:\n%v\nwant\n%v", rec.GetRevision(), restored.Snapshot(), s.floor.Snapshot())
		}
	}
	if !bytes.Equal(marshal(t, replayed.Snapshot()), want) {
		t.Fatal("the records give another floor")
	}
}

func marshal(t interface{ Fatal(...any) }, m proto.Message) []byte {
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

var kindNames = map[Kind]string{
	Invalid: "invalid", NotFound: "not-found", Exists: "exists", Conflict: "conflict", Forbidden: "forbidden", Stale: "stale",
}
