package stream

import (
	"errors"
	"io"
	"maps"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"tandem/drivers"
	"tandem/drivers/clock"
	"tandem/drivers/filejob/filejobtest"
)

func at(t *testing.T, address string) drivers.Target {
	t.Helper()
	target, err := drivers.ParseTarget(address)
	if err != nil {
		t.Fatal(err)
	}
	target.Timeout, target.Files = 5*time.Second, t.TempDir()
	return target
}

// TestProposeSocket: a device on a socket hears nothing, and a driver with the settings finds it.
func TestProposeSocket(t *testing.T) {
	t.Parallel()
	heard := make(chan int64, 8)
	p := listen(t, func(_ int, c *net.TCPConn) []byte {
		n, _ := io.Copy(io.Discard, c) // until it is closed
		heard <- n
		return nil
	})
	target := at(t, p.Addr().String())
	got, err := proposeSettings(t.Context(), target)
	if err != nil {
		t.Fatal(err)
	}
	if n := <-heard; n != 0 {
		t.Errorf("%d bytes were sent", n)
	}
	want := map[string]string{"address": p.Addr().String(), "files": target.Files}
	if !maps.Equal(got.Settings, want) || !got.Named || got.Abilities[0].Operation != "cut" {
		t.Errorf("proposed %+v", got)
	}
	driver, err := newDriver(drivers.Env{Device: "cutter-1", Operations: []string{"cut"}, StateDir: t.TempDir(), Clock: clock.Wall(), Log: zap.NewNop()}, got.Settings)
	if err != nil {
		t.Fatal(err)
	}
	filejobtest.Start(t, driver).Idle()
}

func TestProposeSocketRefused(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := proposeSettings(t.Context(), at(t, address)); err == nil || !strings.Contains(err.Error(), address) || !strings.Contains(err.Error(), "nothing listens") {
		t.Errorf("error %v, want one that names %s and says that nothing listens", err, address)
	}
}

// TestProposeNotAsked: no connection is opened to what is no raw socket, or where a driver that tells more has been answered.
func TestProposeNotAsked(t *testing.T) {
	t.Parallel()
	answered := at(t, "192.0.2.7")
	answered.Answered = true
	for name, target := range map[string]drivers.Target{
		"URI": at(t, "ipp://192.0.2.7/ipp/print"), "IPP": at(t, "192.0.2.7:631"), "HTTPS": at(t, "192.0.2.7:443"), "SNMP": at(t, "192.0.2.7:161"),
		"folder": at(t, t.TempDir()), "answered": answered,
	} {
		if _, err := proposeSettings(t.Context(), target); !errors.Is(err, drivers.ErrNotAsked) {
			t.Errorf("%s: error %v, want %v", name, err, drivers.ErrNotAsked)
		}
	}
}

func TestLastingName(t *testing.T) {
	t.Parallel()
	dev, byID := t.TempDir(), t.TempDir()
	line := filepath.Join(dev, "ttyUSB0")
	for _, name := range []string{line, filepath.Join(dev, "ttyUSB1")} {
		if err := os.WriteFile(name, nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	lasting := filepath.Join(byID, "usb-adapter-port0")
	if err := os.Symlink(line, lasting); err != nil {
		t.Fatal(err)
	}
	for given, want := range map[string]string{line: lasting, filepath.Join(dev, "ttyUSB1"): "", lasting: ""} {
		if got := lastingName(byID, given); got != want {
			t.Errorf("lasting name of %s is %q, want %q", given, got, want)
		}
	}
}
