package stream

import (
	"bytes"
	"context"
	"errors"
	"io"
	"maps"
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap/zaptest"

	"tandem/drivers"
	"tandem/drivers/clock"
	"tandem/drivers/filejob/filejobtest"
	tandemv1 "tandem/proto/tandem/v1"
)

// peer is a device on a socket. Each connection is served by serve, which may stall, reset it, or take only a part.
type peer struct {
	net.Listener
	t *testing.T

	mu    sync.Mutex
	taken [][]byte // of each connection on which something was said
	done  sync.WaitGroup
}

// listen starts a device; serve is called for each connection, with its number from 0, and says what it took.
func listen(t *testing.T, serve func(n int, c *net.TCPConn) []byte) *peer {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &peer{Listener: l, t: t}
	p.done.Go(func() {
		for n := 0; ; n++ {
			c, err := l.Accept()
			if err != nil {
				return
			}
			p.done.Go(func() {
				defer c.Close()
				if took := serve(n, c.(*net.TCPConn)); len(took) > 0 {
					p.mu.Lock()
					defer p.mu.Unlock()
					p.taken = append(p.taken, took)
				}
			})
		}
	})
	t.Cleanup(func() { _ = l.Close() })
	return p
}

// after is an opener that hands over a connection once narrow is closed: until the device's side has its small buffer, its system
// may take and acknowledge a whole file that nobody has read.
func (p *peer) after(narrow <-chan struct{}) opener {
	return func(ctx context.Context) (line, error) {
		l, err := dial(ctx, p.Addr().String(), 2*time.Second)
		if err != nil {
			return nil, err
		}
		<-narrow
		return l, nil
	}
}

// close switches the device off and returns what was said to it, on each connection.
func (p *peer) close() [][]byte {
	_ = p.Close()
	p.done.Wait()
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.taken
}

// takeAll reads until the other end says that nothing more comes, or is gone.
func takeAll(c net.Conn) []byte {
	body, _ := io.ReadAll(c) // a reset ends it as well
	return body
}

// take reads n bytes, or fewer if no more come.
func take(c net.Conn, n int) []byte {
	body := make([]byte, n)
	n, _ = io.ReadFull(c, body)
	return body[:n]
}

// reset ends a connection as a device does that is switched off and on, or whose program has died.
func reset(c *net.TCPConn) {
	_ = c.SetLinger(0)
	_ = c.Close()
}

// bench is a driver with its folders.
type bench struct {
	t          *testing.T
	files, dir string
	settings   map[string]string
	clock      clock.Clock
	open       opener
}

func newBench(t *testing.T, settings map[string]string) *bench {
	t.Helper()
	b := &bench{t: t, files: t.TempDir(), dir: t.TempDir(), settings: map[string]string{"check": "0s"}, clock: clock.Wall()}
	maps.Copy(b.settings, settings)
	if b.settings["files"] == "" {
		b.settings["files"] = b.files
	}
	return b
}

func (b *bench) env() drivers.Env {
	return drivers.Env{Device: "cutter-1", Operations: []string{"cut"}, Capacity: 1, Clock: b.clock, StateDir: b.dir, Log: zaptest.NewLogger(b.t)}
}

// driver makes a driver as a new process would.
func (b *bench) driver() drivers.Driver {
	b.t.Helper()
	c, err := readSettings(b.settings)
	if err != nil {
		b.t.Fatal(err)
	}
	d, err := newDesk(b.env(), c, b.open)
	if err != nil {
		b.t.Fatal(err)
	}
	return d
}

func (b *bench) start() *filejobtest.Floor {
	b.t.Helper()
	return filejobtest.Start(b.t, b.driver())
}

// file writes the file of a run: many bytes, none like those before it.
func (b *bench) file(size int) ([]byte, *tandemv1.Document) {
	b.t.Helper()
	body := contour(size)
	return body, filejobtest.Write(b.t, b.files, "gull.plt", body)
}

func contour(size int) []byte {
	var out bytes.Buffer
	for i := 0; out.Len() < size; i++ {
		out.WriteString("D" + string(rune('A'+i%26)) + string(rune('a'+i/26%26)) + string(rune('0'+i/676%10)) + ";\n")
	}
	return out.Bytes()[:size]
}

// remembered returns what the driver has kept.
func (b *bench) remembered() []byte {
	b.t.Helper()
	body, err := os.ReadFile(filepath.Join(b.dir, "job.json"))
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		b.t.Fatal(err)
	}
	return body
}

// piped is an opener whose lines end at serve, in virtual time as well. ctx ends when the driver closes the line.
func piped(serve func(ctx context.Context, c net.Conn)) opener {
	return func(context.Context) (line, error) {
		near, far := net.Pipe()
		ctx, cancel := context.WithCancel(context.Background())
		go func() {
			defer far.Close()
			serve(ctx, far)
		}()
		return socket{closing{near, cancel}}, nil
	}
}

type closing struct {
	net.Conn
	closed context.CancelFunc
}

func (c closing) Close() error {
	defer c.closed()
	return c.Conn.Close()
}

// wait lets time pass, unless the line is closed first.
func wait(ctx context.Context, d time.Duration) {
	select {
	case <-time.After(d):
	case <-ctx.Done():
	}
}

// slowly takes what comes, at most so many bytes at a time and not more often than every.
func slowly(ctx context.Context, c net.Conn, most int, every time.Duration, heard func([]byte)) {
	buffer := make([]byte, most)
	for ctx.Err() == nil {
		n, err := c.Read(buffer)
		heard(buffer[:n])
		if err != nil {
			return
		}
		wait(ctx, every)
	}
}
