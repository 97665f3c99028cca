package bus

import (
	"testing"

	"github.com/nats-io/nats.go"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
)

// A driver gets its orders in the form that it has asked for in its last hello, and is heard in both.
func TestOrdersComeInTheFormThatTheDriverReads(t *testing.T) {
	s, l := startServer(t), new(listener)
	b := openBus(t, s, l, Options{})
	nc := paths["tcp"](t, s)
	forms := make(chan bool, 8)
	_, err := nc.Subscribe(drivers.OrderSubject("cutter-1"), func(m *nats.Msg) {
		forms <- len(m.Data) > 0 && m.Data[0] == 0
		o := new(driverv1.Order)
		if err := drivers.DecodeBody(m.Data, o); err != nil || o.GetGrant().GetRun() != "run-1" {
			t.Errorf("got %v %v", o, err)
		}
		respond(t, m, `{}`)
	})
	if err != nil {
		t.Fatal(err)
	}
	for i, binary := range []bool{false, true, false, true} {
		epoch := uint64(i + 1)
		w := sayHello(t, nc, "cutter-1", body(t, &driverv1.Hello{Status: &driverv1.Status{Epoch: epoch, Sequence: 1}, Binary: binary}))
		if !w.GetBinary() {
			t.Fatal("the daemon does not say that it reads binary")
		}
		if a, err := b.Send(t.Context(), "cutter-1", grant("run-1")); err != nil || a.GetRefused() != "" {
			t.Fatalf("got %v %v", a, err)
		}
		if got := <-forms; got != binary {
			t.Errorf("hello %d: an order in binary is %v, want %v", i, got, binary)
		}
		status, err := drivers.EncodeBody(&driverv1.Status{Epoch: epoch, Sequence: 2}, binary)
		if err != nil {
			t.Fatal(err)
		}
		publish(t, nc, drivers.StatusSubject("cutter-1"), status)
		eventually(t, "the status is heard", func() bool { return len(l.heard("cutter-1")) == i+1 })
	}
}
