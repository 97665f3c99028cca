package bus

import (
	"bufio"
	"errors"
	"net"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
)

// late is a server whose first handshakes went the way they go when the process stood still in their midst.
type late struct {
	server *Server
	says   []string // for each connection that fails
	made   int
}

func (l *late) InProcessConn() (net.Conn, error) {
	l.made++
	if l.made > len(l.says) {
		return l.server.server.InProcessConn()
	}
	client, server := net.Pipe()
	says := l.says[l.made-1]
	go func() {
		defer server.Close()
		_ = server.SetDeadline(time.Now().Add(10 * time.Second))
		if _, err := server.Write([]byte("INFO {\"max_payload\":1048576}\r\n")); err != nil {
			return
		}
		read := bufio.NewReader(server)
		for range 2 { // CONNECT and PING
			if _, err := read.ReadString('\n'); err != nil {
				return
			}
		}
		_, _ = server.Write([]byte(says))
	}()
	return client, nil
}

// What a server of NATS says to a client whose handshake it had to wait for longer than 2 s, as a daemon's log had it after
// SIGSTOP and SIGCONT.
const (
	ping    = "PING\r\n"
	timeout = "-ERR 'Authentication Timeout'\r\n"
)

func TestConnectedThoughTheProcessStoodStill(t *testing.T) {
	s := startServer(t)
	for _, says := range [][]string{{ping}, {timeout}, {ping, timeout, ping}} {
		l := &late{server: s, says: says}
		nc, err := s.connect("cutter-1", driverUser, s.secrets.driver, nats.InProcessServer(l))
		if err != nil || !nc.IsConnected() || l.made != len(says)+1 {
			t.Errorf("after %q: connected by %d attempts, error %v; want one attempt more than fail", says, l.made, err)
		}
	}
}

func TestConnectGivesUp(t *testing.T) {
	s := startServer(t)
	l := &late{server: s, says: []string{ping, ping, ping, ping, ping, ping}}
	if _, err := s.connect("cutter-1", driverUser, s.secrets.driver, nats.InProcessServer(l)); err == nil || l.made != connectTries {
		t.Errorf("%d attempts, error %v; want an error after %d", l.made, err, connectTries)
	}
	s.Shutdown()
	l.made = 0
	if _, err := s.connect("cutter-1", driverUser, s.secrets.driver, nats.InProcessServer(l)); err == nil || errors.Is(err, ErrClosed) || l.made != 1 {
		t.Errorf("of a server that was shut down: %d attempts, error %v; want one attempt and its error", l.made, err)
	}
}
