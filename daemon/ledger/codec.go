package ledger

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// hashSize is the length of a checksum: SHA-256, FIPS 180-4.
const hashSize = sha256.Size

// HashSize is the length of the hash that ends a stored record, in bytes.
const HashSize = hashSize

// Encode returns rec as it is stored: its protobuf bytes, map entries in key order, followed by their SHA-256. The
// second result is that SHA-256, which the next record names as its PreviousHash; it shares memory with the first.
func Encode(rec *ledgerv1.Record) (data, hash []byte, err error) {
	opts := proto.MarshalOptions{Deterministic: true}
	size := opts.Size(rec)
	data, err = opts.MarshalAppend(make([]byte, 0, size+hashSize), rec)
	if err != nil {
		return nil, nil, fmt.Errorf("encode record: %w", err)
	}
	sum := sha256.Sum256(data)
	data = append(data, sum[:]...)
	return data, data[len(data)-hashSize:], nil
}

// Hash returns the SHA-256 that rec has in the ledger: what the next record names as its PreviousHash.
func Hash(rec *ledgerv1.Record) ([]byte, error) {
	_, hash, err := Encode(rec)
	return bytes.Clone(hash), err
}

// Decode is the reverse of Encode. It verifies the checksum, not the chain; the hash it returns shares memory with data.
// The error says what is wrong but not with which record, which only the caller knows.
func Decode(data []byte) (rec *ledgerv1.Record, hash []byte, err error) {
	if len(data) < hashSize {
		return nil, nil, fmt.Errorf("%d bytes are too few for a record and its checksum of %d", len(data), hashSize)
	}
	body, hash := data[:len(data)-hashSize], data[len(data)-hashSize:]
	if sum := sha256.Sum256(body); !bytes.Equal(sum[:], hash) {
		return nil, nil, errors.New("checksum does not match the bytes")
	}
	rec = new(ledgerv1.Record)
	if err := proto.Unmarshal(body, rec); err != nil {
		return nil, nil, fmt.Errorf("not a record although its checksum matches: %w", err)
	}
	return rec, hash, nil
}

// follows reports whether rec is the record right after prev: by its place in the chain.
func follows(prev Head, rec *ledgerv1.Record) error {
	if rec.GetRevision() != prev.Revision+1 {
		return fmt.Errorf("revision %d does not follow %d", rec.GetRevision(), prev.Revision)
	}
	if !bytes.Equal(rec.GetPreviousHash(), prev.Hash) {
		return fmt.Errorf("previous_hash %x is not the hash %x of revision %d", rec.GetPreviousHash(), prev.Hash, prev.Revision)
	}
	return nil
}

// monotonic reports whether rec's term and commit time stay or go forward from prev.
func monotonic(prev Head, rec *ledgerv1.Record) error {
	if rec.GetTerm() < prev.Term {
		return fmt.Errorf("term %d goes back from %d", rec.GetTerm(), prev.Term)
	}
	if err := rec.GetCommitTime().CheckValid(); err != nil {
		return fmt.Errorf("commit_time: %w", err)
	}
	if t := rec.GetCommitTime().AsTime(); t.Before(prev.CommitTime) {
		return fmt.Errorf("commit_time %v goes back from %v", t, prev.CommitTime)
	}
	return nil
}

// headOf is the head that a ledger has after rec.
func headOf(rec *ledgerv1.Record, hash []byte) Head {
	return Head{Revision: rec.GetRevision(), Term: rec.GetTerm(), CommitTime: rec.GetCommitTime().AsTime(), Hash: hash}
}

// seal checks that rec may follow prev and returns its stored form and the head it makes.
func seal(prev Head, rec *ledgerv1.Record, limit int) ([]byte, Head, error) {
	if rec == nil {
		return nil, Head{}, fmt.Errorf("%w: no record", ErrInvalid)
	}
	data, hash, err := Encode(rec)
	if err != nil {
		return nil, Head{}, fmt.Errorf("%w record %d: %w", ErrInvalid, rec.GetRevision(), err)
	}
	if err := admit(prev, rec, len(data), limit); err != nil {
		return nil, Head{}, err
	}
	return data, headOf(rec, bytes.Clone(hash)), nil
}

// reseal is seal for a record that is in its stored form already.
func reseal(prev Head, data []byte, limit int) (Head, error) {
	rec, hash, err := Decode(data)
	if err != nil {
		return Head{}, fmt.Errorf("%w record: %w", ErrInvalid, err)
	}
	if err := admit(prev, rec, len(data), limit); err != nil {
		return Head{}, err
	}
	return headOf(rec, bytes.Clone(hash)), nil
}

// admit says why rec, which takes size bytes, may not be appended after prev.
func admit(prev Head, rec *ledgerv1.Record, size, limit int) error {
	if err := follows(prev, rec); err != nil {
		return fmt.Errorf("%w: %w; open the ledger anew and replay", ErrConflict, err)
	}
	if err := monotonic(prev, rec); err != nil {
		return fmt.Errorf("%w record %d: %w; commit no earlier than the record before", ErrInvalid, rec.GetRevision(), err)
	}
	if size > limit {
		return fmt.Errorf("%w: record %d has %d bytes with its checksum, the limit is %d; split its events over several records",
			ErrTooLarge, rec.GetRevision(), size, limit)
	}
	return nil
}

// chain verifies stored records one after another.
type chain struct {
	head Head
	// loose is set until the first record where the one before it is not held: its previous hash is taken on trust.
	loose bool
}

// next decodes and verifies the record that must follow the ones before it.
func (c *chain) next(data []byte) (*ledgerv1.Record, error) {
	d := decoded{data: data}
	d.rec, d.hash, d.err = Decode(data)
	return c.nextDecoded(d)
}

// nextDecoded verifies the record that must follow the ones before it.
func (c *chain) nextDecoded(d decoded) (*ledgerv1.Record, error) {
	revision, rec := c.head.Revision+1, d.rec
	if d.err != nil {
		return nil, corrupt(revision, "%v", d.err)
	}
	if c.loose {
		c.head.Hash = rec.GetPreviousHash()
		c.loose = false
	}
	if err := follows(c.head, rec); err != nil {
		return nil, corrupt(revision, "%v", err)
	}
	if err := monotonic(c.head, rec); err != nil {
		return nil, corrupt(revision, "%v", err)
	}
	c.head = headOf(rec, d.hash)
	return rec, nil
}
