// Package datadir works on the data folder of a daemon that does not run: it verifies the ledger there, makes it anew from its
// history, and restores a backup into an empty folder.
//
// It never touches a folder in which a daemon runs, never removes a ledger, damaged or not, and what it has not finished is never
// taken for a good folder.
package datadir

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"tandem/daemon/bus"
	"tandem/daemon/ledger"
	"tandem/proto/durable"
)

const (
	// busDir is the folder of the ledger's store within the data folder.
	busDir     = "bus"
	lastRecord = "last-record"
	// Followed is the file in a data folder that names the last record of a cluster's ledger that its daemon has had, with slashes. It
	// lies where a store would, so that a ledger that is made anew there begins without it.
	Followed = busDir + "/last-followed"
	// unfinished marks a folder into which a backup is being restored.
	unfinished = "RESTORE-UNFINISHED"
	// restoring and rebuilding are folders of a store that is being made.
	restoring  = "bus.restoring"
	rebuilding = "bus.rebuilding"
	// rebuildNote is a copy of the note of the last record, for as long as a rebuild has no ledger in its place.
	rebuildNote = "last-record.rebuilding"
	// MostStore bounds the ledger's store, in bytes. The disk itself is the nearer limit.
	MostStore = 1 << 40
)

// MovedFile is in a data folder whose ledger was copied to a cluster, and goes on there.
const MovedFile = "MOVED-TO-CLUSTER"

// ErrNoLedger means that a folder holds no ledger.
var ErrNoLedger = errors.New("no ledger there")

// ErrUnfinished means that a restore into the folder was interrupted.
var ErrUnfinished = errors.New("restore unfinished")

// BusDir returns the folder of the ledger's store within a data folder.
func BusDir(dir string) string { return filepath.Join(dir, busDir) }

// NotePath returns the file that names the last record acknowledged. It lies in the store's folder and goes where the store goes.
func NotePath(dir string) string { return filepath.Join(BusDir(dir), lastRecord) }

// CheckFinished refuses a folder into which a backup is only half restored.
func CheckFinished(dir string) error {
	if _, err := os.Stat(filepath.Join(dir, unfinished)); err == nil {
		return fmt.Errorf("%w: a restore into %s was interrupted, and what is there is not whole: remove the folder and restore again", ErrUnfinished, dir)
	}
	return nil
}

// store is a ledger that was opened in place.
type store struct {
	*ledger.JetStream
	dir    string
	server *bus.Server
	note   *ledger.Note // nil: it could not be opened

	opened atomic.Pointer[ledger.JetStream] // the same one, for the server's log
	deaf   atomic.Pointer[string]           // the line with which the server said that it cannot write; nil: it can
}

// openStore opens the ledger in a store folder, or makes one, and compares it with the note beside it, as a daemon does when it starts.
// While it is open, no daemon can have the folder.
func openStore(ctx context.Context, dir string, survived func(error)) (*store, error) {
	s := &store{dir: dir}
	server, err := bus.StartServer(bus.ServerConfig{StoreDir: dir, MaxStore: MostStore, MaxPayload: ledger.ServerMaxPayload, Descriptions: ledger.Descriptions(), Failed: s.heard, Log: zap.NewNop()})
	if errors.Is(err, bus.ErrInUse) {
		return nil, fmt.Errorf("a daemon runs here, and must be stopped first: %w", err)
	}
	if err != nil {
		return nil, err
	}
	s.server = server
	var conn *nats.Conn
	s.note, err = ledger.OpenNote(filepath.Join(dir, lastRecord))
	if err == nil {
		conn, err = server.LedgerConn()
	}
	if err == nil {
		var js jetstream.JetStream
		if js, err = jetstream.New(conn); err == nil {
			s.JetStream, err = ledger.OpenJetStream(ctx, js, ledger.Options{SyncAlways: server.SyncAlways, Note: s.note, Survived: survived})
		}
	}
	if err != nil {
		s.close()
		return nil, s.explain(err, again)
	}
	s.opened.Store(s.JetStream)
	return s, nil
}

// again is what helps when nothing is left in the way.
const again = "and run the same command again"

// heard takes the line with which the server says that it cannot write, and ends the wait for an answer that it will not give.
func (s *store) heard(line string) {
	s.deaf.CompareAndSwap(nil, &line)
	if l := s.opened.Load(); l != nil {
		l.Abandon()
	}
}

// explain says of an error that the disk was the reason, if it was, and what to do: the ledger only knows that it heard nothing.
func (s *store) explain(err error, remedy string) error {
	line := s.deaf.Load()
	if err == nil || line == nil {
		return err
	}
	return fmt.Errorf("the disk with %s takes no more (%s): free space there, %s", s.dir, *line, remedy)
}

func (s *store) close() {
	s.server.Shutdown()
	if s.note != nil {
		_ = s.note.Close() // it is written as it goes
	}
}

// CheckLedger refuses a folder that holds no ledger, or one into which a backup is only half restored.
func CheckLedger(dir string) error {
	if err := CheckFinished(dir); err != nil {
		return err
	}
	if _, err := os.Stat(filepath.Join(BusDir(dir), "jetstream")); err != nil {
		return fmt.Errorf("%w: %s: name the data folder of a daemon with --data-dir", ErrNoLedger, dir)
	}
	return nil
}

// openExisting opens the ledger of a data folder, which must be there and whole.
func openExisting(ctx context.Context, dir string, survived func(error)) (*store, error) {
	if err := CheckLedger(dir); err != nil {
		return nil, err
	}
	return openStore(ctx, BusDir(dir), survived)
}

// stampOf is a time as it is put into the names of files.
func stampOf(t time.Time) string { return t.UTC().Format("20060102-150405") }

// mostOfOneSecond bounds how many things are kept under the name of one second.
const mostOfOneSecond = 9

// unused returns a path at which nothing is: the one asked for, or one with a number.
func unused(path string) string {
	name := path
	for n := 2; n <= mostOfOneSecond; n++ {
		if _, err := os.Lstat(name); err != nil {
			break
		}
		name = fmt.Sprintf("%s-%d", path, n)
	}
	return name
}

// LeaveWord writes a file into a folder for those who come after, also after a loss of power.
func LeaveWord(dir, name, text string) error {
	f, err := os.OpenFile(filepath.Join(dir, name), os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	return durable.Fill(f, []byte(text))
}
