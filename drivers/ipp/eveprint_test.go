//go:build unix

package ipp

import (
	"crypto/tls"
	"encoding/pem"
	"io"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tandem/drivers"
	"tandem/drivers/clock"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	idle    = tandemv1.DeviceState_DEVICE_STATE_IDLE
	works   = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
	stopped = tandemv1.DeviceState_DEVICE_STATE_STOPPED

	atRest    = tandemv1.DevicePhase_DEVICE_PHASE_IDLE
	produces  = tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION
	elsewise  = tandemv1.DevicePhase_DEVICE_PHASE_NON_PRODUCTIVE
	standStil = tandemv1.DevicePhase_DEVICE_PHASE_STOPPED
)

// TestEve takes one printer through what happens on a floor, run after run. It is slow, runs out of things, and is helped.
func TestEve(t *testing.T) { //nolint:tparallel // one printer, one run after another
	t.Parallel()
	e := newEve(t)
	art, sum := artwork(t, "%PDF-1.4 a sheet of twelve")
	s := open(t, quick(e.uri(), "media", "vinyl=na_letter_8.5x11in,canvas=iso_a0_841x1189mm"))
	s.online()
	s.deviceIs(idle, atRest)

	t.Run("a slow run, piece by piece", func(t *testing.T) {
		s.T = t
		g := s.job("r1", 1, art, sum)
		g.Media = "vinyl"
		s.take(s.daemon.Grant(g))
		s.is("r1", processing, "job-printing")
		s.deviceIs(works, produces)
		e.does("ATTR: job-impressions=6", "ATTR: job-impressions-completed=2")
		s.wait("a third is done", func() bool { return s.daemon.Run("r1").GetPiecesGood() == 4 })
		e.does("ATTR: marker-levels=4,80 marker-types=wasteToner,toner", "STATE: +marker-supply-low-warning")
		s.deviceIs(works, produces, "marker-supply-low")
		e.does("done")
		r := s.is("r1", completed, "job-completed-successfully")
		if r.GetPiecesGood() != 12 || r.GetFraction() != 1 || r.GetEndTime().AsTime().Before(r.GetStartTime().AsTime()) {
			t.Errorf("completed as %v", r)
		}
		if got := e.printed(); len(got) != 1 || got[0][0] != "tandem.press.r1.1" || !slices.Contains(got[0], sum) {
			t.Errorf("printed %v, want the document %s once", got, sum)
		}
		s.take(s.daemon.Settle("r1", 1))
		s.deviceIs(idle, atRest)
	})

	t.Run("out of media", func(t *testing.T) {
		s.T = t
		e.media(t, "0")
		s.take(s.daemon.Grant(s.job("r2", 2, art, sum)))
		s.is("r2", halted, "printer-stopped")
		s.deviceIs(stopped, standStil, "media-empty", "media-needed")
		e.media(t, "250")
		s.is("r2", processing)
		e.does("done")
		s.is("r2", completed)
		s.take(s.daemon.Settle("r2", 2))
	})

	t.Run("another media than the one that is ready", func(t *testing.T) {
		s.T = t
		g := s.job("r3", 3, art, sum)
		g.Media = "canvas"
		s.take(s.daemon.Grant(g))
		s.is("r3", pending, "x-media-mismatch")
		s.take(s.daemon.Stop("r3", 3))
		s.is("r3", canceled)
		s.take(s.daemon.Settle("r3", 3))
	})

	t.Run("somebody cancels at the printer", func(t *testing.T) {
		s.T = t
		s.take(s.daemon.Grant(s.job("r4", 4, art, sum)))
		s.is("r4", processing)
		cancelByHand(t, e.uri(), "tandem.press.r4.4")
		s.is("r4", processing, "processing-to-stop-point")
		e.does("done")
		s.is("r4", canceled, "job-canceled-by-user")
		s.take(s.daemon.Settle("r4", 4))
	})

	t.Run("the daemon stops it", func(t *testing.T) {
		s.T = t
		s.take(s.daemon.Grant(s.job("r5", 5, art, sum)))
		s.is("r5", processing)
		e.does("ATTR: job-impressions=2", "ATTR: job-impressions-completed=1")
		s.take(s.daemon.Stop("r5", 5))
		s.is("r5", processing, "processing-to-stop-point")
		e.does("done")
		if r := s.is("r5", canceled); r.GetPiecesGood() != 6 {
			t.Errorf("canceled as %v, want the six pieces that were printed", r)
		}
		s.take(s.daemon.Settle("r5", 5))
	})

	t.Run("the printer gives up", func(t *testing.T) {
		s.T = t
		s.take(s.daemon.Grant(s.job("r6", 6, art, sum)))
		s.is("r6", processing)
		e.does("fail")
		s.is("r6", aborted, "aborted-by-system")
		s.take(s.daemon.Settle("r6", 6))
	})

	t.Run("somebody else prints", func(t *testing.T) {
		s.T = t
		f := &file{path: art, mime: "application/pdf", length: int64(len("%PDF-1.4 a sheet of twelve")), read: new(atomicInt)}
		other := clientFor(t, e.uri())
		if _, err := other.print(t.Context(), ticket{name: "a walk-in", format: f.mime}, f); err != nil {
			t.Fatal(err)
		}
		s.deviceIs(works, elsewise, "x-other-work")
		s.take(s.daemon.Grant(s.job("r7", 7, art, sum)))
		s.is("r7", pending, "x-other-work")
		e.does("done")
		s.is("r7", processing)
		e.does("done")
		s.is("r7", completed)
		s.take(s.daemon.Settle("r7", 7))
	})

	t.Run("a start that is too old", func(t *testing.T) {
		s.T = t
		g := s.job("r8", 8, art, sum)
		g.StartBefore = stamp(time.Now().Add(-time.Second))
		s.take(s.daemon.Grant(g))
		s.is("r8", pending, drivers.ReasonAwaitingStart)
		s.take(s.daemon.Stop("r8", 8))
		s.is("r8", canceled)
		s.take(s.daemon.Settle("r8", 8))
	})

	t.Run("the wrong file", func(t *testing.T) {
		s.T = t
		before := len(e.printed())
		s.take(s.daemon.Grant(s.job("r9", 9, art, strings.Repeat("0", 64))))
		s.is("r9", aborted, "x-document-mismatch")
		if got := e.printed(); len(got) != before {
			t.Errorf("printed %v", got[before:])
		}
		if s.logs.FilterMessage("run not printed").Len() != 1 {
			t.Errorf("the log does not say why: %v", s.logs.All())
		}
	})
}

// TestEveWrongClock is a driver whose clock is 30 years off, and a printer whose clock is right.
func TestEveWrongClock(t *testing.T) {
	t.Parallel()
	e := newEve(t)
	art, sum := artwork(t, "%PDF-1.4 a sheet")
	s := &shop{T: t, dir: t.TempDir(), clock: clock.Scaled(time.Now().AddDate(-30, 0, 0), 1), given: quick(e.uri())}
	s.start()
	s.online()
	s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
	s.is("r1", processing)
	e.does("done")
	r := s.is("r1", completed)
	if off := time.Since(r.GetEndTime().AsTime().AddDate(30, 0, 0)).Abs(); off > time.Hour {
		t.Errorf("it ended at %v by a clock that is 30 years slow", r.GetEndTime().AsTime())
	}
}

// media loads the trays of the printer through the page that it has for that.
func (e *eve) media(t *testing.T, sheets string) {
	t.Helper()
	resp, err := http.Get("http://" + e.address() + "/media?size1=na_letter_8.5x11in&type1=stationery&level1=" + sheets +
		"&size3=na_number-10_4.125x9.5in&level3=" + sheets)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if _, err := io.Copy(io.Discard, resp.Body); err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("media page: %s %v", resp.Status, err)
	}
}

// TestEveTLS prints over TLS (RFC 7472) with the certificate that the printer has made for itself.
func TestEveTLS(t *testing.T) {
	t.Parallel()
	keys := t.TempDir()
	e := newEve(t, "-K", keys)
	art, sum := artwork(t, "%PDF-1.4 a sheet")
	conn, err := tls.Dial("tcp", e.address(), &tls.Config{InsecureSkipVerify: true, ServerName: "localhost"}) //nolint:gosec // to see what it shows
	if err != nil {
		t.Fatal(err)
	}
	shown := conn.ConnectionState().PeerCertificates[0]
	if err := conn.Close(); err != nil {
		t.Fatal(err)
	}
	ca := filepath.Join(t.TempDir(), "printer.pem")
	write(t, ca, string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: shown.Raw})))
	s := open(t, quick(strings.Replace(e.uri(), "ipp:", "ipps:", 1), "ca-file", ca, "server-name", "localhost"))
	s.online()
	s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
	s.is("r1", processing)
	e.does("done")
	s.is("r1", completed)
}
