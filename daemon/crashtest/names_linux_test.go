package crashtest

import (
	"bytes"
	"context"
	"crypto/rand"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"tandem/daemon/bus"
	"tandem/daemon/crashtest/volatile"
	"tandem/daemon/datadir"
	"tandem/daemon/history"
	"tandem/daemon/ledger"
	"tandem/drivers"
	"tandem/drivers/clock"
	"tandem/drivers/filejob/filejobtest"
	"tandem/drivers/folder"
	"tandem/proto/durable"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
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
		{"the place of a cluster's daemon", func(t *testing.T, dir string) {
			credentials := t.TempDir()
			for _, user := range []string{bus.LedgerUser, "daemon", "driver", "system"} {
				must(t, os.WriteFile(filepath.Join(credentials, user), []byte(rand.Text()), 0o600))
			}
			c, err := bus.OpenCluster(bus.ClusterConfig{URLs: []string{"nats://127.0.0.1:1"}, Credentials: credentials, StoreDir: filepath.Join(dir, "data", "bus"), Name: "floor-1"})
			must(t, err)
			note, err := ledger.OpenNote(filepath.Join(dir, filepath.FromSlash("data/"+datadir.Followed)))
			must(t, err)
			must(t, note.Close())
			c.Shutdown()
		}, func(t *testing.T, dir string) { read(t, dir, "data", filepath.FromSlash(datadir.Followed)) }},
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
	place := func(i int) string { return filepath.Join(disk.Path(), fmt.Sprint(i)) }
	for i, c := range cases {
		must(t, durable.MakeFolder(place(i), 0o700))
		t.Run(c.what+", made", func(t *testing.T) { c.do(t, place(i)) })
	}
	must(t, disk.Cut(nil))
	must(t, disk.Restart())
	for i, c := range cases {
		t.Run(c.what+", there", func(t *testing.T) { c.check(t, place(i)) })
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

// The anchor that a driver has made in a watched folder, and remembers, is there, also if the file that it was for has not been dropped. Without
// it a person would have to say that the folder is the one that it was.
func TestAnAnchorLasts(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	in, state, files := filepath.Join(disk.Path(), "in"), filepath.Join(disk.Path(), "state"), t.TempDir()
	must(t, durable.MakeFolder(in, 0o700))
	driver, err := folder.Kind().New(drivers.Env{Device: "cutter-1", Operations: []string{"cut"}, Capacity: 1, Clock: clock.Wall(), StateDir: state, Log: zap.NewNop()},
		map[string]string{"folder": in, "files": files, "done-file": "{stem}.ok"})
	must(t, err)
	disk.FailWrites(func(path string) syscall.Errno {
		if strings.HasSuffix(path, ".part") {
			return syscall.ENOSPC
		}
		return 0
	})
	f := filejobtest.Start(t, driver)
	f.Grant(filejobtest.Started("r1", time.Hour, filejobtest.Write(t, files, "gull.plt", []byte("IN;PU;PD;"))))
	f.Wait("the run cannot begin", func(s *driverv1.Status) bool { return s.GetState() == tandemv1.DeviceState_DEVICE_STATE_STOPPED })
	must(t, disk.Cut(nil))
	_ = f.Stop() // it cannot keep anything any more
	must(t, disk.Restart())
	if kept, err := drivers.LoadState(state, "anchor.json"); err != nil || len(kept) == 0 {
		t.Errorf("the driver remembers %q of its anchor, %v", kept, err)
	}
	if len(read(t, in, ".tandem-cutter-1")) == 0 {
		t.Error("the anchor is empty")
	}
}
