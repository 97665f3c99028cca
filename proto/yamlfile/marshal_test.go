package yamlfile

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/structpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const written = `id: boat-42
display_name: 'Boat names: two'
priority: 80
due_time: 2026-03-02T16:00:00Z
labels:
  due-in: 8h
  norway: "no"
  order: "0042"
pieces: 12
steps:
  - id: print
    operation: print
    width_mm: 1372.5
    length_mm: 2000
    path_length_mm: 0.001
    duration: 1h30m
    max_wait: 1m30.5s
    documents:
      - role: artwork
        uri: file:///a.pdf
        sha256: "00"
  - id: cut
    after: [print]
    operation: cut
hold: true
`

func TestMarshal(t *testing.T) {
	got, err := Marshal(wantTicket())
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != written {
		t.Errorf("got\n%s\nwant\n%s", got, written)
	}
}

func TestMarshalValues(t *testing.T) {
	tests := []struct {
		m    proto.Message
		want string
	}{
		{&tandemv1.Step{}, "{}"},
		{&tandemv1.Step{WidthUm: 1}, "width_mm: 0.001"},
		{&tandemv1.Step{WidthUm: 100_000}, "width_mm: 100"},
		{&tandemv1.Step{WidthUm: -1500}, "width_mm: -1.5"},
		{&tandemv1.Step{WidthUm: math.MinInt64}, "width_mm: -9223372036854775.808"},
		{&tandemv1.Step{Duration: durationpb.New(24 * time.Hour)}, "duration: 24h"},
		{&tandemv1.Step{Duration: durationpb.New(time.Hour + time.Second)}, "duration: 1h0m1s"},
		{&tandemv1.Step{Duration: durationpb.New(10 * time.Minute)}, "duration: 10m"},
		{&tandemv1.Step{Duration: durationpb.New(0)}, "duration: 0s"},
		{&tandemv1.Step{Duration: &durationpb.Duration{Seconds: 315_576_000_000}}, "duration: 315576000000s"},
		{&tandemv1.Step{State: tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED}, "state: processing-stopped"},
		{&tandemv1.DeviceRun{Fraction: 0.25}, "fraction: 0.25"},
		{&tandemv1.Step{Note: "null"}, `note: "null"`},
		{&tandemv1.Step{Note: "a\nb\n"}, "note: |\n  a\n  b"},
		{&ledgerv1.Record{PreviousHash: []byte{0, 255}}, "previous_hash: AP8="},
		{structpb.NewStringValue("x"), "x"},
	}
	for _, tt := range tests {
		got, err := Marshal(tt.m)
		if err != nil || strings.TrimSuffix(string(got), "\n") != tt.want {
			t.Errorf("%v: got %s, %v, want %s", tt.m, got, err, tt.want)
		}
	}
}

func TestMarshalRefuses(t *testing.T) {
	tests := []struct {
		m    proto.Message
		want string
	}{
		{&tandemv1.Job{Steps: []*tandemv1.Step{{}, {Note: "\xff"}}}, "steps: [1]: note: the text is not UTF-8"},
		{&tandemv1.Step{State: 2}, "state: JobState has no value 2"},
		{&tandemv1.DeviceRun{Fraction: math.NaN()}, "fraction: NaN is not a finite number"},
		{&tandemv1.DeviceRun{Fraction: math.Inf(1)}, "fraction: +Inf is not a finite number"},
		{&tandemv1.Step{Duration: &durationpb.Duration{Seconds: 1, Nanos: -1}}, "duration: "},
		{&tandemv1.Step{ReadyTime: &timestamppb.Timestamp{Seconds: -1 << 60}}, "ready_time: "},
		{&tandemv1.Job{Labels: map[string]string{"a": "\xff"}}, `labels: ["a"]: the text`},
		{structpb.NewNumberValue(math.Inf(1)), "write Value as YAML: "},
	}
	for _, tt := range tests {
		got, err := Marshal(tt.m)
		if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.HasPrefix(err.Error(), "write ") {
			t.Errorf("%v: got %s, %v, want ...%s...", tt.m, got, err, tt.want)
		}
	}
}

// Every message of the contracts, filled at random, comes back from YAML and from the JSON of protojson, which is not ours.
func TestRoundTrip(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 300 {
		for _, kind := range []proto.Message{
			&tandemv1.Job{}, &tandemv1.FloorFile{}, &tandemv1.Status{}, &tandemv1.WatchEventsResponse{},
			&driverv1.Hello{}, &driverv1.Order{}, &ledgerv1.Record{}, &ledgerv1.Snapshot{},
		} {
			m := kind.ProtoReflect().New()
			fill(m, rng, 6)
			text, err := Marshal(m.Interface())
			if err != nil {
				t.Fatal(err)
			}
			got := m.New().Interface()
			if err := Unmarshal("a.yaml", text, got); err != nil || !proto.Equal(got, m.Interface()) {
				t.Fatalf("got %v\nfrom %s\nwant %v: %v", got, text, m, err)
			}
			text, err = protojson.MarshalOptions{UseProtoNames: rng.IntN(2) == 0, Multiline: rng.IntN(2) == 0}.Marshal(m.Interface())
			if err != nil {
				t.Fatal(err)
			}
			got = m.New().Interface()
			if err := Unmarshal("a.json", text, got); err != nil || !proto.Equal(got, m.Interface()) {
				t.Fatalf("got %v\nfrom %s\nwant %v: %v", got, text, m, err)
			}
		}
	}
}

// fill sets about half of the fields of m at random.
func fill(m protoreflect.Message, rng *rand.Rand, depth int) {
	switch v := m.Interface().(type) {
	case *durationpb.Duration:
		v.Seconds = rng.Int64N(1 << uint(1+rng.IntN(38)))
		v.Nanos = rng.Int32N(1e9)
		return
	case *timestamppb.Timestamp:
		v.Seconds = rng.Int64N(4e9) - 2e9
		v.Nanos = rng.Int32N(1e9)
		return
	}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if rng.IntN(2) == 0 || depth == 0 {
			continue
		}
		switch {
		case fd.IsList():
			for range 1 + rng.IntN(2) {
				m.Mutable(fd).List().Append(random(m.Mutable(fd).List().NewElement(), fd, rng, depth))
			}
		case fd.IsMap():
			for range 1 + rng.IntN(3) {
				key := random(fd.MapKey().Default(), fd.MapKey(), rng, depth).MapKey()
				m.Mutable(fd).Map().Set(key, random(m.Mutable(fd).Map().NewValue(), fd.MapValue(), rng, depth))
			}
		default:
			m.Set(fd, random(m.NewField(fd), fd, rng, depth))
		}
	}
}

func random(v protoreflect.Value, fd protoreflect.FieldDescriptor, rng *rand.Rand, depth int) protoreflect.Value {
	words := []string{"", " ", "a", "no", "null", "~", "1e3", "0x1F", "010", "2026-03-02", "<<", "a: b", "- x", "#", "|", "\t", "\r\n", "\x00", "\u2028", "\ufeff", "é🚤", "'", "\"", "a\nb", "\n", "&x", "*x", "!t", "%", "=", "trailing "}
	switch fd.Kind() {
	case protoreflect.MessageKind:
		fill(v.Message(), rng, depth-1)
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(words[rng.IntN(len(words))] + words[rng.IntN(len(words))])
	case protoreflect.BytesKind:
		return protoreflect.ValueOfBytes([]byte(words[rng.IntN(len(words))]))
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(true)
	case protoreflect.EnumKind:
		values := fd.Enum().Values()
		return protoreflect.ValueOfEnum(values.Get(rng.IntN(values.Len())).Number())
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(int32(rng.Uint32()))
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(int64(rng.Uint64()))
	case protoreflect.Uint32Kind:
		return protoreflect.ValueOfUint32(rng.Uint32())
	case protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
		return protoreflect.ValueOfUint64(rng.Uint64())
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(rng.NormFloat64() * math.Pow(10, float64(rng.IntN(40)-20)))
	default:
		panic("fill: " + fd.Kind().String())
	}
	return v
}

func TestNearest(t *testing.T) {
	known := []string{"width_mm", "width_um", "length_mm", "after", "id", "ink"}
	tests := []struct{ word, want string }{
		{"witdh_mm", "width_mm"},
		{"widthMM", "width_mm"},
		{"lenght_mm", "length_mm"},
		{"afters", "after"},
		{"WIDTH-UM", "width_um"},
		{"di", "id"},
		{"inks", "ink"},
		{"x", ""},
		{"", ""},
		{"colour", ""},
		{strings.Repeat("width", 1000), ""},
	}
	for _, tt := range tests {
		if got := Nearest(tt.word, known); got != tt.want {
			t.Errorf("Nearest(%.20q) = %q, want %q", tt.word, got, tt.want)
		}
	}
}
