package stream

import (
	"errors"
	"os"
	"strings"
	"testing"

	"github.com/creack/pty"
	"go.uber.org/zap"
	"golang.org/x/sys/unix"

	"tandem/drivers"
	"tandem/drivers/clock"
)

// TestProposeLine: a serial line is looked at and not opened, as the system itself tells (inotify(7), IN_OPEN).
func TestProposeLine(t *testing.T) {
	t.Parallel()
	master, line, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _, _ = line.Close(), master.Close() })
	watch, err := unix.InotifyInit1(unix.IN_NONBLOCK | unix.IN_CLOEXEC)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = unix.Close(watch) })
	if _, err := unix.InotifyAddWatch(watch, line.Name(), unix.IN_OPEN); err != nil {
		t.Fatal(err)
	}
	opened := func() bool {
		n, err := unix.Read(watch, make([]byte, 4096))
		if err != nil && !errors.Is(err, unix.EAGAIN) {
			t.Fatal(err)
		}
		return n > 0
	}
	p, err := proposeSettings(t.Context(), at(t, line.Name()))
	if err != nil {
		t.Fatal(err)
	}
	if opened() {
		t.Error("the line was opened")
	}
	again, err := os.Open(line.Name())
	if err != nil {
		t.Fatal(err)
	}
	if err := again.Close(); err != nil {
		t.Fatal(err)
	}
	if !opened() {
		t.Error("the system does not tell that a line is opened, so this test says nothing")
	}
	if p.Settings["serial"] != line.Name() || !strings.Contains(p.Asked[0].Came, "not opened") || len(p.Facts) != 2 {
		t.Errorf("proposed %+v", p)
	}
	if _, err := newDriver(drivers.Env{Device: "cutter-1", Operations: []string{"cut"}, Capacity: 1, Clock: clock.Wall(), Log: zap.NewNop()}, p.Settings); err != nil {
		t.Error(err)
	}
}

// TestProposeNoLine: what is a character device and no line is refused. The system may not tell, as in some containers.
func TestProposeNoLine(t *testing.T) {
	t.Parallel()
	if _, err := os.Stat("/sys/dev/char/1:3/subsystem"); err != nil {
		t.Skip("this system does not tell what kind of device /dev/null is")
	}
	if _, err := proposeSettings(t.Context(), at(t, os.DevNull)); err == nil || !strings.Contains(err.Error(), "no serial line") {
		t.Errorf("error %v, want one that says what it is", err)
	}
}
