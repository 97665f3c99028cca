package crashtest

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"tandem/daemon/bus"
	"tandem/daemon/crashtest/volatile"
	"tandem/daemon/history"
	"tandem/daemon/ledger"
	"tandem/drivers"
	"tandem/proto/durable"
)

// What says that it has made, renamed or removed a file has done so for good, also where a file system promises no more than POSIX does.
func TestNamesLast(t *testing.T) { //nolint:tparallel // one disk, and its power is cut between the two halves
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	var token []byte
	cases := []struct {
		what      string
		do, check func(t *testing.T, dir string)
	}{
		{"the bus's passwords", func(t *testing.T, dir string) {
			server, err := bus.StartServer(bus.ServerConfig{StoreDir: filepath.Join(dir, "new", "bus"), MaxStore: 1 << 30, ListenMQTT: "127.0.0.1:0"})
			must(t, err)
			server.Shutdown()
			token = read(t, dir, "new", "bus", bus.TokenFile)
		}, func(t *testing.T, dir string) {
			if again := read(t, dir, "new", "bus", bus.TokenFile); !bytes.Equal(again, token) {
				t.Errorf("the drivers' token was %q, and is %q", token, again)
			}
			read(t, dir, "new", "bus", bus.SignalFile)
		}},
		{"the blocks of a ledger", func(t *testing.T, dir string) {
			stream(t, dir, func(ctx context.Context, js jetstream.JetStream, server *bus.Server) {
				_, err := js.CreateStream(ctx, jetstream.StreamConfig{Name: "LARGE", Subjects: []string{"large"}, Storage: jetstream.FileStorage})
				must(t, err)
				for range largeRecords {
					_, err := js.Publish(ctx, "large", make([]byte, 1<<20))
					must(t, err)
				}
				must(t, server.StoreNames())
			})
		}, func(t *testing.T, dir string) {
			stream(t, dir, func(ctx context.Context, js jetstream.JetStream, _ *bus.Server) {
				s, err := js.Stream(ctx, "LARGE")
				must(t, err)
				if n := s.CachedInfo().State.Msgs; n != largeRecords {
					t.Errorf("of %d records there are %d", largeRecords, n)
				}
			})
		}},
		{"the note of the last record", func(t *testing.T, dir string) {
			note, err := ledger.OpenNote(filepath.Join(dir, "last"))
			must(t, err)
			must(t, note.Close())
		}, func(t *testing.T, dir string) { read(t, dir, "last") }},
		{"what a driver remembers", func(t *testing.T, dir string) {
			must(t, drivers.SaveState(filepath.Join(dir, "drivers", "cutter-1"), "job", []byte("begun")))
			must(t, drivers.SaveState(filepath.Join(dir, "drivers", "cutter-1"), "job", []byte("done")))
		}, func(t *testing.T, dir string) {
			if body, err := drivers.LoadState(filepath.Join(dir, "drivers", "cutter-1"), "job"); err != nil || string(body) != "done" {
				t.Errorf("it remembers %q, %v", body, err)
			}
		}},
		{"a history that was set aside", func(t *testing.T, dir string) {
			for _, tail := range []string{"", "-wal"} {
				must(t, os.WriteFile(filepath.Join(dir, history.FileName+tail), nil, 0o600))
			}
			must(t, durable.SyncFolder(dir))
			_, err := history.SetAside(dir, "damaged")
			must(t, err)
		}, func(t *testing.T, dir string) {
			read(t, dir, history.FileName+".damaged")
			read(t, dir, history.FileName+".damaged-wal")
			if _, err := os.Stat(filepath.Join(dir, history.FileName)); err == nil {
				t.Error("it is back in its place")
			}
		}},
	}
	folder := func(i int) string { return filepath.Join(disk.Path(), fmt.Sprint(i)) }
	for i, c := range cases {
		must(t, durable.MakeFolder(folder(i), 0o700))
		t.Run(c.what+", made", func(t *testing.T) { c.do(t, folder(i)) })
	}
	must(t, disk.Cut(nil))
	must(t, disk.Restart())
	for i, c := range cases {
		t.Run(c.what+", there", func(t *testing.T) { c.check(t, folder(i)) })
	}
}

// largeRecords, of a MiB each, do not go into one of the blocks of a stream, which have 8 MiB.
const largeRecords = 10

func read(t *testing.T, path ...string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(path...))
	must(t, err)
	return data
}

// stream works with the server of a store.
func stream(t *testing.T, dir string, do func(context.Context, jetstream.JetStream, *bus.Server)) {
	t.Helper()
	server, err := bus.StartServer(bus.ServerConfig{StoreDir: dir, MaxStore: 1 << 30, MaxPayload: 2 << 20})
	must(t, err)
	defer server.Shutdown()
	conn, err := server.LedgerConn()
	must(t, err)
	js, err := jetstream.New(conn)
	must(t, err)
	do(within(t, time.Minute), js, server)
}
