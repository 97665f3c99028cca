package backup

import (
	"archive/tar"
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"google.golang.org/protobuf/proto"

	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	"tandem/scheduler/floor"
)

// Visitor takes what a backup holds as it is read. Fields may be nil.
type Visitor struct {
	Manifest func(Manifest) error
	// Record takes a record that has been verified; it may keep both.
	Record func(rec *ledgerv1.Record, stored []byte) error
	// Snapshot takes the snapshot, if there is one, before the records.
	Snapshot func(*ledgerv1.Snapshot) error
}

// Read reads a backup to its end and verifies all that can be verified without a floor: the sum of each entry, each record's checksum,
// the chain of hashes, that terms and commit times never go back, and that it ends with the revision and hash that the manifest
// names. Only when it returns nil may anything that the visitor was given be relied on.
func Read(ctx context.Context, r io.Reader, v Visitor) (Manifest, error) {
	buffered := bufio.NewReader(r) // gzip takes no more of it than it needs
	zip, err := gzip.NewReader(buffered)
	if err != nil {
		return Manifest{}, damaged("it is no gzip file: %w", err)
	}
	zip.Multistream(false)
	d := &reading{tar: tar.NewReader(zip), visitor: v}
	if err := d.read(ctx); err != nil {
		return d.manifest, err
	}
	// The archive's end, and the checksum of the compressed file, come after the last entry.
	if _, err := d.tar.Next(); !errors.Is(err, io.EOF) {
		return d.manifest, damaged("after %s there is more, or the archive does not end: %w", sumsName, orMore(err))
	}
	if n, err := io.Copy(io.Discard, io.LimitReader(zip, mostText)); err != nil || n == mostText {
		return d.manifest, damaged("the file does not end well: %w", orMore(err))
	}
	if n, _ := io.ReadFull(buffered, make([]byte, 1)); n > 0 {
		return d.manifest, damaged("there is more after its end")
	}
	return d.manifest, nil
}

func orMore(err error) error {
	if err == nil {
		return errors.New("there is more than there should be")
	}
	return err
}

// reading is a backup that is being read.
type reading struct {
	tar      *tar.Reader
	visitor  Visitor
	manifest Manifest
	head     ledger.Head // that the manifest names
	links    ledger.Chain
	sums     bytes.Buffer // as they must be
	segments int
}

// read reads the entries in their order.
func (d *reading) read(ctx context.Context) error {
	if _, err := d.only(readmeName, mostText); err != nil {
		return err
	}
	text, err := d.only(manifestName, mostText)
	if err != nil {
		return err
	}
	if err := d.readManifest(text); err != nil {
		return err
	}
	for {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("read backup: %w", err)
		}
		name, size, err := d.next()
		if err != nil {
			return err
		}
		switch {
		case name == sumsName:
			return d.readSums(size)
		case name == snapshotName && d.segments == 0:
			err = d.readSnapshot(size)
		case name == segmentName(d.segments+1):
			d.segments++
			err = d.readRecords(ctx, size)
		default:
			err = damaged("there is an entry %.80q where records, %s or %s should be", name, snapshotName, sumsName)
		}
		if err != nil {
			return err
		}
	}
}

// next goes to the next entry.
func (d *reading) next() (name string, size int64, err error) {
	head, err := d.tar.Next()
	switch {
	case errors.Is(err, io.EOF):
		return "", 0, damaged("it was cut off: %s, its last entry, is missing", sumsName)
	case err != nil:
		return "", 0, damaged("it was cut off or changed: %w", err)
	case head.Typeflag != tar.TypeReg:
		return "", 0, damaged("entry %.80q is no plain file", head.Name)
	}
	return head.Name, head.Size, nil
}

// only reads an entry that must come next.
func (d *reading) only(want string, most int64) ([]byte, error) {
	name, size, err := d.next()
	if err != nil {
		return nil, err
	}
	if name != want {
		return nil, damaged("it is no backup of a ledger: there is an entry %.80q where %s should be", name, want)
	}
	return d.content(name, size, most)
}

// content reads an entry whole and notes its sum.
func (d *reading) content(name string, size, most int64) ([]byte, error) {
	if size > most {
		return nil, damaged("entry %s has %d bytes, more than the %d it can have", name, size, most)
	}
	var data bytes.Buffer // grows as content comes: a size alone costs nothing
	if _, err := io.Copy(&data, d.tar); err != nil {
		return nil, damaged("entry %s was cut off or changed: %w", name, err)
	}
	fmt.Fprintf(&d.sums, "%x  %s\n", sha256.Sum256(data.Bytes()), name)
	return data.Bytes(), nil
}

func (d *reading) readManifest(text []byte) error {
	m := &d.manifest
	if err := json.Unmarshal(text, m); err != nil {
		return damaged("%s: %w", manifestName, err)
	}
	if m.Format != format {
		return fmt.Errorf("read backup: it has format %d, and this program reads %d: use the program that made it (%.80q)", m.Format, format, m.Program)
	}
	if err := floor.Readable(m.Schema); err != nil {
		return fmt.Errorf("read backup: %w", err)
	}
	head, err := m.Head()
	if err != nil {
		return err
	}
	if m.Revision == 0 {
		return damaged("%s: revision is 0: it holds nothing", manifestName)
	}
	d.head = head
	if d.visitor.Manifest != nil {
		return d.visitor.Manifest(*m)
	}
	return nil
}

func (d *reading) readRecords(ctx context.Context, size int64) error {
	data, err := d.content(segmentName(d.segments), size, mostSegment)
	if err != nil {
		return err
	}
	for len(data) > 0 {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("read backup: %w", err)
		}
		length, n := binary.Uvarint(data)
		if n <= 0 || length > mostRecordBytes || length > uint64(len(data)-n) {
			return damaged("%s: a record after revision %d has a length that cannot be", segmentName(d.segments), d.links.Head().Revision)
		}
		stored := data[n : n+int(length) : n+int(length)]
		data = data[n+int(length):]
		rec, err := d.links.Next(stored)
		if err != nil {
			return damaged("%s: %w", segmentName(d.segments), inFile(err))
		}
		if rec.GetRevision() > d.head.Revision {
			return damaged("it goes on after revision %d, its last by %s", d.head.Revision, manifestName)
		}
		if d.visitor.Record != nil {
			if err := d.visitor.Record(rec, stored); err != nil {
				return err
			}
		}
	}
	return nil
}

func (d *reading) readSnapshot(size int64) error {
	data, err := d.content(snapshotName, size, mostSnapshot)
	if err != nil {
		return err
	}
	snap := new(ledgerv1.Snapshot)
	if err := proto.Unmarshal(data, snap); err != nil {
		return damaged("%s: %w", snapshotName, err)
	}
	if snap.GetRevision() > d.head.Revision {
		return damaged("%s is of revision %d, and the records end at %d", snapshotName, snap.GetRevision(), d.head.Revision)
	}
	if d.visitor.Snapshot != nil {
		return d.visitor.Snapshot(snap)
	}
	return nil
}

// readSums compares the sums with what was read, and the end of the chain with the manifest.
func (d *reading) readSums(size int64) error {
	want := d.sums.String()
	got, err := d.content(sumsName, size, mostSums)
	if err != nil {
		return err
	}
	if string(got) != want {
		return damaged("%s: %s", sumsName, firstDifference(string(got), want))
	}
	if end := d.links.Head(); end.Revision != d.head.Revision || !bytes.Equal(end.Hash, d.head.Hash) {
		return damaged("its records end at revision %d with hash %x; by %s they end at %d with %x", end.Revision, end.Hash, manifestName, d.head.Revision, d.head.Hash)
	}
	return nil
}

// firstDifference says which line is not as it must be.
func firstDifference(got, want string) string {
	have := strings.Split(got, "\n")
	for i, line := range strings.Split(want, "\n") {
		if i >= len(have) || have[i] != line {
			if name, ok := strings.CutPrefix(line[min(2*sha256.Size, len(line)):], "  "); ok {
				return "entry " + name + " does not match its sum"
			}
			break
		}
	}
	return "it names entries that are not there"
}
