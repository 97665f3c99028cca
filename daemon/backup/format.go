// Package backup writes and reads a whole ledger as one file. It knows the file, not the daemon: where records come from and what
// becomes of them is its callers' matter.
//
// The file is a tar archive (POSIX.1-1988 ustar) compressed with gzip (RFC 1952), so that any computer can open it. Its entries, in
// this order:
//
//	README.txt       what it is, for whoever finds it
//	manifest.json    what must come: last revision, hash of that record, schema, when it was made
//	snapshot.pb      the newest snapshot that the ledger had, if any: a protobuf tandem.ledger.v1.Snapshot
//	records/000001   records in their stored form, from the first one on, each after its length as a varint (as in protobuf);
//	records/000002   a few megabytes an entry
//	SHA256SUMS       SHA-256 of every entry before, in the form of coreutils' sha256sum: unpack, and `sha256sum -c` verifies
//
// A file without its last entry was cut off.
package backup

import (
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"tandem/daemon/ledger"
)

// Names of entries.
const (
	readmeName   = "README.txt"
	manifestName = "manifest.json"
	recordsDir   = "records/"
	snapshotName = "snapshot.pb"
	sumsName     = "SHA256SUMS"
)

const (
	// format is the version of the file's form.
	format = 1
	// segmentBytes is from where on an entry of records ends.
	segmentBytes = 2 << 20
	// mostRecordBytes is the longest record that is read; a ledger takes no longer ones.
	mostRecordBytes = 16 << 20
	// mostSegment is the longest entry of records: one record more than segmentBytes.
	mostSegment = segmentBytes + mostRecordBytes + 16
	// mostText bounds entries for people and for the manifest.
	mostText = 1 << 20
	// mostSums bounds the list of sums.
	mostSums = 64 << 20
	// mostSnapshot is the longest snapshot: what protobuf can hold.
	mostSnapshot = 1<<31 - 1
)

// ErrDamaged is what a file is that was cut off or changed, or is no backup.
var ErrDamaged = errors.New("backup damaged")

func damaged(formatted string, args ...any) error {
	return fmt.Errorf("%w: %w", ErrDamaged, fmt.Errorf(formatted, args...))
}

// inFile says of damage to a record what is wrong with it, and leaves out what would help a ledger: that is another one.
func inFile(err error) error {
	if e, ok := errors.AsType[*ledger.CorruptError](err); ok {
		return fmt.Errorf("revision %d: %s; use another backup", e.Revision, e.Problem)
	}
	return err
}

// Manifest says what a backup holds.
type Manifest struct {
	Format     int       `json:"format"`
	Program    string    `json:"program"` // that made it, and its version
	MadeTime   time.Time `json:"made_time"`
	Revision   uint64    `json:"revision"`    // of its last record; its first is 1
	LedgerHead string    `json:"ledger_head"` // SHA-256 of that record, hexadecimal
	Term       uint64    `json:"term"`
	CommitTime time.Time `json:"commit_time"` // of that record, by the floor's clock
	Schema     uint32    `json:"schema"`      // newest that its records may have
	TimeScale  float64   `json:"time_scale"`  // 1 except on a simulated floor
}

// Head returns the last record's.
func (m Manifest) Head() (ledger.Head, error) {
	hash, err := hex.DecodeString(m.LedgerHead)
	if err != nil || len(hash) != ledger.HashSize {
		return ledger.Head{}, damaged("%s: ledger_head %.80q is no SHA-256", manifestName, m.LedgerHead)
	}
	return ledger.Head{Revision: m.Revision, Term: m.Term, CommitTime: m.CommitTime, Hash: hash}, nil
}

const readme = `This is a backup of a floor's ledger, made by tandem. It holds every job and everything that happened to it.

To verify it:     tandemd backup verify FILE
To restore it:    tandemd restore FILE --data-dir EMPTY-FOLDER

Keep it as you keep other papers of the shop: it names customers' jobs and the people who worked on them.
`
