package backup

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	"tandem/scheduler/floor"
)

// Source is a ledger to make a backup of.
type Source interface {
	ReplayStored(ctx context.Context, after, through uint64, fn func(rec *ledgerv1.Record, stored []byte) error) error
	LoadSnapshot(ctx context.Context) (*ledgerv1.Snapshot, error)
}

// About is what the writer of a backup says about itself.
type About struct {
	Program   string
	Made      time.Time
	TimeScale float64
}

// Totals are what a backup turned out to hold.
type Totals struct{ Records, Events uint64 }

// Write writes a backup of everything up to head. Records may be appended to the source meanwhile: it ends at head all the same.
func Write(ctx context.Context, w io.Writer, from Source, head ledger.Head, about About) (Totals, error) {
	snap, err := from.LoadSnapshot(ctx)
	if err != nil {
		return Totals{}, fmt.Errorf("make backup: %w", err)
	}
	// Little is gained by pressing harder: the floor needs the processor.
	zip, err := gzip.NewWriterLevel(w, gzip.BestSpeed)
	if err != nil {
		return Totals{}, fmt.Errorf("make backup: %w", err)
	}
	a := &archive{tar: tar.NewWriter(zip), made: about.Made}
	totals, err := a.write(ctx, from, head, about, snap)
	if err == nil {
		err = a.tar.Close()
	}
	if err == nil {
		err = zip.Close()
	}
	if err != nil {
		return Totals{}, fmt.Errorf("make backup: %w", err)
	}
	return totals, nil
}

// archive is a backup that is being written.
type archive struct {
	tar  *tar.Writer
	made time.Time
	sums bytes.Buffer

	segment []byte
	number  int
}

func (a *archive) write(ctx context.Context, from Source, head ledger.Head, about About, snap *ledgerv1.Snapshot) (Totals, error) {
	manifest, err := json.MarshalIndent(Manifest{
		Format: format, Program: about.Program, MadeTime: about.Made.UTC(), Revision: head.Revision, LedgerHead: hex.EncodeToString(head.Hash),
		Term: head.Term, CommitTime: head.CommitTime.UTC(), Schema: floor.Schema, TimeScale: about.TimeScale,
	}, "", "  ")
	if err != nil {
		return Totals{}, err
	}
	if err := a.entry(readmeName, []byte(readme)); err != nil {
		return Totals{}, err
	}
	if err := a.entry(manifestName, append(manifest, '\n')); err != nil {
		return Totals{}, err
	}
	if snap != nil && snap.GetRevision() <= head.Revision { // a newer one was saved since
		data, err := proto.MarshalOptions{Deterministic: true}.Marshal(snap)
		if err != nil {
			return Totals{}, err
		}
		if err := a.entry(snapshotName, data); err != nil {
			return Totals{}, err
		}
	}
	totals, err := a.records(ctx, from, head)
	if err != nil {
		return Totals{}, err
	}
	return totals, a.put(sumsName, a.sums.Bytes())
}

func (a *archive) records(ctx context.Context, from Source, head ledger.Head) (Totals, error) {
	var totals Totals
	if head.Revision == 0 {
		return totals, nil
	}
	var last ledger.Head
	err := from.ReplayStored(ctx, 0, head.Revision, func(rec *ledgerv1.Record, stored []byte) error {
		totals.Records++
		totals.Events += uint64(len(rec.GetEvents()))
		last = ledger.Head{Revision: rec.GetRevision(), Hash: append(last.Hash[:0], stored[len(stored)-ledger.HashSize:]...)}
		a.segment = binary.AppendUvarint(a.segment, uint64(len(stored)))
		a.segment = append(a.segment, stored...)
		if len(a.segment) < segmentBytes {
			return nil
		}
		return a.endSegment()
	})
	if err == nil && len(a.segment) > 0 {
		err = a.endSegment()
	}
	if err != nil {
		return totals, err
	}
	if last.Revision != head.Revision || !bytes.Equal(last.Hash, head.Hash) {
		return totals, fmt.Errorf("the ledger gave out revision %d with hash %x, not %d with %x", last.Revision, last.Hash, head.Revision, head.Hash)
	}
	return totals, nil
}

func (a *archive) endSegment() error {
	a.number++
	err := a.entry(segmentName(a.number), a.segment)
	a.segment = a.segment[:0]
	return err
}

func segmentName(n int) string { return fmt.Sprintf("%s%06d", recordsDir, n) }

// entry writes an entry and its line of the sums.
func (a *archive) entry(name string, data []byte) error {
	fmt.Fprintf(&a.sums, "%x  %s\n", sha256.Sum256(data), name)
	return a.put(name, data)
}

func (a *archive) put(name string, data []byte) error {
	head := &tar.Header{Typeflag: tar.TypeReg, Name: name, Size: int64(len(data)), Mode: 0o600, ModTime: a.made.Truncate(time.Second), Format: tar.FormatUSTAR}
	if err := a.tar.WriteHeader(head); err != nil {
		return err
	}
	_, err := a.tar.Write(data)
	return err
}
