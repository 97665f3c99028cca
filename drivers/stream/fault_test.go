package stream

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	"tandem/drivers/clock"
	"tandem/drivers/drivertest"
	"tandem/drivers/filejob"
	"tandem/drivers/filejob/filejobtest"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	pending    = tandemv1.JobState_JOB_STATE_PENDING
	processing = tandemv1.JobState_JOB_STATE_PROCESSING
	standing   = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
	completed  = tandemv1.JobState_JOB_STATE_COMPLETED
	canceled   = tandemv1.JobState_JOB_STATE_CANCELED
	aborted    = tandemv1.JobState_JOB_STATE_ABORTED
)

func TestSendsTheFileAndNothingElse(t *testing.T) {
	b := newBench(t, map[string]string{"done": "answer", "done-answer": "^DONE", "send-first": `IN;\n`, "send-last": `PG;\x00`})
	body, doc := b.file(200_000)
	want := "IN;\n" + string(body) + "PG;\x00"
	p := listen(t, func(_ int, c *net.TCPConn) []byte {
		took := take(c, len(want))
		fmt.Fprint(c, "BUSY\nDONE 1\n")
		return append(took, takeAll(c)...)
	})
	b.settings["address"] = p.Addr().String()
	f := b.start()
	f.Idle()
	f.Grant(filejobtest.Started("r1", time.Minute, doc))
	r := f.Run("r1", completed, "job-completed-successfully")
	if r.GetPiecesGood() != 12 || r.GetStartTime() == nil || r.GetEndTime() == nil {
		t.Errorf("it has ended as %v", r)
	}
	if err := f.Stop(); err != nil {
		t.Error(err)
	}
	if took := p.close(); len(took) != 1 || string(took[0]) != want {
		t.Errorf("the device has taken %d connections, %.200q", len(took), took)
	}
}

// TestConnectionLost: a connection that breaks in a run leaves its outcome unknown, and nothing is sent again whatever is
// ordered: not by this driver, and not by the next one.
func TestConnectionLost(t *testing.T) {
	for _, test := range []struct {
		name     string
		settings map[string]string
		lose     func(c *net.TCPConn)
	}{
		{"reset in the file", nil, func(c *net.TCPConn) { take(c, 5000); reset(c) }},
		{"closed in the file", nil, func(c *net.TCPConn) { take(c, 5000) }},
		{"half-closed in the file", nil, func(c *net.TCPConn) { take(c, 5000); _ = c.CloseWrite(); takeAll(c) }},
		{"reset at once", nil, reset},
		{"reset behind the last byte", nil, func(c *net.TCPConn) { take(c, 100_000); reset(c) }},
		{"closed before its time", nil, func(c *net.TCPConn) { take(c, 100_000) }},
		{"reset instead of closed", map[string]string{"done": "closed"}, func(c *net.TCPConn) { take(c, 100_000); reset(c) }},
		{"alone and reset", map[string]string{"keep-open": "false"}, func(c *net.TCPConn) { take(c, 50_000); reset(c) }},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, test.settings)
			body, doc := b.file(100_000)
			p := listen(t, func(n int, c *net.TCPConn) []byte {
				if n == 0 {
					test.lose(c)
					return []byte("first")
				}
				return takeAll(c)
			})
			b.settings["address"] = p.Addr().String()
			g := filejobtest.Started("r1", time.Hour, doc)
			driver := b.driver()
			f := filejobtest.Start(t, driver)
			f.Idle()
			f.Grant(g)
			f.Unknown("r1")
			if err := f.Lost(); err == nil || errors.Is(err, drivers.ErrDeviceReset) {
				t.Errorf("Run returns %v, want that the device is lost", err)
			}
			again := filejobtest.Start(t, driver)
			again.Unknown("r1")
			again.Grant(filejobtest.Started("r1", time.Hour, doc))
			again.Unknown("r1")
			if err := again.Stop(); err != nil {
				t.Error(err)
			}
			next := b.start() // in a new process
			next.Unknown("r1")
			next.Grant(filejobtest.Started("r1", time.Hour, doc))
			next.Settle("r1") // a person has looked
			next.Idle()
			next.Grant(filejobtest.Started("r1", time.Hour, doc)) // from a daemon that has forgotten
			next.Unknown("r1")
			if err := next.Stop(); err != nil {
				t.Error(err)
			}
			if took := p.close(); len(took) != 1 {
				t.Errorf("the file was sent again: %d connections took something, the last %d of %d bytes", len(took), len(took[len(took)-1]), len(body))
			}
		})
	}
}

// TestDriverKilled kills the process of a driver in the middle of a file.
func TestDriverKilled(t *testing.T) {
	if address := os.Getenv("TANDEM_TEST_ADDRESS"); address != "" {
		b := &bench{t: t, files: os.Getenv("TANDEM_TEST_FILES"), dir: os.Getenv("TANDEM_TEST_DIR"), clock: clock.Wall()}
		b.settings = map[string]string{"address": address, "files": b.files, "check": "0s", "pace": "20000"}
		f := b.start()
		f.Grant(filejobtest.Started("r1", time.Hour, filejobtest.Document("gull.plt", contour(100_000))))
		f.Run("r1", completed, "") // it is killed before
		return
	}
	t.Parallel()
	b := newBench(t, map[string]string{"pace": "20000"})
	_, doc := b.file(100_000)
	begun := make(chan struct{})
	p := listen(t, func(n int, c *net.TCPConn) []byte {
		took := take(c, 10_000)
		if n == 0 {
			close(begun)
		}
		return append(took, takeAll(c)...)
	})
	b.settings["address"] = p.Addr().String()
	child := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestDriverKilled$", "-test.timeout=1m")
	child.Env = append(os.Environ(), "TANDEM_TEST_ADDRESS="+p.Addr().String(), "TANDEM_TEST_FILES="+b.files, "TANDEM_TEST_DIR="+b.dir)
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	select {
	case <-begun:
	case <-time.After(30 * time.Second):
		t.Error("the driver sends nothing")
	}
	if err := child.Process.Kill(); err != nil {
		t.Error(err)
	}
	_ = child.Wait() // it was killed
	f := b.start()
	f.Unknown("r1")
	f.Grant(filejobtest.Started("r1", time.Hour, doc))
	f.Settle("r1")
	f.Idle()
	if err := f.Stop(); err != nil {
		t.Error(err)
	}
	if took := p.close(); len(took) != 1 || len(took[0]) >= 100_000 {
		t.Errorf("%d connections took something", len(took))
	}
}

// TestDaemonRestarted: the host of a new daemon says in its hello what the old one had begun.
func TestDaemonRestarted(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"pace": "20000"})
	_, doc := b.file(100_000)
	p := listen(t, func(_ int, c *net.TCPConn) []byte { return takeAll(c) })
	b.settings["address"] = p.Addr().String()
	serve := func(until func(d *drivertest.Daemon) bool, order func(d *drivertest.Daemon)) {
		host, err := drivers.NewHost(Kind(), b.env(), b.settings)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		d, ended := drivertest.NewDaemon(), make(chan error, 1)
		go func() { ended <- host.Serve(ctx, d) }()
		for ordered := false; ctx.Err() == nil && !until(d); {
			if len(d.Statuses()) > 0 && !ordered {
				order(d)
				ordered = true
			}
			tick := time.NewTimer(10 * time.Millisecond)
			<-tick.C
		}
		if ctx.Err() != nil {
			t.Errorf("it does not come to this; the last status is %v", d.Last())
		}
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
	serve(func(d *drivertest.Daemon) bool { return d.Run("r1").GetState() == processing }, func(d *drivertest.Daemon) {
		d.Grant(filejobtest.Started("r1", time.Hour, doc))
	})
	serve(func(d *drivertest.Daemon) bool {
		hellos := d.Hellos()
		if len(hellos) == 0 {
			return false
		}
		if r := filejobtest.Find(hellos[0].GetStatus(), "r1"); r.GetState() != standing {
			t.Errorf("the first hello says %v, want that the outcome is unknown", hellos[0])
		}
		return true
	}, func(*drivertest.Daemon) {})
	if took := p.close(); len(took) > 1 {
		t.Errorf("%d connections took something", len(took))
	}
}

// TestAlone: a device that needs no connection works on while its driver is away, and is not sent anything again.
func TestAlone(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"keep-open": "false"})
	_, doc := b.file(10_000)
	p := listen(t, func(_ int, c *net.TCPConn) []byte { return takeAll(c) })
	b.settings["address"] = p.Addr().String()
	f := b.start()
	f.Grant(filejobtest.Started("r1", 3*time.Second, doc))
	f.Run("r1", processing, "")
	for !bytes.Contains(b.remembered(), []byte(`"released":true`)) {
		if f.Last(); errors.Is(t.Context().Err(), context.Canceled) {
			return
		}
		tick := time.NewTimer(5 * time.Millisecond)
		<-tick.C
	}
	if err := f.Stop(); err != nil {
		t.Error(err)
	}
	again := b.start()
	r := again.Run("r1", processing, "")
	done := again.Run("r1", completed, "")
	if !r.GetStartTime().AsTime().Equal(done.GetStartTime().AsTime()) {
		t.Errorf("it has begun at %v and then at %v", r.GetStartTime(), done.GetStartTime())
	}
	if took := p.close(); len(took) != 1 || len(took[0]) != 10_000 {
		t.Errorf("%d connections took something", len(took))
	}
}

func TestDeviceReboots(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"boot-answer": "^READY v"})
	_, doc := b.file(100_000)
	p := listen(t, func(_ int, c *net.TCPConn) []byte {
		took := take(c, 50_000)
		fmt.Fprint(c, "READY v2\n")
		return append(took, takeAll(c)...)
	})
	b.settings["address"] = p.Addr().String()
	driver := b.driver()
	f := filejobtest.Start(t, driver)
	f.Grant(filejobtest.Started("r1", time.Hour, doc))
	if err := f.Lost(); !errors.Is(err, drivers.ErrDeviceReset) {
		t.Errorf("Run returns %v, want that the device was reset", err)
	}
	again := filejobtest.Start(t, driver)
	again.Idle()
	again.Grant(filejobtest.Started("r1", time.Hour, doc))
	again.Unknown("r1") // never begun again
	p.close()
}

func TestStalls(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"stall-after": "300ms", "lost-after": "2s", "done": "closed"})
	body, doc := b.file(4 << 20)
	resume := make(chan struct{})
	p := listen(t, func(_ int, c *net.TCPConn) []byte {
		took := take(c, 10_000)
		<-resume
		return append(took, take(c, len(body)-10_000)...)
	})
	b.settings["address"] = p.Addr().String()
	f := b.start()
	f.Grant(filejobtest.Started("r1", time.Hour, doc))
	f.Run("r1", standing, "x-no-progress-warning")
	// Longer than a silent network may last: a device that is busy answers all the same, and is not lost.
	busy := time.NewTimer(3 * time.Second)
	defer busy.Stop()
	select {
	case <-busy.C:
	case <-t.Context().Done():
	}
	close(resume)
	f.Run("r1", completed, "")
	if took := p.close(); len(took) != 1 || !bytes.Equal(took[0], body) {
		t.Error("the device has not taken the file as it is")
	}
}

// TestPeopleAtTheDevice: what somebody does at the device is reported, not fought.
func TestPeopleAtTheDevice(t *testing.T) {
	for _, test := range []struct {
		name, says, reason string
		state              tandemv1.JobState
	}{
		{"ends the run", "CANCELED BY PANEL\n", "job-canceled-at-device", canceled},
		{"holds the run", "PAUSE\n", reasonHeld, standing},
		{"holds it and lets it go on", "PAUSE\nGO\n", "", processing},
		{"has it go wrong", "ERROR 12\n", "x-given-up-by-device", aborted},
		{"does something that is not known", "DOOR OPEN\n", "", processing},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, map[string]string{
				"cancel-answer": "^CANCELED", "hold-answer": "^PAUSE$", "go-answer": "^GO$", "fail-answer": `^ERROR \d+`,
				"done": "answer", "done-answer": "^DONE$",
			})
			_, doc := b.file(10_000)
			over := make(chan struct{})
			p := listen(t, func(_ int, c *net.TCPConn) []byte {
				took := take(c, 10_000)
				fmt.Fprint(c, test.says)
				<-over
				fmt.Fprint(c, "DONE\n")
				return append(took, takeAll(c)...)
			})
			b.settings["address"] = p.Addr().String()
			f := b.start()
			f.Grant(filejobtest.Started("r1", time.Hour, doc))
			f.Run("r1", test.state, test.reason)
			close(over)
			if !drivers.Ended(test.state) {
				f.Run("r1", completed, "")
			}
			f.Settle("r1")
			f.Idle()
			if took := p.close(); len(took) != 1 {
				t.Errorf("%d connections took something", len(took))
			}
		})
	}
}

// TestDeviceInUse: a device that takes no connection, because somebody works at it with other software, is not fought for.
func TestDeviceInUse(t *testing.T) {
	t.Parallel()
	b := newBench(t, nil)
	_, doc := b.file(10_000)
	p := listen(t, func(_ int, c *net.TCPConn) []byte { return takeAll(c) })
	b.settings["address"] = p.Addr().String()
	p.close()
	f := b.start()
	f.Idle()
	f.Grant(filejobtest.Started("r1", time.Minute, doc))
	f.Run("r1", pending, reasonConnecting)
	if s := f.Last(); s.GetState() != tandemv1.DeviceState_DEVICE_STATE_STOPPED {
		t.Errorf("the device is %v", s)
	}
	f.StopRun("r1")
	f.Run("r1", canceled, "")
	b.settings["check"] = "1m"
	if err := b.start().Lost(); err == nil || !strings.Contains(err.Error(), "reach the device") {
		t.Errorf("Run returns %v, want that the device cannot be reached", err)
	}
}

// TestWrongFile: a file that is not the panel's is not sent. When the right one is there nothing begins by itself.
func TestWrongFile(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, map[string]string{"address": "127.0.0.1:9100", "done": "sent"})
		body, doc := b.file(1000)
		filejobtest.Write(t, b.files, "gull.plt", []byte("another"))
		var sent []byte
		opened := 0
		b.open = piped(func(ctx context.Context, c net.Conn) {
			opened++
			slowly(ctx, c, 100, 0, func(part []byte) { sent = append(sent, part...) })
		})
		f := b.start()
		f.Grant(filejobtest.Started("r1", time.Minute, doc))
		f.Run("r1", pending, filejob.ReasonMismatch)
		if s := f.Last(); s.GetState() != tandemv1.DeviceState_DEVICE_STATE_STOPPED || s.GetStateReasons()[0] != filejob.ReasonMismatch {
			t.Errorf("the device is %v", s)
		}
		filejobtest.Write(t, b.files, "gull.plt", body)
		f.Idle()
		time.Sleep(time.Hour)
		synctest.Wait()
		if r := filejobtest.Find(f.Last(), "r1"); r.GetState() != pending || len(sent) > 0 {
			t.Errorf("without another start the run is %v, and %d bytes were sent", r, len(sent))
		}
		stale := filejobtest.Started("r1", time.Minute, doc)
		stale.StartBefore = timestamppb.New(time.Now().Add(-time.Second))
		f.Grant(stale)
		synctest.Wait()
		if len(sent) > 0 {
			t.Error("it has begun on a start that was stale")
		}
		f.Grant(filejobtest.Started("r1", time.Minute, doc))
		f.Run("r1", completed, "")
		if !bytes.Equal(sent, body) {
			t.Errorf("%d bytes were sent, want the file", len(sent))
		}
		if err := f.Stop(); err != nil {
			t.Error(err)
		}
	})
}

// TestClockWrong: a floor's clock that is set forward or back neither ends a run early nor keeps it for ever.
func TestClockWrong(t *testing.T) {
	for _, by := range []time.Duration{10 * time.Hour, -10 * time.Hour} {
		t.Run(by.String(), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, map[string]string{"address": "127.0.0.1:9100"})
				_, doc := b.file(1000)
				floor := clock.NewSynced()
				floor.Set(time.Now(), 1)
				b.clock = floor
				b.open = piped(func(ctx context.Context, c net.Conn) { slowly(ctx, c, 100, 0, func([]byte) {}) })
				f := b.start()
				begin := time.Now()
				f.Grant(filejobtest.Started("r1", 40*time.Minute, doc))
				time.Sleep(10 * time.Minute)
				floor.Set(time.Now().Add(by), 1)
				for ended := false; !ended; {
					time.Sleep(time.Second)
					synctest.Wait()
					ended = filejobtest.Find(f.Last(), "r1").GetState() == completed
					if took := time.Since(begin); ended && took < 39*time.Minute || took > 51*time.Minute {
						t.Fatalf("after %s of 40 minutes it is %v", took, f.Last())
					}
				}
				if err := f.Stop(); err != nil {
					t.Error(err)
				}
			})
		})
	}
}

func TestStop(t *testing.T) {
	for _, test := range []struct {
		name     string
		settings map[string]string
		after    int // bytes that the device takes before the stop
		state    tandemv1.JobState
		last     string // what it takes last
	}{
		{"in the file", map[string]string{"pace": "20000", "chunk": "10"}, 1000, canceled, ""},
		{"in the file and told", map[string]string{"pace": "20000", "chunk": "10", "stop-send": `;\x1bSTOP\r`}, 1000, canceled, ";\x1bSTOP\r"},
		{"behind the file and told", map[string]string{"stop-send": `\x18`}, 20_000, canceled, "\x18"},
		{"behind the file", nil, 20_000, completed, ""},
		{"alone and told", map[string]string{"keep-open": "false", "stop-send": `\x18`}, 20_000, canceled, "\x18"},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, test.settings)
			b.settings["stop-takes"] = "300ms"
			body, doc := b.file(20_000)
			reached := make(chan struct{})
			p := listen(t, func(n int, c *net.TCPConn) []byte {
				if n > 0 {
					return takeAll(c)
				}
				took := take(c, test.after)
				close(reached)
				return append(took, takeAll(c)...)
			})
			b.settings["address"] = p.Addr().String()
			f := b.start()
			f.Grant(filejobtest.Started("r1", 2*time.Second, doc))
			<-reached
			if test.after == len(body) {
				f.Wait("the device has the whole file", func(*driverv1.Status) bool {
					kept := b.remembered()
					return bytes.Contains(kept, []byte(`"handed":true`)) && (test.settings["keep-open"] == "" || bytes.Contains(kept, []byte(`"released":true`)))
				})
			}
			f.StopRun("r1")
			f.StopRun("r1")
			f.Run("r1", test.state, "")
			took := bytes.Join(p.close(), nil)
			if !bytes.HasSuffix(took, []byte(test.last)) {
				t.Errorf("the device has taken %.100q at last, want %q", took[max(len(took)-50, 0):], test.last)
			}
			if took = bytes.TrimSuffix(took, []byte(test.last)); !bytes.HasPrefix(body, took) || test.after < len(body) && len(took) > test.after+8000 {
				t.Errorf("the device has taken %d bytes, and was stopped at %d", len(took), test.after)
			}
		})
	}
}
