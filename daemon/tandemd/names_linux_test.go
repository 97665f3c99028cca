package main

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tandem/daemon/bus"
	"tandem/daemon/crashtest/volatile"
	"tandem/daemon/datadir"
	"tandem/daemon/ledger"
	"tandem/daemon/ledger/ledgertest"
	"tandem/proto/durable"
	tandemv1 "tandem/proto/tandem/v1"
)

// Where a ledger goes on is known after a loss of power too: of two places that both stand back no floor goes on, and of two that both go on two do.
func TestThePlaceOfALedgerLasts(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	for _, to := range []string{toCluster, toDataDir} {
		if err := errors.Join(markMoved(disk.Path(), to, ledger.Head{}, time.Now()), disk.Cut(nil), disk.Restart()); err != nil {
			t.Fatal(err)
		}
		_, err := os.Stat(filepath.Join(disk.Path(), datadir.MovedFile))
		if there := !errors.Is(err, fs.ErrNotExist); there != (to == toCluster) {
			t.Errorf("moved to %s, the file that says it went to a cluster is there: %t", to, there)
		}
	}
}

// A ledger that grows into new blocks has what was acknowledged, although its server leaves their names to the file system.
func TestALedgerThatGrowsLasts(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	open := func() (*bus.Server, *ledger.JetStream) {
		t.Helper()
		server, err := bus.StartServer(bus.ServerConfig{StoreDir: disk.Path(), MaxStore: 1 << 30, MaxPayload: ledger.ServerMaxPayload})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(server.Shutdown)
		l, err := openLedger(t.Context(), server, ledger.Options{AppendTimeout: time.Minute}, quietLog(t))
		if err != nil {
			t.Fatal(err)
		}
		return server, l
	}
	server, l := open()
	if err := server.StoreNames(); err != nil {
		t.Fatal(err)
	}
	const records = 8 // of 4 MiB each: a block has 8
	for range records {
		rec := ledgertest.Next(l.Head(), 1)
		rec.Events[0].Actor = strings.Repeat("x", 4<<20)
		if _, err := l.Append(t.Context(), rec); err != nil {
			t.Fatal(err)
		}
	}
	if err := disk.Cut(nil); err != nil {
		t.Fatal(err)
	}
	server.Shutdown()
	if err := disk.Restart(); err != nil {
		t.Fatal(err)
	}
	if _, l = open(); l.Head().Revision != records {
		t.Errorf("of %d records there are %d", records, l.Head().Revision)
	}
}

// untrusted is the error about a certificate.
type untrusted struct{ error }

func (untrusted) PEM() []byte { return []byte("certificate") }

// What a command or a driver has made for its device is there after a loss of power.
func TestWhatIsMadeForADeviceLasts(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	certificate, dataDir := filepath.Join(disk.Path(), "keys", "printer.pem"), filepath.Join(disk.Path(), "data")
	p := driverProposal{saveCertificate: certificate}
	if err := durable.MakeFolder(filepath.Dir(certificate), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := p.save(untrusted{errors.New("not trusted")}, io.Discard); err != nil {
		t.Fatal(err)
	}
	if _, err := newHost(&tandemv1.Device{Id: "cutter-1", Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "cut"}}}, dataDir, quietLog(t)); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(disk.Cut(nil), disk.Restart()); err != nil {
		t.Fatal(err)
	}
	if body, err := os.ReadFile(certificate); err != nil || string(body) != "certificate" {
		t.Errorf("the certificate is %q, %v", body, err)
	}
	if _, err := os.Stat(filepath.Join(dataDir, "drivers", "cutter-1")); err != nil {
		t.Errorf("the driver's folder: %v", err)
	}
}
