package datadir_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/nats-io/nats.go/jetstream"

	"tandem/daemon/bus"
	"tandem/daemon/datadir"
	"tandem/daemon/ledger"
)

// A change of the ledger's standing that was cut off between the settings of the stream and their checksum, by a kill or a loss of power, is
// finished by the next start, which would find no ledger otherwise. Settings that were changed in another way are not taken for good: the
// server might throw records away by them.
func TestAChangeOfStandingIsCutOff(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := start(t, dir)
	s.submit("job-1", "print")
	s.stop()
	within := filepath.Join(datadir.BusDir(dir), "jetstream", "LEDGER", "streams", ledger.StreamName)
	read := func(name string) []byte {
		t.Helper()
		data, err := os.ReadFile(filepath.Join(within, name))
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	write := func(name string, data []byte) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(within, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	change := func(to func(*ledger.JetStream) error) {
		t.Helper()
		server, err := bus.StartServer(bus.ServerConfig{StoreDir: datadir.BusDir(dir), MaxStore: 1 << 30, MaxPayload: ledger.ServerMaxPayload, Descriptions: ledger.Descriptions()})
		if err != nil {
			t.Fatal(err)
		}
		defer server.Shutdown()
		conn, err := server.LedgerConn()
		if err != nil {
			t.Fatal(err)
		}
		js, err := jetstream.New(conn)
		if err != nil {
			t.Fatal(err)
		}
		l, err := ledger.OpenJetStream(t.Context(), js, ledger.Options{SyncAlways: server.SyncAlways, Resting: true})
		if err != nil {
			t.Fatal(err)
		}
		if err := to(l); err != nil {
			t.Fatal(err)
		}
	}
	good := read("meta.sum")
	change(func(l *ledger.JetStream) error { return l.MoveAway(t.Context()) })
	before := read("meta.sum")
	change(func(l *ledger.JetStream) error { return l.GoOn(t.Context()) })
	if !bytes.Equal(read("meta.sum"), good) || bytes.Equal(before, good) {
		t.Fatal("the checksum is not that of the settings")
	}
	write("meta.sum", before)
	if _, err := datadir.Verify(t.Context(), dir); err != nil {
		t.Errorf("after a change that was cut off: %v", err)
	}
	if !bytes.Equal(read("meta.sum"), good) {
		t.Error("the change is not finished")
	}
	settings := read("meta.inf")
	altered := bytes.Replace(settings, []byte(`"max_msgs":-1`), []byte(`"max_msgs":1`), 1)
	if bytes.Equal(altered, settings) {
		t.Fatalf("no such setting in %s", settings)
	}
	for _, sum := range [][]byte{good, before} {
		write("meta.inf", altered)
		write("meta.sum", sum)
		if _, err := datadir.Verify(t.Context(), dir); err == nil {
			t.Error("altered settings are taken for good")
		}
		if !bytes.Equal(read("meta.sum"), sum) {
			t.Error("altered settings are given their checksum")
		}
	}
}
