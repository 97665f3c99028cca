package bus

import (
	"math"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

func TestDecodeStatus(t *testing.T) {
	want := &driverv1.Status{
		Epoch: 18446744073709551615, Sequence: 2, State: tandemv1.DeviceState_DEVICE_STATE_PROCESSING,
		StateReasons: []string{"media-low-warning", "com.Example-odd_word"},
		Runs:         []*driverv1.RunStatus{{Run: "run-1", Fence: 9, PiecesGood: 3, Fraction: 1}},
	}
	for name, text := range map[string]string{
		// Protobuf JSON: names in lowerCamelCase or as in the schema, 64-bit numbers as strings or numbers, enum
		// values as words or numbers, unknown fields left out (protobuf.dev, ProtoJSON format).
		"lowerCamelCase": `{"epoch":"18446744073709551615","sequence":"2","state":"DEVICE_STATE_PROCESSING",
			"stateReasons":["media-low-warning","com.Example-odd_word"],
			"runs":[{"run":"run-1","fence":"9","piecesGood":3,"fraction":1}]}`,
		"names of the schema": `{"epoch":18446744073709551615,"sequence":2,"state":4,
			"state_reasons":["media-low-warning","com.Example-odd_word"],
			"runs":[{"run":"run-1","fence":9,"pieces_good":3,"fraction":1}]}`,
		"unknown fields": `{"epoch":"18446744073709551615","sequence":"2","state":"DEVICE_STATE_PROCESSING","mood":{"x":[1]},
			"stateReasons":["media-low-warning","com.Example-odd_word"],
			"runs":[{"run":"run-1","fence":"9","piecesGood":3,"fraction":1.0000001,"colour":"red"}]}`,
	} {
		got, err := decodeStatus([]byte(text))
		if err != nil || !proto.Equal(got, want) {
			t.Errorf("%s: got %v %v", name, got, err)
		}
	}
	if s, err := decodeStatus([]byte(`{"epoch":"1","phase":"DEVICE_PHASE_OF_A_LATER_VERSION"}`)); err != nil || s.GetPhase() != 0 {
		t.Errorf("unknown enum word: got %v %v", s, err)
	}
}

func TestDecodeRefuses(t *testing.T) {
	status := func(b []byte) error { _, err := decodeStatus(b); return err }
	hello := func(b []byte) error { _, err := decodeHello(b); return err }
	answer := func(b []byte) error { _, err := decodeAnswer(b); return err }
	for _, tt := range []struct {
		name   string
		decode func([]byte) error
		text   string
		want   string
	}{
		{"empty", status, ``, "not protobuf JSON of Status"},
		{"no JSON", status, `epoch=1`, "not protobuf JSON of Status"},
		{"torn", status, `{"epoch":"1"`, "not protobuf JSON of Status"},
		{"list", status, `[]`, "not protobuf JSON of Status"},
		{"null run", status, `{"epoch":"1","runs":[null]}`, "not protobuf JSON of Status"},
		{"wrong type", status, `{"epoch":"one"}`, "not protobuf JSON of Status"},
		{"negative epoch", status, `{"epoch":-1}`, "not protobuf JSON of Status"},
		{"no UTF-8", status, "{\"epoch\":\"1\",\"stateReasons\":[\"\xff\"]}", "not protobuf JSON of Status"},
		{"too deep", status, `{"x":` + strings.Repeat("[", 20000) + strings.Repeat("]", 20000) + `,"epoch":"1"}`, "not protobuf JSON of Status"},
		{"too large", status, `{"epoch":"1"}` + strings.Repeat(" ", MaxBody), "larger than 65536 bytes"},
		{"no epoch", status, `{"sequence":"1"}`, "epoch is missing"},
		{"wildcard run", status, `{"epoch":"1","runs":[{"run":"a"},{"run":">"}]}`, "runs[1].run >"},
		{"negative pieces", status, `{"epoch":"1","runs":[{"run":"a","piecesGood":-1}]}`, "runs[0].piecesGood is -1"},
		{"negative spoiled", status, `{"epoch":"1","runs":[{"run":"a","piecesSpoiled":-2}]}`, "runs[0].piecesSpoiled is -2"},
		{"fraction", status, `{"epoch":"1","runs":[{"run":"a","fraction":"NaN"}]}`, "runs[0].fraction is not a number"},
		{"control characters", status, `{"epoch":"1","stateReasons":["a\u001b[2Jb"]}`, "stateReasons[0] a?[2Jb"},
		{"empty reason", status, `{"epoch":"1","stateReasons":["none",""]}`, "stateReasons[1]"},
		{"long reason", status, `{"epoch":"1","stateReasons":["` + strings.Repeat("a", 256) + `"]}`, "1 to 255"},
		{"reason of a run", status, `{"epoch":"1","runs":[{"run":"a","stateReasons":["a b"]}]}`, "runs[0].stateReasons[0] a b"},
		{"hello without status", hello, `{"kind":"sim"}`, "status is missing"},
		{"hello with bad status", hello, `{"status":{}}`, "status.epoch is missing"},
		{"hello with bad kind", hello, `{"kind":"../x","status":{"epoch":"1"}}`, "kind ../x"},
		{"hello with bad operation", hello, `{"operations":["cut","Cut"],"status":{"epoch":"1"}}`, "operations[1] Cut"},
		{"answer", answer, `taken`, "not protobuf JSON of Answer"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if err := tt.decode([]byte(tt.text)); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Fatalf("got %v, want an error with %q", err, tt.want)
			}
		})
	}
}

func TestAnswerIsFitForScreens(t *testing.T) {
	a, err := decodeAnswer([]byte(`{"refused":"besch\u00e4ftigt\u0007\u202e` + strings.Repeat("x", 1000) + `"}`))
	if err != nil || !strings.HasPrefix(a.GetRefused(), "beschäftigt??x") || len(a.GetRefused()) > longestNote {
		t.Fatalf("got %q %v", a.GetRefused(), err)
	}
}

func TestEncodeRefusesWhatDriversNeedNotTake(t *testing.T) {
	if _, err := encode(&driverv1.Welcome{Error: strings.Repeat("x", MaxBody)}, false); err == nil || !strings.Contains(err.Error(), "65") {
		t.Fatalf("got %v", err)
	}
}

// Whatever a driver sends: no panic, and what is accepted keeps the promises that later parts build on and survives
// being written and read again.
func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		`{}`, `{"epoch":"1","sequence":"2","state":"DEVICE_STATE_IDLE","runs":[{"run":"run-1","fence":"3","fraction":0.5}]}`,
		`{"status":{"epoch":1},"kind":"sim","operations":["cut"]}`, `{"refused":"busy"}`, `{"epoch":1e3,"observeTime":"2026-01-01T00:00:00Z"}`,
		`{"epoch":"1","runs":[{"run":"*"}]}`, `{"epoch":"1","runs":[null]}`, `null`, `{"epoch":"1","epoch":"2"}`,
		"\x00\x08\x01\x10\x02", "\x00\x08\x01:\x07\n\x05run-1", "\x00", "\x00\x08\x01B\x02\x10\x7f",
		`{"epoch":"1","stateReasons":["\u0000"]}`, `{"epoch":"1","runs":[{"run":"a","fraction":"Infinity"}]}`, "\xff",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if s, err := decodeStatus(data); err == nil {
			holds(t, s)
			again, err := decodeStatus(body(t, s))
			if err != nil || !proto.Equal(again, s) {
				t.Fatalf("read again: %v, %v", again, err)
			}
		}
		if h, err := decodeHello(data); err == nil {
			holds(t, h.GetStatus())
			for _, o := range h.GetOperations() {
				if !drivers.ValidID(o) {
					t.Fatalf("operation %q", o)
				}
			}
		}
		if a, err := decodeAnswer(data); err == nil && strings.ContainsAny(a.GetRefused(), "\x00\n\x1b") {
			t.Fatalf("refused %q", a.GetRefused())
		}
	})
}

func holds(t *testing.T, s *driverv1.Status) {
	t.Helper()
	if s.GetEpoch() == 0 {
		t.Fatal("no epoch")
	}
	for _, r := range s.GetRuns() {
		if !drivers.ValidID(r.GetRun()) || r.GetPiecesGood() < 0 || r.GetPiecesSpoiled() < 0 {
			t.Fatalf("run %v", r)
		}
		if f := r.GetFraction(); math.IsNaN(f) || f < 0 || f > 1 {
			t.Fatalf("fraction %v", f)
		}
	}
}
