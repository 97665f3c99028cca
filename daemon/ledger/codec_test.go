package ledger_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/ledger"
	"tandem/daemon/ledger/ledgertest"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// TestStoredForm pins the bytes of a record for ever. They are written out by hand from the protobuf encoding
// specification (protobuf.dev/programming-guides/encoding): key = field number * 8 + wire type, varint 0, length-delimited 2. The
// SHA-256 after them was computed with coreutils' sha256sum.
func TestStoredForm(t *testing.T) {
	rec := &ledgerv1.Record{
		Revision:     300,
		Term:         2,
		CommitTime:   &timestamppb.Timestamp{Seconds: 1, Nanos: 5},
		PreviousHash: []byte{0xaa, 0xbb},
		Schema:       1,
		Events: []*ledgerv1.Event{{
			Actor: "kim",
			Kind:  &ledgerv1.Event_JobReleased{JobReleased: &ledgerv1.JobReleased{Job: "j"}},
		}},
	}
	body := "08ac02" + // revision: varint 300
		"1002" + // term
		"1a0408011005" + // commit_time: seconds 1, nanos 5
		"2202aabb" + // previous_hash
		"2801" + // schema
		"320a" + "0a036b696d" + "6203" + "0a016a" // events: actor, job_released (field 12) with job
	const sum = "bdb256e84ca15f281ab7032d13c10d897bb14a4043014dbc6a8dbad064c7bc7c"
	want := body + sum
	data, hash, err := ledger.Encode(rec)
	if err != nil {
		t.Fatal(err)
	}
	if got := hex.EncodeToString(data); got != want {
		t.Errorf("stored form is\n%s, want\n%s", got, want)
	}
	if got := hex.EncodeToString(hash); got != sum {
		t.Errorf("hash is %s, want %s", got, sum)
	}
	if got, err := ledger.Hash(rec); err != nil || hex.EncodeToString(got) != sum {
		t.Errorf("Hash gives %x, error %v, want %s", got, err, sum)
	}
}

func TestEveryFlippedBitIsFound(t *testing.T) {
	data, _, err := ledger.Encode(ledgertest.Next(ledger.Head{}, 1))
	if err != nil {
		t.Fatal(err)
	}
	for i := range len(data) * 8 {
		data[i/8] ^= 1 << (i % 8)
		if _, _, err := ledger.Decode(data); err == nil {
			t.Errorf("bit %d is flipped and not found", i)
		}
		data[i/8] ^= 1 << (i % 8)
	}
	for n := range data {
		if _, _, err := ledger.Decode(data[:n]); err == nil {
			t.Errorf("cut to %d of %d bytes and not found", n, len(data))
		}
	}
	if _, _, err := ledger.Decode(data); err != nil {
		t.Errorf("the record itself: %v", err)
	}
}

// FuzzDecode gives Decode arbitrary bytes, as they are and with a right checksum behind them: what it accepts has to
// survive being stored again, and must not be anything whose checksum is wrong.
func FuzzDecode(f *testing.F) {
	for _, n := range []int{0, 1, 3} {
		data, _, err := ledger.Encode(ledgertest.Next(ledger.Head{}, n))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
		f.Add(data[:len(data)-sha256.Size])
	}
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, data []byte) {
		body, sum := data, [sha256.Size]byte{}
		if n := len(data) - sha256.Size; n >= 0 {
			body = data[:n]
			sum = sha256.Sum256(body)
		}
		_, hash, err := ledger.Decode(data)
		right := len(data) >= sha256.Size && bytes.Equal(data[len(body):], sum[:])
		if err == nil && (!right || !bytes.Equal(hash, sum[:])) {
			t.Fatalf("accepted with checksum %x, want %x", hash, sum)
		}

		sum = sha256.Sum256(data)
		rec, hash, err := ledger.Decode(append(bytes.Clone(data), sum[:]...))
		if err != nil {
			return // not a record
		}
		if !bytes.Equal(hash, sum[:]) {
			t.Fatalf("hash is %x, want %x", hash, sum)
		}
		stored, _, err := ledger.Encode(rec)
		if err != nil {
			t.Fatalf("store again: %v", err)
		}
		again, _, err := ledger.Decode(stored)
		if err != nil {
			t.Fatalf("read again: %v", err)
		}
		if !proto.Equal(again, rec) { // which takes NaN for equal to NaN
			t.Fatalf("comes back changed:\n got %v\nwant %v", again, rec)
		}
	})
}
