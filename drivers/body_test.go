package drivers_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

func TestBodiesInBothForms(t *testing.T) {
	at := timestamppb.New(time.Date(2026, 3, 2, 7, 30, 0, 0, time.UTC))
	for _, m := range []proto.Message{
		&driverv1.Status{
			Epoch: 3, Sequence: 9, State: tandemv1.DeviceState_DEVICE_STATE_PROCESSING, ObserveTime: at,
			Runs: []*driverv1.RunStatus{{Run: "run-1", Fence: 7, Fraction: 0.5, StartTime: at}},
		},
		&driverv1.Order{Epoch: 3, Term: 2, Kind: &driverv1.Order_Grant{Grant: &driverv1.Grant{
			Run: "run-1", Fence: 7, MayStart: true, StartBefore: at, ExpectedWork: durationpb.New(time.Minute),
		}}},
		&driverv1.Order{Epoch: 3, Kind: &driverv1.Order_Introduce{Introduce: &driverv1.Introduce{}}},
		&driverv1.Answer{Refused: "busy: with run-2", Epoch: 3},
		&driverv1.Answer{},
	} {
		for _, binary := range []bool{false, true} {
			body, err := drivers.EncodeBody(m, binary)
			if err != nil {
				t.Fatal(err)
			}
			if (body[0] == 0) != binary {
				t.Errorf("binary %v: %q begins with %d", binary, body, body[0])
			}
			got := m.ProtoReflect().New().Interface()
			if err := drivers.DecodeBody(body, got); err != nil || !proto.Equal(got, m) {
				t.Errorf("binary %v: read back %v %v, want %v", binary, got, err, m)
			}
		}
	}
}

func TestBinaryBodiesAreRefused(t *testing.T) {
	binary := func(m proto.Message) []byte {
		body, err := proto.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		return append([]byte{0}, body...)
	}
	late := &timestamppb.Timestamp{Seconds: 1 << 60}
	for name, tt := range map[string]struct {
		body []byte
		into proto.Message
		want string
	}{
		"torn":            {[]byte{0, 0x3a, 9, 1}, &driverv1.Status{}, "not protobuf of Status"},
		"no UTF-8":        {[]byte{0, 0x22, 1, 0xff}, &driverv1.Status{}, "not protobuf of Status"},
		"JSON behind it":  {[]byte("\x00{}"), &driverv1.Status{}, "not protobuf of Status"},
		"too large":       {make([]byte, drivers.MaxBody+1), &driverv1.Status{}, "send at most 65536"},
		"time":            {binary(&driverv1.Status{ObserveTime: late}), &driverv1.Status{}, "after 9999-12-31"},
		"time of a run":   {binary(&driverv1.Status{Runs: []*driverv1.RunStatus{{EndTime: late}}}), &driverv1.Status{}, "after 9999-12-31"},
		"time of a grant": {binary(&driverv1.Order{Kind: &driverv1.Order_Grant{Grant: &driverv1.Grant{StartBefore: late}}}), &driverv1.Order{}, "after 9999-12-31"},
		"duration": {
			binary(&driverv1.Order{Kind: &driverv1.Order_Grant{Grant: &driverv1.Grant{ExpectedWork: &durationpb.Duration{Seconds: 1, Nanos: -1}}}}),
			&driverv1.Order{}, "different signs",
		},
	} {
		if err := drivers.DecodeBody(tt.body, tt.into); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %v, want an error with %q", name, err, tt.want)
		}
	}
}
