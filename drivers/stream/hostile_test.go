package stream

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"sync/atomic"
	"testing"
	"time"

	"tandem/drivers/filejob/filejobtest"
	driverv1 "tandem/proto/tandem/driver/v1"
)

// TestStopNotTold: a device that has the whole file and that cannot be told to stop works on. Its run is not said to have
// ended before it has, since the next one would be granted to a device that moves.
func TestStopNotTold(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"stop-send": `\x18`, "stop-takes": "0s", "lost-after": "2s"})
	b.settings["address"] = "127.0.0.1:9100"
	body, doc := b.file(20_000)
	b.open = func(context.Context) (line, error) {
		near, far := net.Pipe()
		go func() { _, _ = io.ReadFull(far, make([]byte, len(body))) }() // and then reads nothing more
		t.Cleanup(func() { _ = far.Close() })
		return socket{near}, nil
	}
	f := b.start()
	f.Grant(filejobtest.Started("r1", 6*time.Second, doc))
	f.Wait("the device has the whole file", func(*driverv1.Status) bool { return bytes.Contains(b.remembered(), []byte(`"handed":true`)) })
	f.StopRun("r1")
	f.Run("r1", processing, "processing-to-stop-point")
	f.Run("r1", completed, "")
	for _, s := range f.Statuses() {
		if filejobtest.Find(s, "r1").GetState() == canceled {
			t.Fatalf("it is told as canceled while the device works: %v", s)
		}
	}
}

// TestStopNotToldLost: the connection is lost while the device is told to stop: nobody knows what it does.
func TestStopNotToldLost(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"stop-send": `\x18`, "stop-takes": "0s"})
	body, doc := b.file(20_000)
	b.settings["address"] = "127.0.0.1:9100"
	stopped := make(chan struct{})
	b.open = func(context.Context) (line, error) {
		near, far := net.Pipe()
		go func() {
			_, _ = io.ReadFull(far, make([]byte, len(body)))
			<-stopped
			_ = far.Close()
		}()
		return broken{socket{near}}, nil
	}
	f := b.start()
	f.Grant(filejobtest.Started("r1", time.Hour, doc))
	f.Wait("the device has the whole file", func(*driverv1.Status) bool { return bytes.Contains(b.remembered(), []byte(`"handed":true`)) })
	f.StopRun("r1")
	close(stopped)
	f.Unknown("r1")
	if err := f.Lost(); err == nil {
		t.Error("Run returns nil, want that the device is lost")
	}
}

// broken is a line whose end is told as a reset.
type broken struct{ socket }

func (b broken) Read(p []byte) (int, error) {
	n, err := b.socket.Read(p)
	if err != nil {
		err = errors.New("reset")
	}
	return n, err
}

// TestStopBeforeRestart: a stop that was taken and not carried out before the driver died is carried out by the next one.
func TestStopBeforeRestart(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"keep-open": "false", "stop-takes": "0s"})
	body, doc := b.file(20_000)
	told := make(chan []byte, 1)
	p := listen(t, func(n int, c *net.TCPConn) []byte {
		took := takeAll(c)
		if n > 0 {
			told <- took
		}
		return took
	})
	b.settings["address"] = p.Addr().String()
	f := b.start()
	f.Grant(filejobtest.Started("r1", time.Hour, doc))
	f.Wait("the device goes on alone", func(*driverv1.Status) bool { return bytes.Contains(b.remembered(), []byte(`"released":true`)) })
	f.StopRun("r1") // nothing is set by which the device could be told
	f.Run("r1", processing, "processing-to-stop-point")
	if err := f.Stop(); err != nil {
		t.Error(err)
	}
	b.settings["stop-send"] = `\x18` // as if the driver had died before it told the device
	next := b.start()
	next.Run("r1", canceled, "")
	if took := <-told; string(took) != "\x18" {
		t.Errorf("the device was told %q", took)
	}
	if took := p.close(); !bytes.Equal(took[0], body) || len(took) != 2 {
		t.Errorf("the device took %d connections", len(took))
	}
}

// TestHalfClosedAndReset: a device that closes its side while the last bytes are on their way, and then dies without reading
// them, has completed nothing, and its run does not hang.
func TestHalfClosedAndReset(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"done": "closed", "chunk": "65536", "lost-after": "2s"})
	_, doc := b.file(60_000)
	narrow := make(chan struct{})
	p := listen(t, func(n int, c *net.TCPConn) []byte {
		if n > 0 {
			return nil
		}
		_ = c.SetReadBuffer(1024)
		close(narrow)
		took := take(c, 100)
		time.Sleep(300 * time.Millisecond)
		_ = c.CloseWrite()
		time.Sleep(time.Second)
		reset(c)
		return took
	})
	b.settings["address"] = p.Addr().String()
	b.open = p.after(narrow)
	f := b.start()
	f.Grant(filejobtest.Started("r1", time.Hour, doc))
	f.Unknown("r1")
	_ = f.Lost()
	p.close()
}

// TestResumedIsNotClosed: that a device closed its side of a connection that was lost says nothing of the one on which the rest is
// sent.
func TestResumedIsNotClosed(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{
		"done": "closed", "chunk": "65536", "lost-after": "2s", "resume-ask": `AT?\n`, "resume-answer": `^AT (\d+)$`,
	})
	body, doc := b.file(60_000)
	var closes atomic.Bool
	narrow := make(chan struct{})
	p := listen(t, func(n int, c *net.TCPConn) []byte {
		if n == 0 {
			_ = c.SetReadBuffer(1024)
			close(narrow)
			took := take(c, 100)
			time.Sleep(300 * time.Millisecond)
			_ = c.CloseWrite()
			time.Sleep(300 * time.Millisecond)
			reset(c)
			return took
		}
		take(c, len("AT?\n"))
		_, _ = io.WriteString(c, "AT 100\n")
		took := take(c, len(body)-100)
		time.Sleep(time.Second) // it works
		closes.Store(true)
		return took
	})
	b.settings["address"] = p.Addr().String()
	b.open = p.after(narrow)
	f := b.start()
	f.Grant(filejobtest.Started("r1", time.Hour, doc))
	f.Run("r1", completed, "")
	if !closes.Load() {
		t.Error("the run is told as completed before the device has closed the connection")
	}
	if took := bytes.Join(p.close(), nil); !bytes.Equal(took, body) {
		t.Errorf("the device has taken %d bytes of %d", len(took), len(body))
	}
}

// TestStopBehindTheLastByte: a stop that comes while the last bytes are on their way, and that they outrun, finds a device with the
// whole file: it cannot be told, so its run ends when it has done it.
func TestStopBehindTheLastByte(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"stop-takes": "0s"})
	b.settings["address"] = "127.0.0.1:9100"
	_, doc := b.file(2_000)
	flushes, arrived := make(chan struct{}), make(chan struct{})
	b.open = func(context.Context) (line, error) {
		near, far := net.Pipe()
		go func() { _, _ = io.Copy(io.Discard, far) }()
		t.Cleanup(func() { _ = far.Close() })
		return &late{socket: socket{near}, flushes: flushes, arrived: arrived}, nil
	}
	f := b.start()
	f.Grant(filejobtest.Started("r1", 2*time.Second, doc))
	<-flushes
	f.StopRun("r1")
	f.Run("r1", processing, "processing-to-stop-point")
	close(arrived)
	f.Run("r1", completed, "")
}

// late is a line on which the last bytes are on their way for some time.
type late struct {
	socket
	flushes, arrived chan struct{}
}

func (l *late) Flush() error {
	close(l.flushes)
	<-l.arrived
	return nil
}
