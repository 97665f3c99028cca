package datadir

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"tandem/daemon/bus"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// salvaging is the folder of a store in which the blocks of a damaged ledger are read.
const salvaging = "bus.salvaging"

// salvage reads what a damaged ledger still holds after the history's last record. A few changed bytes in a stream's settings are
// enough for the server to pass over the stream, while every record is there. Each record names the hash of the one before, so
// that nothing is taken which did not follow the history.
type salvage struct {
	dir    string
	server *bus.Server      // nil: there is nothing to read
	stream jetstream.Stream // nil: the same
	begin  ledger.Head      // the history's last record
	last   ledger.Head      // the last that follows it; begin if none does
}

// openSalvage reads copies of the blocks in a data folder: the ledger itself is not touched. The folder of the copies is not there yet.
func openSalvage(ctx context.Context, dir string, after ledger.Head) (_ *salvage, err error) {
	s := &salvage{dir: filepath.Join(dir, salvaging), begin: after, last: after}
	const within = "jetstream/*/streams/" + ledger.StreamName + "/msgs"
	blocks, err := find(BusDir(dir), within+"/*.blk")
	if err != nil || len(blocks) == 0 {
		return s, err
	}
	defer func() {
		if err != nil {
			s.close()
			err = fmt.Errorf("read what the damaged ledger still holds: %w", err)
		}
	}()
	made, err := openStore(ctx, s.dir, nil) // a stream with the right settings
	if err != nil {
		return nil, err
	}
	made.close()
	into, err := find(s.dir, within)
	if err != nil || len(into) != 1 {
		return nil, fmt.Errorf("%d folders of blocks in %s, want 1: %w", len(into), s.dir, err)
	}
	if err := replaceBlocks(into[0], blocks); err != nil {
		return nil, err
	}
	if s.server, err = bus.StartServer(bus.ServerConfig{StoreDir: s.dir, MaxStore: MostStore, MaxPayload: ledger.ServerMaxPayload, Log: zap.NewNop()}); err != nil {
		return nil, err
	}
	var conn *nats.Conn
	if conn, err = s.server.LedgerConn(); err != nil {
		return nil, err
	}
	js, err := jetstream.New(conn)
	if err != nil {
		return nil, err
	}
	if s.stream, err = js.Stream(ctx, ledger.StreamName); err != nil {
		return nil, err
	}
	return s, s.records(ctx, func(rec *ledgerv1.Record, stored []byte) error {
		s.last = ledger.Head{Revision: rec.GetRevision(), Term: rec.GetTerm(), CommitTime: rec.GetCommitTime().AsTime(), Hash: bytes.Clone(stored[len(stored)-ledger.HashSize:])}
		return nil
	})
}

// find returns the paths below a folder that a pattern with slashes matches. The folder's own name is no pattern, whatever is in it.
func find(dir, pattern string) ([]string, error) {
	names, err := fs.Glob(os.DirFS(dir), pattern)
	for i, name := range names {
		names[i] = filepath.Join(dir, filepath.FromSlash(name))
	}
	return names, err
}

// replaceBlocks puts copies of blocks where those of an empty stream are, without its index.
func replaceBlocks(into string, blocks []string) error {
	old, err := os.ReadDir(into)
	if err != nil {
		return err
	}
	for _, entry := range old {
		if err := os.Remove(filepath.Join(into, entry.Name())); err != nil {
			return err
		}
	}
	for _, block := range blocks {
		if err := copyBlock(block, filepath.Join(into, filepath.Base(block))); err != nil {
			return err
		}
	}
	return nil
}

func copyBlock(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

// records calls fn with the records that follow the history's last one, up to the first that is not there, damaged or another's.
func (s *salvage) records(ctx context.Context, fn func(rec *ledgerv1.Record, stored []byte) error) error {
	if s.stream == nil {
		return nil
	}
	for head := s.begin; ; {
		msg, err := s.stream.GetMsg(ctx, head.Revision+1)
		var api jetstream.JetStreamError
		switch {
		case errors.As(err, &api):
			return nil
		case err != nil:
			return fmt.Errorf("revision %d: %w", head.Revision+1, err)
		}
		rec, hash, err := ledger.Decode(msg.Data)
		if err != nil || rec.GetRevision() != head.Revision+1 || !bytes.Equal(rec.GetPreviousHash(), head.Hash) {
			return nil //nolint:nilerr // what is damaged ends what can be taken
		}
		if err := fn(rec, msg.Data); err != nil {
			return err
		}
		head = ledger.Head{Revision: rec.GetRevision(), Hash: bytes.Clone(hash)}
	}
}

// close removes the copies. What stays does no harm: the next rebuild removes it.
func (s *salvage) close() {
	if s.server != nil {
		s.server.Shutdown()
		_ = os.RemoveAll(s.dir)
	}
}
