package yamlfile

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/structpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const ticket = `
# A ticket uses every kind of field.
id: boat-42
displayName: "Boat names: two"   # lowerCamel is accepted
priority: 80
due_time: 2026-03-02T17:00:00+01:00
labels:
  due-in: 8h
  order: 0042
  norway: no
pieces: 12
hold: true
steps:
  - id: print
    operation: print
    width_mm: 1372.5
    length_um: 2000000
    pathLengthMm: 0.0005
    duration: 1h30m
    max_wait: 90.5s
    documents:
      - {role: artwork, uri: "file:///a.pdf", sha256: "00"}
  - id: cut
    after: [print]
    operation: cut
`

func wantTicket() *tandemv1.Job {
	return &tandemv1.Job{
		Id: "boat-42", DisplayName: "Boat names: two", Priority: 80, Pieces: 12, Hold: true,
		DueTime: timestamppb.New(time.Date(2026, 3, 2, 16, 0, 0, 0, time.UTC)),
		Labels:  map[string]string{"due-in": "8h", "order": "0042", "norway": "no"},
		Steps: []*tandemv1.Step{
			{
				Id: "print", Operation: "print", WidthUm: 1_372_500, LengthUm: 2_000_000, PathLengthUm: 1,
				Duration: durationpb.New(90 * time.Minute), MaxWait: durationpb.New(90_500 * time.Millisecond),
				Documents: []*tandemv1.Document{{Role: "artwork", Uri: "file:///a.pdf", Sha256: "00"}},
			},
			{Id: "cut", After: []string{"print"}, Operation: "cut"},
		},
	}
}

func TestUnmarshal(t *testing.T) {
	got := &tandemv1.Job{Id: "to-be-replaced", Code: "to be cleared"}
	if err := Unmarshal("boat.yaml", []byte(ticket), got); err != nil {
		t.Fatal(err)
	}
	if want := wantTicket(); !proto.Equal(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
}

func TestUnmarshalValues(t *testing.T) {
	tests := []struct {
		name, text string
		want       *tandemv1.Step
	}{
		{"text that looks like a number", "id: 007", &tandemv1.Step{Id: "007"}},
		{"text that looks like a truth", "note: yes", &tandemv1.Step{Note: "yes"}},
		{"text that looks like a date", "note: 2026-03-02", &tandemv1.Step{Note: "2026-03-02"}},
		{"text that looks like a version", "mode: 1.10", &tandemv1.Step{Mode: "1.10"}},
		{"block text", "note: |\n  one\n  two\n", &tandemv1.Step{Note: "one\ntwo\n"}},
		{"null is absent", "note: null\nid: a", &tandemv1.Step{Id: "a"}},
		{"tilde is absent", "duration: ~\nid: a", &tandemv1.Step{Id: "a"}},
		{"quoted number", `width_um: "1500"`, &tandemv1.Step{WidthUm: 1500}},
		{"quoted millimetres", `width_mm: "1.5"`, &tandemv1.Step{WidthUm: 1500}},
		{"plus sign", "width_mm: +1.5", &tandemv1.Step{WidthUm: 1500}},
		{"integral decimals", "width_um: 15e2", &tandemv1.Step{WidthUm: 1500}},
		{"half a micrometre, up", "width_mm: 1.0005", &tandemv1.Step{WidthUm: 1001}},
		{"half a micrometre, down", "width_mm: -1.0005", &tandemv1.Step{WidthUm: -1001}},
		{"less than half", "width_mm: 1.00049999999999999999", &tandemv1.Step{WidthUm: 1000}},
		{"negative", "width_mm: -5", &tandemv1.Step{WidthUm: -5000}},
		{"greatest length", "width_mm: 9223372036854775.807", &tandemv1.Step{WidthUm: 9223372036854775807}},
		{"keyword", "state: processing-stopped", &tandemv1.Step{State: tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED}},
		{"enum name", "state: JOB_STATE_PENDING", &tandemv1.Step{State: tandemv1.JobState_JOB_STATE_PENDING}},
		{"enum number", "state: 9", &tandemv1.Step{State: tandemv1.JobState_JOB_STATE_COMPLETED}},
		{"alias", "after: &x [a, b]\npanels: *x", &tandemv1.Step{After: []string{"a", "b"}, Panels: []string{"a", "b"}}},
		{"byte order mark", "\ufeffid: a", &tandemv1.Step{Id: "a"}},
		{"document marks", "---\nid: a\n...\n", &tandemv1.Step{Id: "a"}},
		{"CR LF", "id: a\r\nnote: b\r\n", &tandemv1.Step{Id: "a", Note: "b"}},
		{"empty mapping", "{}", &tandemv1.Step{}},
		{"JSON in a YAML file", `{"id": "a", "widthUm": "5"}`, &tandemv1.Step{Id: "a", WidthUm: 5}},
		{"empty list", "after: []", &tandemv1.Step{}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := new(tandemv1.Step)
			if err := Unmarshal("a.yaml", []byte(tt.text), got); err != nil || !proto.Equal(got, tt.want) {
				t.Errorf("got %v, %v, want %v", got, err, tt.want)
			}
		})
	}
}

func TestUnmarshalDurations(t *testing.T) {
	tests := []struct {
		text string
		want time.Duration
	}{
		{"240s", 240 * time.Second},
		{"1.000340012s", 1_000_340_012}, // example in the protobuf JSON mapping, google/protobuf/duration.proto
		{"1s", time.Second},             // the same
		{"-3.5s", -3500 * time.Millisecond},
		{"4m", 4 * time.Minute},
		{"1h30m", 90 * time.Minute},
		{"24h", 24 * time.Hour},
		{"1.5h", 90 * time.Minute},
		{"250ms", 250 * time.Millisecond},
		{"0", 0},
		{"'90s'", 90 * time.Second},
	}
	for _, tt := range tests {
		got := new(tandemv1.Step)
		if err := Unmarshal("a.yaml", []byte("duration: "+tt.text), got); err != nil || got.GetDuration().AsDuration() != tt.want {
			t.Errorf("%s: got %v, %v, want %v", tt.text, got.GetDuration(), err, tt.want)
		}
	}
	longest := new(tandemv1.Step) // the bound of google/protobuf/duration.proto
	if err := Unmarshal("a.yaml", []byte("duration: 315576000000s"), longest); err != nil || longest.GetDuration().GetSeconds() != 315_576_000_000 {
		t.Errorf("the longest duration: %v, %v", longest, err)
	}
	for _, text := range []string{"240", "4", "4 m", "2d", "1h 30m", "315576000001s", "infs", "[4m]", "''", "1e3s", "NaN", "9999999h"} {
		problem(t, "duration: "+text, "duration", "such as 90s, 4m, 1h30m or 48h")
	}
}

// The good times are the examples of RFC 3339 section 5.8.
func TestUnmarshalTimes(t *testing.T) {
	tests := []struct {
		text string
		want time.Time
	}{
		{"1985-04-12T23:20:50.52Z", time.Date(1985, 4, 12, 23, 20, 50, 520_000_000, time.UTC)},
		{"1996-12-19T16:39:57-08:00", time.Date(1996, 12, 20, 0, 39, 57, 0, time.UTC)},
		{"1937-01-01T12:00:27.87+00:20", time.Date(1937, 1, 1, 11, 40, 27, 870_000_000, time.UTC)},
		{"'2026-03-02T07:30:00+01:00'", time.Date(2026, 3, 2, 6, 30, 0, 0, time.UTC)},
	}
	for _, tt := range tests {
		got := new(tandemv1.Job)
		if err := Unmarshal("a.yaml", []byte("due_time: "+tt.text), got); err != nil || !got.GetDueTime().AsTime().Equal(tt.want) {
			t.Errorf("%s: got %v, %v, want %v", tt.text, got.GetDueTime().AsTime(), err, tt.want)
		}
	}
	for _, text := range []string{"2026-03-02T07:30:00", "2026-03-02 07:30", "2026-03-02", "'2026-03-02T07:30'"} {
		var e *Error
		if err := Unmarshal("a.yaml", []byte("due_time: "+text), new(tandemv1.Job)); !errors.As(err, &e) || !strings.Contains(e.Problem, "no offset from UTC") {
			t.Errorf("%s: %v, want a word on the missing offset", text, err)
		}
	}
	for _, text := range []string{"tomorrow", "07:30", "1772433000", "2026-02-30T07:30:00Z", "2026-03-02T25:00:00Z", "0000-01-01T00:00:00Z", "{}"} {
		var e *Error
		if err := Unmarshal("a.yaml", []byte("due_time: "+text), new(tandemv1.Job)); !errors.As(err, &e) || e.Field != "due_time" {
			t.Errorf("%s: %v, want a problem of due_time", text, err)
		}
	}
}

func TestUnmarshalRefuses(t *testing.T) {
	tests := []struct {
		name, text, field string
		line              int
		problem           string // part of it
	}{
		{"unknown key", "id: a\nwitdh_mm: 5", `"witdh_mm"`, 2, "did you mean width_mm?"},
		{"unknown camel key", "pathLenghtUm: 5", `"pathLenghtUm"`, 1, "did you mean path_length_um?"},
		{"unknown key, nothing near", "colour: red", `"colour"`, 1, "unknown key"},
		{"unknown key in a list", "documents:\n  - role: cut\n    url: x", `documents[0]."url"`, 3, "did you mean uri?"},
		{"millimetres of what is no length", "note_mm: 5", `"note_mm"`, 1, "unknown key"},
		{"control characters in a key", `"\e[31m": 5`, `"\x1b[31m"`, 1, "unknown key"},
		{"repeated key", "id: a\nid: b", "id", 2, "given twice"},
		{"both units", "width_mm: 5\nwidth_um: 5000", "width_um", 2, "given twice, here and as width_mm"},
		{"both spellings", "width_um: 5\nwidthUm: 5", "widthUm", 2, "given twice"},
		{"repeated label", "requires: {a: b, a: c}", `requires["a"]`, 1, "given twice"},
		{"no value", "id: a\nnote:\n", "note", 2, "has no value"},
		{"no value in a mapping", "requires: {a: }", `requires["a"]`, 1, "has no value"},
		{"null in a list", "after: [a, null]", "after[1]", 1, "must be text, not nothing"},
		{"list for text", "id: [a]", "id", 1, "must be text, not a list"},
		{"mapping for text", "id: {a: b}", "id", 1, "must be text, not a mapping"},
		{"text for a list", "after: print", "after", 1, `must be a list, not "print"`},
		{"mapping for a list", "documents: {role: cut}", "documents", 1, "must be a list, not a mapping"},
		{"list for a mapping", "requires: [a]", "requires", 1, "must be a mapping, not a list"},
		{"text for a message", "documents: [x]", "documents[0]", 1, "must be a mapping of fields"},
		{"octal", "width_um: 010", "width_um", 1, "without leading zeros"},
		{"hexadecimal", "width_um: 0x10", "width_um", 1, "decimal digits"},
		{"underscores", "width_um: 1_000", "width_um", 1, "decimal digits"},
		{"fraction", "width_um: 1.5", "width_um", 1, "whole number"},
		{"word for a number", "width_um: wide", "width_um", 1, "whole number"},
		{"too great", "pieces_good: 2147483648", "pieces_good", 1, "from -2147483648 to 2147483647"},
		{"huge exponent", "width_um: 1e999999999", "width_um", 1, "whole number"},
		{"comma", "width_mm: 1372,5", "width_mm", 1, "such as 1372 or 0.5"},
		{"exponent of millimetres", "width_mm: 1e3", "width_mm", 1, "such as 1372 or 0.5"},
		{"unit in the value", "width_mm: 5 mm", "width_mm", 1, "such as 1372 or 0.5"},
		{"NaN", "width_mm: .nan", "width_mm", 1, "such as 1372 or 0.5"},
		{"infinity", "width_um: .inf", "width_um", 1, "whole number"},
		{"length beyond 64 bits", "width_mm: 9223372036854775.808", "width_mm", 1, "too large"},
		{"endless digits", "width_mm: " + strings.Repeat("9", 50), "width_mm", 1, "such as 1372"},
		{"unknown keyword", "state: proccessing", "state", 1, "did you mean processing?"},
		{"unknown keyword, nothing near", "state: napping", "state", 1, "it is one of pending, pending-held"},
		{"tag", "id: !secret a", "id", 1, "tags are not supported"},
		{"binary", "id: !!binary YQ==", "id", 1, "tags are not supported"},
		{"tag on a key", "!secret id: a", "", 1, "tags are not supported"},
		{"merge key", "documents:\n- &d {role: cut}\n- <<: *d", "documents[1]", 3, "merge key"},
		{"list as a key", "[a]: b", "", 1, "a key is a word"},
		{"empty key", "~: b", "", 1, "empty key"},
		{"list for a file", "- id: a", "", 1, "must be a mapping of fields, not a list"},
		{"text for a file", "hello", "", 1, "must be a mapping of fields"},
		{"empty", "", "", 0, "is empty"},
		{"comment only", "# nothing\n", "", 0, "is empty"},
		{"two documents", "id: a\n---\nid: b", "", 2, "second document"},
		{"syntax", "id: a\nnote: 'b", "", 2, "not YAML: "},
		{"tab", "documents:\n\t- role: a", "", 2, "not YAML: "},
		{"unknown anchor", "id: *nobody", "", 0, "unknown anchor"},
		{"broken UTF-8", "id: \xff", "", 0, "not YAML: "},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			m := &tandemv1.Step{Id: "kept"}
			err := Unmarshal("dir/a.yaml", []byte(tt.text), m)
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("got %v, %v, want an *Error", m, err)
			}
			if e.File != "dir/a.yaml" || e.Line != tt.line || e.Field != tt.field || !strings.Contains(e.Problem, tt.problem) {
				t.Errorf("got  %q\nline %d field %s: %s\nwant line %d field %s: ...%s...", e.Error(), e.Line, e.Field, e.Problem, tt.line, tt.field, tt.problem)
			}
			if strings.ContainsAny(err.Error(), "\x1b\x00") {
				t.Errorf("control characters echoed: %q", err)
			}
			if m.GetId() != "kept" {
				t.Errorf("message changed beside an error: %v", m)
			}
		})
	}
}

// problem fails unless text is refused as a step with that field and problem.
func problem(t *testing.T, text, field, want string) {
	t.Helper()
	var e *Error
	if err := Unmarshal("a.yaml", []byte(text), new(tandemv1.Step)); !errors.As(err, &e) || e.Field != field || !strings.Contains(e.Problem, want) {
		t.Errorf("%s: got %v, want %s: ...%s...", text, err, field, want)
	}
}

func TestUnmarshalOneof(t *testing.T) {
	var e *Error
	err := Unmarshal("a.yaml", []byte("actor: x\njob_held: {job: a}\njob_released: {job: a}"), new(ledgerv1.Event))
	if !errors.As(err, &e) || e.Line != 3 || e.Field != "job_released" || !strings.Contains(e.Problem, "beside job_held") {
		t.Errorf("got %v, want a problem of job_released in line 3", err)
	}
}

func TestUnmarshalTellsEveryProblem(t *testing.T) {
	text := "id: a\nwitdh_mm: 5\nduration: 5\nsteps: no\nstate: x\n"
	var e *Error
	if err := Unmarshal("a.yaml", []byte(text), new(tandemv1.Step)); !errors.As(err, &e) || len(e.All()) != 4 {
		t.Fatalf("got %v, want 4 problems", err)
	}
	for i, p := range e.All() {
		if p.Line != i+2 || p.File != "a.yaml" {
			t.Errorf("problem %d is told of %s:%d: %s", i, p.File, p.Line, p.Problem)
		}
	}
	if got, want := strings.SplitN(e.Error(), "\n", 2)[0], `a.yaml:2: "witdh_mm": unknown key; did you mean width_mm?`; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	text = strings.Repeat("? [x]\n: y\n", 1000)
	if err := Unmarshal("a.yaml", []byte(text), new(tandemv1.Step)); !errors.As(err, &e) || len(e.All()) != maxProblems+1 ||
		!strings.Contains(err.Error(), "there may be more") {
		t.Errorf("got %v, want %d problems and a word that there may be more", err, maxProblems)
	}
}

func TestUnmarshalBounds(t *testing.T) {
	var laughs strings.Builder // the billion laughs, ten times nine deep
	laughs.WriteString("a0: &a0 [lol,lol,lol,lol,lol,lol,lol,lol,lol]\n")
	for i := 1; i <= 9; i++ {
		fmt.Fprintf(&laughs, "a%d: &a%d [%s*a%d]\n", i, i, strings.Repeat(fmt.Sprintf("*a%d,", i-1), 8), i-1)
	}
	big := "documents: [&d {uri: " + strings.Repeat("x", 100_000) + "}" + strings.Repeat(", *d", 1000) + "]"
	tests := []struct {
		name, file, text string
		m                proto.Message
		problem          string
	}{
		{"size", "a.yaml", strings.Repeat("#", MaxSize+1), &tandemv1.Step{}, "larger than 4 MiB"},
		{"alias bomb", "a.yaml", laughs.String(), &structpb.Struct{}, "aliases make this file too large"},
		{"long text repeated", "a.yaml", big, &tandemv1.Step{}, "aliases make this file too large"},
		{"alias of itself", "a.yaml", "a: &a [*a]", &structpb.Struct{}, "nested deeper than 64"},
		{"alias bomb without a place in the message", "a.yaml", laughs.String(), &tandemv1.Step{}, "unknown key"},
		{"nesting", "a.yaml", "a: " + strings.Repeat("[", 70) + strings.Repeat("]", 70), &structpb.Struct{}, "nested deeper than 64"},
		{"nesting beyond the parser", "a.yaml", strings.Repeat("[", 100_000), &structpb.Struct{}, "max depth"},
		{"nesting of blocks beyond the parser", "a.yaml", strings.Repeat("- ", 100_000), &structpb.Struct{}, "max depth"},
		{"nesting of JSON", "a.json", strings.Repeat("[", 100_000), &structpb.Struct{}, "nested deeper than 64"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var e *Error
			if err := Unmarshal(tt.file, []byte(tt.text), tt.m); !errors.As(err, &e) || !strings.Contains(err.Error(), tt.problem) {
				t.Errorf("got %.300v, want ...%s...", err, tt.problem)
			}
		})
	}
	deep := "a: " + strings.Repeat("[", MaxDepth-2) + "1" + strings.Repeat("]", MaxDepth-2)
	if err := Unmarshal("a.yaml", []byte(deep), &structpb.Struct{}); err != nil {
		t.Errorf("nested to the bound: %v", err)
	}
}

func TestUnmarshalJSON(t *testing.T) {
	tests := []struct {
		name, text, field string
		line              int
		problem           string
	}{
		{"unknown key", "{\n\"id\": \"a\",\n\"witdhUm\": 5}", `"witdhUm"`, 3, "did you mean width_um?"},
		{"repeated key", "{\"id\": \"a\",\n\"id\": \"b\"}", "id", 2, "given twice"},
		{"syntax", "{\"id\": \"a\",\n}", "", 2, "not JSON"},
		{"cut short", "{\"id\": \"a\"", "", 1, "unexpected EOF"},
		{"two values", "{}\n{}", "", 2, "something follows"},
		{"empty", " \n", "", 0, "is empty"},
		{"broken UTF-8", "{\"id\": \"\xff\"}", "", 0, "UTF-8"},
		{"NaN", "{\"widthUm\": NaN}", "", 1, "not JSON"},
		{"YAML", "id: a", "", 1, "not JSON"},
		{"type", "{\"after\":\n\"print\"}", "after", 2, "must be a list"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var e *Error
			err := Unmarshal("a.JSON", []byte(tt.text), new(tandemv1.Step))
			if !errors.As(err, &e) || e.Line != tt.line || e.Field != tt.field || !strings.Contains(e.Problem, tt.problem) {
				t.Errorf("got %v, want line %d %s: ...%s...", err, tt.line, tt.field, tt.problem)
			}
		})
	}
	got := new(tandemv1.Step)
	text := "{\n\t\"note\": \"\\ud83d\\udea4 \\/\",\n\t\"after\": null,\n\t\"width_mm\": 1.5,\n\t\"min_wait\": \"4m\"}" // a surrogate pair, tabs
	want := &tandemv1.Step{Note: "🚤 /", WidthUm: 1500, MinWait: durationpb.New(4 * time.Minute)}
	if err := Unmarshal("a.json", []byte(text), got); err != nil || !proto.Equal(got, want) {
		t.Errorf("got %v, %v, want %v", got, err, want)
	}
}

func TestRead(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "boat.yaml")
	if err := os.WriteFile(path, []byte(ticket), 0o600); err != nil {
		t.Fatal(err)
	}
	got := new(tandemv1.Job)
	lines, err := ReadLines(path, got)
	if err != nil || !proto.Equal(got, wantTicket()) {
		t.Fatalf("got %v, %v", got, err)
	}
	for field, want := range map[string]int{
		"id": 3, "display_name": 4, `labels["due-in"]`: 8, "steps[0]": 14, "steps[0].width_um": 16, "steps[0].width_mm": 16,
		"steps[0].documents[0].sha256": 22, "steps[1].after[0]": 24, "steps[1].after[7]": 24, "steps[1].ink": 23,
		"steps[2]": 13, "panels": 0, "": 0,
	} {
		if n := lines.At(field); n != want {
			t.Errorf("%s stands in line %d, want %d", field, n, want)
		}
	}
	if err := Read(filepath.Join(dir, "none.yaml"), got); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a file that is not there: %v", err)
	}
	var e *Error
	if err := Read(dir, got); !errors.As(err, &e) || !strings.Contains(e.Problem, "directory") {
		t.Errorf("a directory: %v", err)
	}
	huge := filepath.Join(dir, "huge.yaml")
	if err := os.WriteFile(huge, make([]byte, MaxSize+1), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := Read(huge, got); !errors.As(err, &e) || !strings.Contains(e.Problem, "larger than 4 MiB") {
		t.Errorf("a huge file: %v", err)
	}
}

// FuzzUnmarshal holds the package against protojson: what is accepted must be writable, and must be the same when read
// back from our YAML and from protojson's JSON.
func FuzzUnmarshal(f *testing.F) {
	f.Add("a.yaml", []byte(ticket))
	f.Add("a.json", []byte(`{"id":"a","labels":{"x":"\ud83d"},"steps":[{"widthUm":"5","duration":"3s"}]}`))
	f.Add("a.yaml", []byte("a: &a [*a]\n<<: {}\n? [x]\n: !t y\n"))
	f.Add("a.yaml", []byte("create_time: 2026-03-02T07:30:00Z\nstate: completed\npriority: -1\nid: \"\\0\\x85\\u2028\"\n"))
	f.Fuzz(func(t *testing.T, name string, data []byte) {
		m := new(tandemv1.Job)
		if err := Unmarshal(name, data, m); err != nil {
			var e *Error
			if !errors.As(err, &e) || e.Problem == "" {
				t.Fatalf("error %v without a problem", err)
			}
			return
		}
		text, err := Marshal(m)
		if err != nil {
			t.Fatalf("write %v: %v", m, err)
		}
		again := new(tandemv1.Job)
		if err := Unmarshal("again.yaml", text, again); err != nil || !proto.Equal(m, again) {
			t.Fatalf("read back %v\nfrom %s\nof %v: %v", again, text, m, err)
		}
		text, err = protojson.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		again = new(tandemv1.Job)
		if err := Unmarshal("again.json", text, again); err != nil || !proto.Equal(m, again) {
			t.Fatalf("read back %v\nfrom %s\nof %v: %v", again, text, m, err)
		}
	})
}
