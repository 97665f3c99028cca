package bus

import (
	"errors"
	"sync"
	"testing"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tandem/drivers"
)

// violations collects what the server forbids a connection.
type violations struct {
	mu   sync.Mutex
	errs []error
}

func watchViolations(nc *nats.Conn) *violations {
	v := new(violations)
	nc.SetErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
		v.mu.Lock()
		defer v.mu.Unlock()
		v.errs = append(v.errs, err)
	})
	return v
}

func (v *violations) count() int {
	v.mu.Lock()
	defer v.mu.Unlock()
	n := 0
	for _, err := range v.errs {
		if errors.Is(err, nats.ErrPermissionViolation) {
			n++
		}
	}
	return n
}

func TestDriverMayPublishOnlyHelloAndStatus(t *testing.T) {
	eachPath(t, func(t *testing.T, connect func(testing.TB, *Server, ...nats.Option) *nats.Conn) {
		s := startServer(t)
		daemon, err := s.FloorConn("daemon")
		if err != nil {
			t.Fatal(err)
		}
		all, err := daemon.SubscribeSync(">")
		if err != nil {
			t.Fatal(err)
		}
		if err := daemon.Flush(); err != nil {
			t.Fatal(err)
		}
		nc := connect(t, s)
		denied := watchViolations(nc)
		forbidden := []string{
			"$JS.API.INFO", "$JS.API.STREAM.CREATE.X", "$JS.API.STREAM.DELETE.X", "$JS.ACK.X", "$SYS.REQ.SERVER.PING",
			"$SYS.REQ.ACCOUNT.PING.CONNZ", "$SRV.PING", drivers.OrderSubject("cutter-1"), daemonInbox + ".x.y", driverInbox + ".x.y",
			drivers.StatusSubject("a.b"), drivers.HelloSubject("a.b"), "tandem.v1.status", "tandem.v1.other.cutter-1",
			"tandem.v2.status.cutter-1", "RECORDS", "x",
		}
		for _, subject := range forbidden {
			publish(t, nc, subject, []byte("forged"))
		}
		publish(t, nc, drivers.StatusSubject("cutter-1"), []byte("allowed"))
		publish(t, nc, drivers.HelloSubject("cutter-1"), []byte("allowed"))
		eventually(t, "every forbidden publish is refused", func() bool { return denied.count() == len(forbidden) })
		for range 2 {
			m, err := all.NextMsg(patience)
			if err != nil {
				t.Fatal(err)
			}
			if string(m.Data) != "allowed" {
				t.Fatalf("%s got through", m.Subject)
			}
		}
	})
}

func TestDriverMaySubscribeOnlyToOrdersAndItsInbox(t *testing.T) {
	eachPath(t, func(t *testing.T, connect func(testing.TB, *Server, ...nats.Option) *nats.Conn) {
		s := startServer(t)
		daemon, err := s.FloorConn("daemon")
		if err != nil {
			t.Fatal(err)
		}
		nc := connect(t, s)
		denied := watchViolations(nc)
		forbidden := []string{
			">", "*", "*.>", "tandem.>", "tandem.v1.*.*", drivers.HelloSubject("*"), drivers.StatusSubject("*"),
			drivers.StatusSubject("cutter-1"), daemonInbox + ".>", daemonInbox + ".*.*", "$SYS.>",
			"$JS.>", "$JS.API.>", "$JS.EVENT.ADVISORY.>", "_R_.>", "RECORDS",
		}
		subs := make([]*nats.Subscription, len(forbidden))
		for i, subject := range forbidden {
			if subs[i], err = nc.SubscribeSync(subject); err != nil {
				t.Fatal(err)
			}
		}
		for _, subject := range []string{drivers.OrderSubject("cutter-1"), driverInbox + ".x"} {
			sub, err := nc.SubscribeSync(subject)
			if err != nil {
				t.Fatal(err)
			}
			subs = append(subs, sub)
		}
		if err := nc.Flush(); err != nil {
			t.Fatal(err)
		}
		eventually(t, "every forbidden subscription is refused", func() bool { return denied.count() == len(forbidden) })
		// What the daemon says in its own places stays there.
		for _, subject := range []string{
			daemonInbox + ".x.y", drivers.StatusSubject("cutter-1"), drivers.HelloSubject("cutter-1"), "RECORDS",
			drivers.OrderSubject("cutter-1"), driverInbox + ".x",
		} {
			publish(t, daemon, subject, nil)
		}
		for i, sub := range subs[len(forbidden):] {
			if _, err := sub.NextMsg(patience); err != nil {
				t.Fatalf("permitted subscription %d: %v", i, err)
			}
		}
		for i, sub := range subs[:len(forbidden)] {
			if n, _, _ := sub.Pending(); n != 0 {
				t.Errorf("%s: heard %d messages", forbidden[i], n)
			}
		}
	})
}

func TestDriverAnswersEachOrderOnce(t *testing.T) {
	eachPath(t, func(t *testing.T, connect func(testing.TB, *Server, ...nats.Option) *nats.Conn) {
		s := startServer(t)
		daemon, err := s.FloorConn("daemon")
		if err != nil {
			t.Fatal(err)
		}
		answers, err := daemon.SubscribeSync(daemonInbox + ".>")
		if err != nil {
			t.Fatal(err)
		}
		nc := connect(t, s)
		denied := watchViolations(nc)
		_, err = nc.Subscribe(drivers.OrderSubject("cutter-1"), func(m *nats.Msg) {
			for range 3 {
				if err := m.Respond([]byte("{}")); err != nil {
					t.Error(err)
				}
			}
		})
		if err != nil {
			t.Fatal(err)
		}
		if err := nc.Flush(); err != nil {
			t.Fatal(err)
		}
		if err := daemon.PublishRequest(drivers.OrderSubject("cutter-1"), daemonInbox+".order.one", nil); err != nil {
			t.Fatal(err)
		}
		if _, err := answers.NextMsg(patience); err != nil {
			t.Fatal(err)
		}
		eventually(t, "further answers are refused", func() bool { return denied.count() == 2 })
		if n, _, _ := answers.Pending(); n != 0 {
			t.Errorf("%d further answers came", n)
		}
	})
}

func TestDriverMessagesAreLimited(t *testing.T) {
	eachPath(t, func(t *testing.T, connect func(testing.TB, *Server, ...nats.Option) *nats.Conn) {
		s := startServer(t)
		nc := connect(t, s)
		eventually(t, "the limit is announced", func() bool { return nc.MaxPayload() == MaxBody })
		if err := nc.Publish(drivers.StatusSubject("cutter-1"), make([]byte, MaxBody+1)); !errors.Is(err, nats.ErrMaxPayload) {
			t.Errorf("one byte too many: got %v", err)
		}
		if err := nc.Publish(drivers.StatusSubject("cutter-1"), make([]byte, MaxBody)); err != nil {
			t.Error(err)
		}
	})
}

func TestFloorHasNoJetStream(t *testing.T) {
	s := startServer(t)
	nc, err := s.FloorConn("daemon")
	if err != nil {
		t.Fatal(err)
	}
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.AccountInfo(t.Context()); err == nil {
		t.Fatal("the floor's account has JetStream")
	}
}

func TestLedgerAndFloorHearNothingOfEachOther(t *testing.T) {
	s := startServer(t)
	floor, err := s.FloorConn("daemon")
	if err != nil {
		t.Fatal(err)
	}
	ledger, err := s.LedgerConn()
	if err != nil {
		t.Fatal(err)
	}
	sub, err := floor.SubscribeSync("records")
	if err != nil {
		t.Fatal(err)
	}
	for _, nc := range []*nats.Conn{floor, ledger, floor} {
		publish(t, nc, "records", []byte(nc.Opts.User))
		if err := nc.Flush(); err != nil {
			t.Fatal(err)
		}
	}
	for range 2 {
		m, err := sub.NextMsg(patience)
		if err != nil || string(m.Data) != daemonUser {
			t.Fatalf("got %v %v", m, err)
		}
	}
}

func TestSocketLetsInNobodyButDrivers(t *testing.T) {
	s := startServer(t)
	for name, opts := range map[string][]nats.Option{
		"nobody":                    nil,
		"wrong token":               {nats.UserInfo(driverUser, "AAAAAAAAAAAAAAAAAAAAAAAAAA")},
		"empty token":               {nats.UserInfo(driverUser, "")},
		"token without user":        {nats.Token(s.secrets.driver)},
		"ledger with its secret":    {nats.UserInfo(LedgerUser, s.secrets.ledger)},
		"daemon with its secret":    {nats.UserInfo(daemonUser, s.secrets.daemon)},
		"system with no credential": {nats.UserInfo("sys", "")},
	} {
		nc, err := nats.Connect(s.URL(), opts...)
		if !errors.Is(err, nats.ErrAuthorization) {
			t.Errorf("%s: got %v, want an authorization error", name, err)
		}
		if err == nil {
			nc.Close()
		}
	}
	nc, err := nats.Connect(s.URL(), nats.UserInfo(driverUser, s.secrets.driver))
	if err != nil {
		t.Fatalf("driver with its token: %v", err)
	}
	nc.Close()
}
