//go:build unix

package stream

import (
	"bytes"
	"errors"
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"go.bug.st/serial"

	"tandem/drivers/filejob/filejobtest"
)

// port is a pair of terminals: the driver has one end for a serial line, the device the other.
func port(t *testing.T, b *bench) *os.File {
	t.Helper()
	device, end, err := pty.Open()
	if err != nil {
		t.Skipf("this system gives no pseudo terminals: %v", err)
	}
	t.Cleanup(func() {
		_ = device.Close() // it may have been pulled out before
		_ = end.Close()
	})
	b.settings["serial"] = end.Name()
	return device
}

func read(t *testing.T, r io.Reader, n int) []byte {
	t.Helper()
	body := make([]byte, n)
	if _, err := io.ReadFull(r, body); err != nil {
		t.Fatal(err)
	}
	return body
}

func TestSerialLine(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"baud": "115200", "parity": "even", "data-bits": "8", "done": "answer", "done-answer": "^DONE$", "answer-end": `\r`})
	device := port(t, b)
	body, doc := b.file(12_000)
	f := b.start()
	f.Idle()
	for i, run := range []string{"r1", "r2"} {
		g := filejobtest.Started(run, time.Minute, doc)
		g.Fence = uint64(i + 1)
		f.Grant(g)
		begin := time.Now()
		if got := read(t, device, len(body)); !bytes.Equal(got, body) {
			t.Fatalf("the device has taken %.100q", got)
		}
		// A byte takes a start bit, 8 data bits, a parity bit and a stop bit.
		if took, least := time.Since(begin), time.Duration(len(body)-2048)*11*time.Second/115200; took < least {
			t.Errorf("%d bytes take %s, the line needs %s", len(body), took, least)
		}
		if _, err := device.WriteString("BUSY\rDO"); err != nil {
			t.Fatal(err)
		}
		if _, err := device.WriteString("NE\r"); err != nil {
			t.Fatal(err)
		}
		f.Run(run, completed, "")
	}
	if err := f.Stop(); err != nil {
		t.Error(err)
	}
}

// TestSerialHeldBack: XOFF holds the line back within a chunk or two, and XON lets it go on.
func TestSerialHeldBack(t *testing.T) {
	t.Parallel()
	const chunk = 64
	b := newBench(t, map[string]string{"baud": "57600", "flow": "xon-xoff", "chunk": "64", "done": "sent"})
	device := port(t, b)
	body, doc := b.file(8_000)
	f := b.start()
	f.Grant(filejobtest.Started("r1", time.Minute, doc))
	took := read(t, device, 1000)
	if _, err := device.Write([]byte{0x13}); err != nil {
		t.Fatal(err)
	}
	// What comes until the line has been quiet for a while.
	more := make(chan byte, len(body))
	go func() {
		defer close(more)
		one := make([]byte, 1)
		for range len(body) - 1000 {
			if _, err := io.ReadFull(device, one); err != nil {
				return
			}
			more <- one[0]
		}
	}()
	late := 0
	for quiet := false; !quiet; {
		select {
		case c := <-more:
			took = append(took, c)
			late++
		case <-time.After(500 * time.Millisecond):
			quiet = true
		}
	}
	if late == len(body)-1000 {
		t.Error("XOFF does not hold it back")
	}
	t.Logf("%d bytes, or %d chunks, have come after XOFF", late, late/chunk)
	if _, err := device.Write([]byte{0x11}); err != nil {
		t.Fatal(err)
	}
	for c := range more {
		took = append(took, c)
	}
	f.Run("r1", completed, "")
	if !bytes.Equal(took, body) {
		t.Errorf("the device has taken %d bytes that are not the file", len(took))
	}
}

// TestSerialPulledOut: an adapter that is pulled out in a run.
func TestSerialPulledOut(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"baud": "57600"})
	device := port(t, b)
	_, doc := b.file(12_000)
	driver := b.driver()
	f := filejobtest.Start(t, driver)
	f.Grant(filejobtest.Started("r1", time.Hour, doc))
	read(t, device, 5000)
	if err := device.Close(); err != nil {
		t.Fatal(err)
	}
	f.Unknown("r1")
	if err := f.Lost(); err == nil {
		t.Error("Run returns without an error")
	}
	if err := filejobtest.Start(t, driver).Lost(); err == nil || !strings.Contains(err.Error(), "open "+b.settings["serial"]) {
		t.Errorf("Run returns %v, want that the line cannot be opened", err)
	}
	device = port(t, b) // another one, under another name
	again := b.start()
	again.Unknown("r1")
	again.Settle("r1")
	again.Idle()
	g := filejobtest.Started("r2", 0, doc)
	g.Fence = 2
	again.Grant(g)
	if got := read(t, device, 12_000); !bytes.Equal(got, contour(12_000)) {
		t.Error("the next run is not the file")
	}
	again.Run("r2", completed, "")
}

// TestSerialStalls: a device that takes nothing lets the driver return all the same, and stop.
func TestSerialStalls(t *testing.T) {
	t.Parallel()
	for _, stop := range []bool{false, true} {
		b := newBench(t, map[string]string{"baud": "4000000", "stall-after": "300ms", "stop-takes": "100ms"})
		port(t, b)
		_, doc := b.file(200_000)
		f := b.start()
		f.Grant(filejobtest.Started("r1", time.Hour, doc))
		f.Run("r1", standing, reasonNoProgress)
		if stop {
			f.StopRun("r1")
			f.Run("r1", canceled, "")
		}
		begin := time.Now()
		if err := f.Stop(); err != nil {
			t.Error(err)
		}
		if took := time.Since(begin); took > 5*time.Second {
			t.Errorf("Run takes %s to return", took)
		}
	}
}

func TestWires(t *testing.T) {
	for _, test := range []struct {
		flow     string
		cts, dsr bool
		want     bool
	}{
		{flowNone, false, false, true},
		{flowXON, false, false, true},
		{flowRTSCTS, true, false, true},
		{flowRTSCTS, false, true, false},
		{flowDTRDSR, false, true, true},
		{flowDTRDSR, true, false, false},
	} {
		ready, err := wiresReady(test.flow, func() (*serial.ModemStatusBits, error) {
			return &serial.ModemStatusBits{CTS: test.cts, DSR: test.dsr}, nil
		})()
		if err != nil || ready != test.want {
			t.Errorf("%+v: %v, %v", test, ready, err)
		}
	}
	broken := errors.New("no such wires")
	if _, err := wiresReady(flowRTSCTS, func() (*serial.ModemStatusBits, error) { return nil, broken })(); !errors.Is(err, broken) {
		t.Errorf("error %v, want %v", err, broken)
	}
}
