package drivers

import (
	"fmt"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	driverv1 "tandem/proto/tandem/driver/v1"
)

// MaxBody is the greatest size of a message between daemon and driver, in bytes.
const MaxBody = 64 << 10

// binaryMark is the first byte of a body in binary. Neither JSON nor a protobuf message begins with it: there is no field 0.
const binaryMark = 0

func isBinary(body []byte) bool { return len(body) > 0 && body[0] == binaryMark }

// EncodeBody returns a message between daemon and driver as it is sent: in protobuf JSON, or in binary to whoever has said that it
// reads that. A message of more than MaxBody is an error.
func EncodeBody(m proto.Message, binary bool) (body []byte, err error) {
	if binary {
		var opts proto.MarshalOptions
		body, err = opts.MarshalAppend(append(make([]byte, 0, 1+opts.Size(m)), binaryMark), m)
	} else {
		body, err = protojson.Marshal(m)
	}
	if err != nil {
		return nil, fmt.Errorf("encode %s: %w", nameOf(m), err)
	}
	if len(body) > MaxBody {
		return nil, fmt.Errorf("encode %s: %d bytes are more than %d", nameOf(m), len(body), MaxBody)
	}
	return body, nil
}

// DecodeBody reads what EncodeBody has written, and protobuf JSON of any make. It ignores fields, and in JSON enum words, that it
// does not know: a newer peer may have more to say.
func DecodeBody(body []byte, m proto.Message) error {
	if len(body) > MaxBody {
		return fmt.Errorf("%s of %d bytes: send at most %d", nameOf(m), len(body), MaxBody)
	}
	if !isBinary(body) {
		if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(body, m); err != nil {
			return fmt.Errorf("not protobuf JSON of %s: %w", nameOf(m), err)
		}
		return nil
	}
	err := proto.UnmarshalOptions{DiscardUnknown: true}.Unmarshal(body[1:], m)
	if err == nil {
		err = checkTimes(m)
	}
	if err != nil {
		return fmt.Errorf("not protobuf of %s: %w", nameOf(m), err)
	}
	return nil
}

func nameOf(m proto.Message) string { return string(m.ProtoReflect().Descriptor().Name()) }

// checkTimes refuses times that JSON could not have said.
func checkTimes(m proto.Message) error {
	var times []*timestamppb.Timestamp
	var durations []*durationpb.Duration
	switch m := m.(type) {
	case *driverv1.Status:
		times = append(times, m.GetObserveTime())
		for _, r := range m.GetRuns() {
			times = append(times, r.GetStartTime(), r.GetEndTime())
		}
	case *driverv1.Order:
		g := m.GetGrant()
		times = append(times, g.GetStartBefore(), g.GetReadyTime(), g.GetStartTime())
		durations = append(durations, g.GetExpectedSetup(), g.GetExpectedWork(), g.GetModelDuration())
	case *driverv1.Hello:
		return checkTimes(m.GetStatus())
	case *driverv1.Welcome:
		times, durations = append(times, m.GetNow()), append(durations, m.GetPeriod())
	}
	for _, t := range times {
		if t != nil && t.CheckValid() != nil {
			return t.CheckValid()
		}
	}
	for _, d := range durations {
		if d != nil && d.CheckValid() != nil {
			return d.CheckValid()
		}
	}
	return nil
}
