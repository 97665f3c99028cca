package bus

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/encoding/protojson"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
)

// answer makes nc a driver that answers orders for a device as told, each in its turn.
func answer(t testing.TB, nc *nats.Conn, device string, how func(*driverv1.Order, *nats.Msg)) {
	t.Helper()
	_, err := nc.Subscribe(drivers.OrderSubject(device), func(m *nats.Msg) {
		o := new(driverv1.Order)
		if err := protojson.Unmarshal(m.Data, o); err != nil {
			t.Errorf("order: %v", err)
		}
		how(o, m)
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
}

func respond(t testing.TB, m *nats.Msg, text string) {
	if err := m.Respond([]byte(text)); err != nil {
		t.Error(err)
	}
}

func grant(run string) *driverv1.Order {
	return &driverv1.Order{Epoch: 1, Kind: &driverv1.Order_Grant{Grant: &driverv1.Grant{Run: run, Fence: 3}}}
}

func TestSendReturnsTheAnswer(t *testing.T) {
	eachPath(t, func(t *testing.T, connect func(testing.TB, *Server, ...nats.Option) *nats.Conn) {
		s := startServer(t)
		b := openBus(t, s, new(listener), Options{})
		answer(t, connect(t, s), "cutter-1", func(o *driverv1.Order, m *nats.Msg) {
			if o.GetGrant().GetRun() == "run-1" {
				respond(t, m, `{}`)
				return
			}
			respond(t, m, `{"refused":"busy with run-1","later":"field"}`)
		})
		if a, err := b.Send(t.Context(), "cutter-1", grant("run-1")); err != nil || a.GetRefused() != "" {
			t.Errorf("got %v %v", a, err)
		}
		if a, err := b.Send(t.Context(), "cutter-1", grant("run-2")); err != nil || a.GetRefused() != "busy with run-1" {
			t.Errorf("got %v %v", a, err)
		}
	})
}

func TestSendTellsNobodyThereFromNoAnswer(t *testing.T) {
	s := startServer(t)
	b := openBus(t, s, new(listener), Options{OrderTimeout: 50 * time.Millisecond})
	_, err := b.Send(t.Context(), "printer-1", grant("run-1"))
	if !errors.Is(err, ErrNoDriver) || errors.Is(err, ErrNoAnswer) || !strings.Contains(err.Error(), "printer-1") {
		t.Errorf("nobody: got %v", err)
	}
	answer(t, paths["tcp"](t, s), "cutter-1", func(*driverv1.Order, *nats.Msg) {})
	_, err = b.Send(t.Context(), "cutter-1", grant("run-1"))
	if !errors.Is(err, ErrNoDriver) || !errors.Is(err, ErrNoAnswer) || !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("silent: got %v", err)
	}
	if _, err := b.Send(t.Context(), "stranger", grant("run-1")); !errors.Is(err, ErrUnknownDevice) {
		t.Errorf("stranger: got %v", err)
	}
	for _, hostile := range []string{"", "*", ">", "a.b", "Cutter-1"} {
		if _, err := b.Send(t.Context(), hostile, grant("run-1")); !errors.Is(err, ErrUnknownDevice) {
			t.Errorf("%q: got %v", hostile, err)
		}
	}
}

func TestSendEndsWithItsContext(t *testing.T) {
	s := startServer(t)
	b := openBus(t, s, new(listener), Options{})
	asked := make(chan *nats.Msg, 2)
	answer(t, paths["tcp"](t, s), "cutter-1", func(_ *driverv1.Order, m *nats.Msg) { asked <- m })
	ctx, cancel := context.WithCancel(t.Context())
	failed := make(chan error, 2)
	for range 2 {
		go func() {
			_, err := b.Send(ctx, "cutter-1", grant("run-1"))
			failed <- err
		}()
	}
	<-asked
	cancel()
	for range 2 {
		if err := <-failed; !errors.Is(err, context.Canceled) || errors.Is(err, ErrNoDriver) {
			t.Errorf("got %v", err)
		}
	}
	// The second was still waiting for its turn and must not go out any more.
	done := make(chan error, 1)
	if err := b.Post("cutter-1", grant("run-3"), func(_ *driverv1.Answer, err error) { done <- err }); err != nil {
		t.Fatal(err)
	}
	m := <-asked
	if !strings.Contains(string(m.Data), "run-3") {
		t.Errorf("an order that nobody wanted any more was sent: %s", m.Data)
	}
	respond(t, m, `{}`)
	if err := <-done; err != nil {
		t.Error(err)
	}
}

func TestBadAnswers(t *testing.T) {
	s := startServer(t)
	b := openBus(t, s, new(listener), Options{})
	texts := []string{`taken`, ``, `{"refused":7}`}
	next := 0
	answer(t, paths["tcp"](t, s), "cutter-1", func(_ *driverv1.Order, m *nats.Msg) {
		respond(t, m, texts[next])
		next++
	})
	for _, text := range texts {
		if _, err := b.Send(t.Context(), "cutter-1", grant("run-1")); !errors.Is(err, ErrBadAnswer) || errors.Is(err, ErrNoDriver) {
			t.Errorf("%q: got %v", text, err)
		}
	}
	if n := deviceStats(t, b, "cutter-1").BadAnswers; n != uint64(len(texts)) {
		t.Errorf("%d counted", n)
	}
}

func TestPostKeepsOrderPerDeviceAndDevicesApart(t *testing.T) {
	s := startServer(t)
	b := openBus(t, s, new(listener), Options{OrderQueue: 100})
	nc := paths["tcp"](t, s)
	var mu sync.Mutex
	got := make(map[string][]string)
	stuck := make(chan *nats.Msg, 1)
	answer(t, nc, "cutter-1", func(_ *driverv1.Order, m *nats.Msg) { stuck <- m }) // keeps the daemon waiting
	answer(t, paths["in-process"](t, s), "printer-1", func(o *driverv1.Order, m *nats.Msg) {
		mu.Lock()
		got["printer-1"] = append(got["printer-1"], o.GetGrant().GetRun())
		mu.Unlock()
		respond(t, m, `{}`)
	})
	first := make(chan error, 1)
	if err := b.Post("cutter-1", grant("run-1"), func(_ *driverv1.Answer, err error) { first <- err }); err != nil {
		t.Fatal(err)
	}
	m := <-stuck
	const orders = 100
	answered := make(chan string, orders)
	for i := range orders {
		run := fmt.Sprintf("run-%d", i)
		if err := b.Post("printer-1", grant(run), func(_ *driverv1.Answer, err error) {
			if err != nil {
				t.Error(err)
			}
			answered <- run
		}); err != nil {
			t.Fatal(err)
		}
	}
	for i := range orders {
		if run, want := <-answered, fmt.Sprintf("run-%d", i); run != want {
			t.Fatalf("answer %d is for %s", i, run)
		}
	}
	for i, run := range got["printer-1"] {
		if want := fmt.Sprintf("run-%d", i); run != want {
			t.Fatalf("order %d was %s", i, run)
		}
	}
	respond(t, m, `{}`)
	if err := <-first; err != nil {
		t.Error(err)
	}
}

func TestPostIsBounded(t *testing.T) {
	s := startServer(t)
	b := openBus(t, s, new(listener), Options{OrderQueue: 3, OrderTimeout: answerWithin})
	stuck := make(chan *nats.Msg, 10)
	answer(t, paths["tcp"](t, s), "cutter-1", func(_ *driverv1.Order, m *nats.Msg) { stuck <- m })
	done := make(chan error, 10)
	post := func() error {
		return b.Post("cutter-1", grant("run-1"), func(_ *driverv1.Answer, err error) { done <- err })
	}
	if err := post(); err != nil {
		t.Fatal(err)
	}
	m := <-stuck // from here on the queue is empty and its worker busy
	for range 3 {
		if err := post(); err != nil {
			t.Fatal(err)
		}
	}
	if err := post(); !errors.Is(err, ErrBusy) {
		t.Fatalf("got %v", err)
	}
	respond(t, m, `{}`)
	for range 3 {
		respond(t, <-stuck, `{}`)
	}
	for range 4 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	big := grant("run-1")
	big.GetGrant().PanelCodes = []string{strings.Repeat("x", MaxBody)}
	if err := b.Post("cutter-1", big, nil); err == nil || !strings.Contains(err.Error(), "65536") {
		t.Errorf("too large: got %v", err)
	}
}

func TestOrdersBehindASilentDriverExpireTogether(t *testing.T) {
	s := startServer(t)
	b := openBus(t, s, new(listener), Options{OrderTimeout: 500 * time.Millisecond})
	var mu sync.Mutex
	seen := 0
	answer(t, paths["tcp"](t, s), "cutter-1", func(*driverv1.Order, *nats.Msg) {
		mu.Lock()
		seen++
		mu.Unlock()
	})
	done := make(chan error, 10)
	for range 10 {
		if err := b.Post("cutter-1", grant("run-1"), func(_ *driverv1.Answer, err error) { done <- err }); err != nil {
			t.Fatal(err)
		}
	}
	sent := 0
	for range 10 {
		err := <-done
		if !errors.Is(err, ErrNoDriver) {
			t.Fatalf("got %v", err)
		}
		if errors.Is(err, ErrNoAnswer) {
			sent++
		}
	}
	eventually(t, "as many orders went out as are reported as perhaps taken", func() bool {
		mu.Lock()
		defer mu.Unlock()
		return seen == sent && seen > 0
	})
	if sent == 10 {
		t.Error("stale orders were sent")
	}
}

func TestCloseEndsOrders(t *testing.T) {
	s := startServer(t)
	b := openBus(t, s, new(listener), Options{OrderTimeout: answerWithin})
	stuck := make(chan *nats.Msg, 1)
	answer(t, paths["tcp"](t, s), "cutter-1", func(_ *driverv1.Order, m *nats.Msg) { stuck <- m })
	done := make(chan error, 6)
	for range 5 {
		if err := b.Post("cutter-1", grant("run-1"), func(_ *driverv1.Answer, err error) { done <- err }); err != nil {
			t.Fatal(err)
		}
	}
	<-stuck
	waiting := make(chan error, 1)
	go func() {
		_, err := b.Send(t.Context(), "cutter-1", grant("run-2"))
		waiting <- err
	}()
	b.Close()
	if len(done) != 5 {
		t.Errorf("Close returned while %d orders had no end", 5-len(done))
	}
	for range 5 {
		if err := <-done; !errors.Is(err, ErrClosed) {
			t.Errorf("got %v", err)
		}
	}
	if err := <-waiting; !errors.Is(err, ErrClosed) {
		t.Errorf("Send: got %v", err)
	}
	if err := b.Post("cutter-1", grant("run-1"), nil); !errors.Is(err, ErrClosed) {
		t.Errorf("after Close: got %v", err)
	}
}

func TestOrderWithoutServerIsNotKeptForLater(t *testing.T) {
	s := startServer(t)
	b := openBus(t, s, new(listener), Options{})
	s.server.Shutdown()
	eventually(t, "the connection is lost", func() bool { return b.conn.IsReconnecting() })
	if _, err := b.Send(t.Context(), "cutter-1", grant("run-1")); !errors.Is(err, ErrNoDriver) || errors.Is(err, ErrNoAnswer) {
		t.Errorf("got %v", err)
	}
}

// A daemon that has ceased to lead since it gave an order does not send it.
func TestOrderOfOneWhoNoLongerLeads(t *testing.T) {
	s, l := startServer(t), new(listener)
	over := errors.New("another leads")
	var leads atomic.Bool
	b := openBus(t, s, l, Options{Leads: func() error {
		if leads.Load() {
			return nil
		}
		return over
	}})
	nc := paths["tcp"](t, s)
	heard, err := nc.SubscribeSync(drivers.OrderSubject("cutter-1"))
	if err != nil {
		t.Fatal(err)
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Send(t.Context(), "cutter-1", &driverv1.Order{}); !errors.Is(err, over) {
		t.Errorf("got error %v, want that another leads", err)
	}
	leads.Store(true)
	if err := b.Post("cutter-1", &driverv1.Order{Epoch: 7}, func(*driverv1.Answer, error) {}); err != nil {
		t.Fatal(err)
	}
	m, err := heard.NextMsg(patience)
	if err != nil || !strings.Contains(string(m.Data), "7") {
		t.Errorf("the first order that is heard is %v, %v", m, err)
	}
}
