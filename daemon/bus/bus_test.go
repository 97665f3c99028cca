package bus

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
)

func TestHelloAndStatusReachTheHandlersInOrder(t *testing.T) {
	eachPath(t, func(t *testing.T, connect func(testing.TB, *Server, ...nats.Option) *nats.Conn) {
		s, l := startServer(t), new(listener)
		b := openBus(t, s, l, Options{})
		nc := connect(t, s)
		w := sayHello(t, nc, "cutter-1", helloBody(t, 5, 1))
		if w.GetError() != "" || w.GetMinFence() != 7 {
			t.Fatalf("got %v", w)
		}
		if h := l.greeted("cutter-1"); len(h) != 1 || h[0].GetKind() != "sim" || h[0].GetStatus().GetEpoch() != 5 {
			t.Fatalf("got %v", h)
		}
		for i := range uint64(5) {
			publishStatus(t, nc, "cutter-1", 5, 2+i)
			publishStatus(t, nc, "printer-1", 9, 1+i)
		}
		eventually(t, "all are heard", func() bool {
			return len(l.heard("cutter-1")) == 5 && len(l.heard("printer-1")) == 5
		})
		if got := sequences(l.heard("cutter-1")); got != "[5/2 5/3 5/4 5/5 5/6]" {
			t.Errorf("got %s", got)
		}
		st := deviceStats(t, b, "cutter-1")
		if st.Received != 6 || st.Delivered != 6 {
			t.Errorf("got %+v", st)
		}
		if s := b.Stats(); s.Dropped() != 0 || s.Lost != 0 || len(s.Flooders) != 0 {
			t.Errorf("got %+v", s)
		}
	})
}

func TestHellosAndStatusesKeepTheirOrderAmongEachOther(t *testing.T) {
	s, l := startServer(t), new(listener)
	b := openBus(t, s, l, Options{StatusRate: 1e6, StatusBurst: 1e6})
	nc := paths["tcp"](t, s)
	const last = 2000
	for i := uint64(1); i <= last; i++ {
		if i%2 == 0 {
			publishStatus(t, nc, "cutter-1", 1, i)
			continue
		}
		if err := nc.PublishRequest(drivers.HelloSubject("cutter-1"), nats.NewInbox(), helloBody(t, 1, i)); err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, "the last is heard", func() bool {
		h := l.heard("cutter-1")
		return len(h) > 0 && h[len(h)-1].GetSequence() == last
	})
	// One that had been overtaken would count as old.
	if st := deviceStats(t, b, "cutter-1"); st.OldSequence != 0 || st.Delivered+st.Coalesced != last {
		t.Errorf("got %+v", st)
	}
}

func TestOldAndRepeatedStatusesAreDropped(t *testing.T) {
	s, l := startServer(t), new(listener)
	b := openBus(t, s, l, Options{})
	nc := paths["tcp"](t, s)
	for i, es := range [][2]uint64{
		{3, 1}, {3, 2}, {3, 2}, {3, 1}, {2, 9}, {3, 4}, {3, 3}, {4, 1}, {3, 5}, {4, 1}, {4, 2}, // arrivals
	} {
		publishStatus(t, nc, "cutter-1", es[0], es[1])
		eventually(t, "it is dealt with", func() bool {
			st := deviceStats(t, b, "cutter-1")
			return st.Delivered+st.OldEpoch+st.OldSequence == uint64(i+1)
		})
	}
	if got := sequences(l.heard("cutter-1")); got != "[3/1 3/2 3/4 4/1 4/2]" {
		t.Errorf("got %s", got)
	}
	st := deviceStats(t, b, "cutter-1")
	if st.OldEpoch != 2 || st.OldSequence != 4 || b.Stats().Dropped() != 6 {
		t.Errorf("got %+v", st)
	}
}

// A second driver of a device, started by mistake with a data folder of its own, is named while both speak; a few late words of one that was
// replaced are nothing.
func TestTwoDriversOfOneDeviceAreNamed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var r rival
		for i, step := range []struct {
			after time.Duration // since the step before, until the older one speaks
			want  bool
		}{
			{time.Millisecond, false},
			{time.Second, false}, // what was on its way
			{2 * time.Second, true},
			{rivalMemory - time.Second, true},
			{rivalMemory + time.Second, false}, // a word after a long pause begins anew
			{rivalAfter, true},
		} {
			time.Sleep(step.after)
			r.spoke(time.Now())
			if got := r.there(time.Now()); got != step.want {
				t.Errorf("step %d: two drivers %t, want %t", i, got, step.want)
			}
		}
		if time.Sleep(rivalMemory); r.there(time.Now()) {
			t.Error("the older one has been silent for long, and still counts")
		}
	})

	s, l := startServer(t), new(listener)
	b := openBus(t, s, l, Options{})
	nc := paths["tcp"](t, s)
	publishStatus(t, nc, "cutter-1", 3, 1)
	sequence := uint64(0)
	eventually(t, "two drivers are named", func() bool {
		sequence++
		publishStatus(t, nc, "cutter-1", 2, sequence)
		publishStatus(t, nc, "printer-1", 2, sequence)
		time.Sleep(100 * time.Millisecond)
		return slices.Equal(b.Stats().Rivals, []string{"cutter-1"})
	})
}

func TestHelloOfAnOldDriverIsRefusedAndARepeatedOneIsNot(t *testing.T) {
	s, l := startServer(t), new(listener)
	b := openBus(t, s, l, Options{})
	nc := paths["tcp"](t, s)
	for _, tt := range []struct {
		epoch, sequence uint64
		want            string
	}{
		{7, 3, ""},
		{7, 3, ""}, // its answer was lost
		{7, 2, ""}, // overtaken on the way
		{6, 9, "epoch 6 is older than 7"},
		{8, 1, ""},
	} {
		w := sayHello(t, nc, "cutter-1", helloBody(t, tt.epoch, tt.sequence))
		if tt.want == "" && w.GetError() != "" || !strings.Contains(w.GetError(), tt.want) {
			t.Errorf("%d/%d: got %q, want %q", tt.epoch, tt.sequence, w.GetError(), tt.want)
		}
	}
	if st := deviceStats(t, b, "cutter-1"); st.Delivered != 4 || st.OldEpoch != 1 || st.OldSequence != 0 {
		t.Errorf("got %+v", st)
	}
}

func TestDriverThatIsNotWelcomeShutsNobodyOut(t *testing.T) {
	s, l := startServer(t), new(listener)
	var welcome atomic.Pointer[driverv1.Welcome]
	welcome.Store(&driverv1.Welcome{Error: "wrong kind"})
	l.welcome = func(string) *driverv1.Welcome { return welcome.Load() }
	openBus(t, s, l, Options{})
	nc := paths["tcp"](t, s)
	if w := sayHello(t, nc, "cutter-1", helloBody(t, 99, 1)); w.GetError() != "wrong kind" {
		t.Fatalf("got %v", w)
	}
	welcome.Store(nil)
	if w := sayHello(t, nc, "cutter-1", helloBody(t, 98, 1)); !strings.Contains(w.GetError(), "not ready") {
		t.Fatalf("got %v", w)
	}
	welcome.Store(&driverv1.Welcome{})
	if w := sayHello(t, nc, "cutter-1", helloBody(t, 5, 1)); w.GetError() != "" {
		t.Fatalf("got %v", w)
	}
}

func TestMalformedMessagesAreCountedAnsweredAndHarmless(t *testing.T) {
	core, logs := observer.New(zapcore.InfoLevel)
	s, l := startServer(t), new(listener)
	b := openBus(t, s, l, Options{Log: zap.New(core)})
	nc := paths["tcp"](t, s)
	if w := sayHello(t, nc, "cutter-1", []byte(`{"status":`)); !strings.Contains(w.GetError(), "not protobuf JSON of Hello") {
		t.Errorf("got %v", w)
	}
	if w := sayHello(t, nc, "cutter-1", []byte(`{"status":{"epoch":"1","runs":[{"run":"*"}]}}`)); !strings.Contains(w.GetError(),
		"status.runs[0].run *") {
		t.Errorf("got %v", w)
	}
	for range 50 {
		publish(t, nc, drivers.StatusSubject("cutter-1"), []byte("nonsense"))
	}
	eventually(t, "all are counted", func() bool {
		st := deviceStats(t, b, "cutter-1")
		return st.Received == 52 && st.Malformed+st.Coalesced == 52
	})
	publishStatus(t, nc, "cutter-1", 1, 1)
	eventually(t, "a good one is heard", func() bool { return len(l.heard("cutter-1")) == 1 })
	if n := logs.Len(); n != 1 {
		t.Errorf("%d log lines about 52 bad messages, want 1", n)
	}
	if m := logs.All()[0].ContextMap(); m["device"] != "cutter-1" || m["cause"] != "malformed" {
		t.Errorf("the log line says %v", m)
	}
}

func TestHelloThatCannotBeAnsweredIsDropped(t *testing.T) {
	s, l := startServer(t), new(listener)
	b := openBus(t, s, l, Options{})
	daemon, err := s.FloorConn("observer")
	if err != nil {
		t.Fatal(err)
	}
	orders, err := daemon.SubscribeSync(drivers.OrderSubject("*"))
	if err != nil {
		t.Fatal(err)
	}
	if err := daemon.Flush(); err != nil {
		t.Fatal(err)
	}
	nc := paths["tcp"](t, s)
	publish(t, nc, drivers.HelloSubject("cutter-1"), helloBody(t, 1, 1)) // no reply subject
	// A reply subject where the driver itself may not speak: the daemon must not speak there for it.
	for _, device := range []string{"cutter-1", "nobody"} {
		if err := nc.PublishRequest(drivers.HelloSubject(device), drivers.OrderSubject("printer-1"), helloBody(t, 1, 1)); err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, "all are counted", func() bool {
		return deviceStats(t, b, "cutter-1").BadReply == 2 && b.Stats().Unknown == 1
	})
	if w := sayHello(t, nc, "cutter-1", helloBody(t, 1, 1)); w.GetError() != "" {
		t.Fatalf("got %v", w)
	}
	if n, _, _ := orders.Pending(); n != 0 {
		t.Error("the daemon spoke on an order subject for a driver")
	}
}

func TestHostileDevicesReachNoHandler(t *testing.T) {
	core, logs := observer.New(zapcore.InfoLevel)
	s, l := startServer(t), new(listener)
	b := openBus(t, s, l, Options{Log: zap.New(core)})
	nc := paths["tcp"](t, s)
	denied := watchViolations(nc)
	bad := []string{"*", ">", "Cutter-1", "CUTTER-1", "-cutter", "cutter_1", "$JS", "cutter-1*", "%2f", "=1+1", strings.Repeat("a", 64)}
	for _, device := range bad {
		publish(t, nc, drivers.StatusSubject(device), body(t, &driverv1.Status{Epoch: 1}))
	}
	publish(t, nc, drivers.StatusSubject("a.b"), nil) // two tokens: the server refuses
	publish(t, nc, drivers.StatusSubject("stranger"), body(t, &driverv1.Status{Epoch: 1}))
	eventually(t, "all are counted", func() bool {
		st := b.Stats()
		return st.BadSubject == uint64(len(bad)) && st.Unknown == 1 && denied.count() == 1
	})
	for device, want := range map[string]string{
		"stranger": "no device of this id", "Cutter-1": "no device id", "*": "no device id",
	} {
		if w := sayHello(t, nc, device, helloBody(t, 1, 1)); !strings.Contains(w.GetError(), want) {
			t.Errorf("%s: got %q", device, w.GetError())
		}
	}
	if len(l.statuses)+len(l.hellos) != 0 {
		t.Errorf("handlers heard %v %v", l.statuses, l.hellos)
	}
	if logs.Len() != 1 {
		t.Errorf("%d log lines, want 1", logs.Len())
	}
}

func TestRefusalsAreBounded(t *testing.T) {
	s, l := startServer(t), new(listener)
	b := openBus(t, s, l, Options{})
	nc := paths["tcp"](t, s)
	answers, err := nc.SubscribeSync(driverInbox + ".answers")
	if err != nil {
		t.Fatal(err)
	}
	const hellos = 5000
	for range hellos {
		if err := nc.PublishRequest(drivers.HelloSubject("stranger"), driverInbox+".answers", nil); err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, "all are counted", func() bool { return b.Stats().Unknown == hellos })
	if n, _, _ := answers.Pending(); n < 1 || n > hellos/2 {
		t.Errorf("%d of %d hellos from nobody are answered", n, hellos)
	}
}

func TestSlowHandlerHoldsUpNobodyElseAndGetsTheNewest(t *testing.T) {
	s, l := startServer(t), new(listener)
	var entered, release sync.WaitGroup
	entered.Add(1)
	release.Add(1)
	var once sync.Once
	l.onStatus = func(device string, _ *driverv1.Status) {
		if device == "cutter-1" {
			once.Do(entered.Done)
			release.Wait()
		}
	}
	b := openBus(t, s, l, Options{StatusBurst: 1000})
	nc := paths["tcp"](t, s)
	publishStatus(t, nc, "cutter-1", 1, 1)
	entered.Wait()
	const last = 400
	for i := uint64(2); i <= last; i++ {
		publishStatus(t, nc, "cutter-1", 1, i)
	}
	publishStatus(t, nc, "printer-1", 1, 1)
	eventually(t, "the other is heard", func() bool {
		return len(l.heard("printer-1")) == 1 && deviceStats(t, b, "cutter-1").Received == last
	})
	release.Done()
	eventually(t, "the newest is heard", func() bool {
		h := l.heard("cutter-1")
		return h[len(h)-1].GetSequence() == last
	})
	if h := l.heard("cutter-1"); len(h) != 1+inboxRoom+1 {
		t.Errorf("heard %s", sequences(h))
	}
	if f := b.Stats().Flooders; len(f) != 0 {
		t.Errorf("%v are called flooders for a slow handler", f)
	}
}

func TestCloseEndsHandlersAndLeavesTheConnection(t *testing.T) {
	s, l := startServer(t), new(listener)
	b := openBus(t, s, l, Options{StatusRate: 0.001, StatusBurst: 1})
	nc := paths["tcp"](t, s)
	for i := range uint64(3) { // the second waits for a token for a long time
		publishStatus(t, nc, "cutter-1", 1, 1+i)
	}
	eventually(t, "the first is heard", func() bool {
		return len(l.heard("cutter-1")) == 1 && deviceStats(t, b, "cutter-1").Received == 3
	})
	b.Close()
	b.Close()
	if n := len(l.heard("cutter-1")); n != 1 {
		t.Errorf("%d statuses heard", n)
	}
	if b.conn.IsClosed() {
		t.Error("the connection is closed too")
	}
	// A new bus on the same connection begins afresh.
	again := openBus(t, s, l, Options{})
	publishStatus(t, nc, "cutter-1", 1, 1)
	eventually(t, "heard again", func() bool { return deviceStats(t, again, "cutter-1").Delivered == 1 })
}

func TestNewRefuses(t *testing.T) {
	s, l := startServer(t), new(listener)
	nc, err := s.FloorConn("daemon")
	if err != nil {
		t.Fatal(err)
	}
	handlers := Handlers{Hello: l.hello, Status: l.status}
	for i, tt := range []struct {
		handlers Handlers
		opts     Options
		want     string
	}{
		{Handlers{}, Options{}, "Hello and Status"},
		{handlers, Options{Devices: []string{"Cutter"}}, `"Cutter"`},
		{handlers, Options{Devices: []string{"a", ">"}}, `">"`},
		{handlers, Options{Devices: []string{"a", "b", "a"}}, "twice"},
		{handlers, Options{StatusRate: -1}, "StatusRate"},
		{handlers, Options{StatusBurst: -1}, "StatusBurst"},
		{handlers, Options{HelloTimeout: -1}, "HelloTimeout"},
		{handlers, Options{OrderTimeout: 2 * answerWithin}, "OrderTimeout"},
		{handlers, Options{OrderQueue: -1}, "OrderQueue"},
	} {
		if _, err := New(nc, tt.handlers, tt.opts); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("case %d: got %v, want an error with %q", i, err, tt.want)
		}
	}
	nc.Close()
	if _, err := New(nc, handlers, Options{Devices: []string{"a"}}); err == nil {
		t.Error("a closed connection is good enough")
	}
}

func TestStatsNameEveryCause(t *testing.T) {
	for c := range causes {
		if c.String() == "" {
			t.Errorf("cause %d has no name", c)
		}
	}
	s := Stats{BadSubject: 1, Unknown: 2, Lost: 1000, Devices: []DeviceStats{
		{Received: 1000, Delivered: 1000, Coalesced: 1000, Malformed: 4, TooLarge: 8, OldEpoch: 16, OldSequence: 32, BadReply: 64, BadAnswers: 1000},
	}}
	if got := s.Dropped(); got != 127 {
		t.Errorf("dropped %d, want 127", got)
	}
	if got := fmt.Sprint(causeCoalesced, causeReply); got != "coalesced bad reply subject" {
		t.Errorf("got %s", got)
	}
}
