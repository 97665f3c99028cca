package stream

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"syscall"
	"time"
)

// writeWait is how long a write may hang, in wall time, until the sender looks whether it is still wanted.
const writeWait = 200 * time.Millisecond

// errNotTaken says that the device takes no bytes now.
var errNotTaken = errors.New("the device takes no bytes now")

// line is a connection to a device. Read is called by one goroutine, everything else by another; Close by any.
type line interface {
	Read(p []byte) (int, error)
	// Write hands over bytes and says how many may have left, whatever else it says. errNotTaken: try again.
	Write(p []byte) (int, error)
	// Ready says whether the wires let bytes go.
	Ready() (bool, error)
	// Flush waits for the last bytes to leave this computer; errNotTaken: try again.
	Flush() error
	// EndWrite says that nothing more comes, and goes on listening.
	EndWrite() error
	// Silent says whether the device does not answer the network any more, for lostAfter.
	Silent(lostAfter time.Duration) bool
	// Drop forgets bytes that have not left yet.
	Drop()
	// Close lets go.
	Close() error
}

// socket is a line over a network connection.
type socket struct {
	net.Conn
}

func (s socket) Write(p []byte) (int, error) {
	if err := s.SetWriteDeadline(time.Now().Add(writeWait)); err != nil {
		return 0, err
	}
	n, err := s.Conn.Write(p)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = errNotTaken
	}
	return n, err
}

func (s socket) Silent(lostAfter time.Duration) bool {
	if c, ok := s.Conn.(syscall.Conn); ok {
		if raw, err := c.SyscallConn(); err == nil {
			return silent(raw, lostAfter)
		}
	}
	return false
}

func (socket) Ready() (bool, error) { return true, nil }

// Flush waits until the device's own network has all bytes, where the system tells.
func (s socket) Flush() error {
	if c, ok := s.Conn.(syscall.Conn); ok {
		if raw, err := c.SyscallConn(); err == nil {
			switch left, reset := unacknowledged(raw); {
			case reset:
				return syscall.ECONNRESET
			case left > 0:
				return errNotTaken
			}
		}
	}
	return nil
}

// Drop lets Close forget what has not been acknowledged, and reset the connection.
func (s socket) Drop() {
	if c, ok := s.Conn.(*net.TCPConn); ok {
		_ = c.SetLinger(0) // without it a little more is sent
	}
}

func (s socket) EndWrite() error {
	if half, ok := s.Conn.(interface{ CloseWrite() error }); ok {
		return half.CloseWrite()
	}
	return nil
}

// dial connects to a socket. A peer that falls silent is noticed within lostAfter, whether bytes are under way or not.
func dial(ctx context.Context, address string, lostAfter time.Duration) (line, error) {
	ctx, cancel := context.WithTimeout(ctx, min(lostAfter, 10*time.Second))
	defer cancel()
	dialer := net.Dialer{
		KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: lostAfter / 2, Interval: max(lostAfter/8, time.Second), Count: 4},
	}
	conn, err := dialer.DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	if c, ok := conn.(*net.TCPConn); ok {
		// What lies in this computer's own buffers counts as sent, so there should not be much of it. A system that does
		// not let it be bounded only shows progress too early.
		_ = c.SetWriteBuffer(sendBuffer)
	}
	return socket{conn}, nil
}

const sendBuffer = 16 << 10

// serialPort is what is wanted of a serial line; go.bug.st/serial has it.
type serialPort interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	Drain() error
	ResetOutputBuffer() error
	Close() error
}

// wire is a line over a serial port, whose writes cannot be given a deadline: each is one of a goroutine of its own, and
// the next one waits for it.
type wire struct {
	port  serialPort
	ready func() (bool, error)
	under chan wrote // room for one: what a write or drain under way came to; nil: none is
}

type wrote struct {
	n   int
	err error
}

func (w *wire) Read(p []byte) (int, error) { return w.port.Read(p) }

func (w *wire) Ready() (bool, error) { return w.ready() }

// settle waits for what is under way.
func (w *wire) settle() error {
	if w.under == nil {
		return nil
	}
	patience := time.NewTimer(writeWait)
	defer patience.Stop()
	select {
	case out := <-w.under:
		w.under = nil
		return out.err
	case <-patience.C:
		return errNotTaken
	}
}

func (w *wire) begin(work func() (int, error)) {
	under := make(chan wrote, 1)
	w.under = under
	go func() {
		n, err := work()
		under <- wrote{n, err}
	}()
}

// Write counts bytes as gone that hang in the port: they may leave at any time.
func (w *wire) Write(p []byte) (int, error) {
	if err := w.settle(); err != nil {
		return 0, err
	}
	p = append([]byte(nil), p...)
	w.begin(func() (int, error) { return writeAll(w.port, p) })
	if err := w.settle(); err != nil && !errors.Is(err, errNotTaken) {
		return len(p), err
	}
	return len(p), nil
}

// writeAll writes what a port takes in parts.
func writeAll(port serialPort, p []byte) (int, error) {
	sent := 0
	for sent < len(p) {
		n, err := port.Write(p[sent:])
		sent += n
		if err != nil {
			return sent, err
		}
		if n == 0 {
			return sent, errors.New("the port has taken nothing")
		}
	}
	return sent, nil
}

func (w *wire) Flush() error {
	if err := w.settle(); err != nil {
		return err
	}
	w.begin(func() (int, error) { return 0, w.port.Drain() })
	return w.settle()
}

func (w *wire) EndWrite() error           { return nil }
func (w *wire) Silent(time.Duration) bool { return false }

func (w *wire) Drop() {
	// A port that cannot drop what it holds sends a little more.
	_ = w.port.ResetOutputBuffer()
}

// Close does not wait for a port that hangs.
func (w *wire) Close() error {
	closed := make(chan error, 1)
	go func() { closed <- w.port.Close() }()
	patience := time.NewTimer(time.Second)
	defer patience.Stop()
	select {
	case err := <-closed:
		return err
	case <-patience.C:
		return fmt.Errorf("the port is not closed within %s", time.Second)
	}
}
