package ledger

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"google.golang.org/protobuf/proto"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// manyRecords returns a reading of n records, the k-th of which fails to be read if k > 0, and whose bytes are spoiled at bad if bad > 0.
func manyRecords(t *testing.T, n, k, bad int) reading {
	t.Helper()
	var stored [][]byte
	for i := range n {
		data, _, err := Encode(&ledgerv1.Record{Revision: uint64(i + 1)})
		if err != nil {
			t.Fatal(err)
		}
		if i+1 == bad {
			data[0] ^= 1
		}
		stored = append(stored, data)
	}
	return func(ctx context.Context, first, last uint64, each func([]byte) error) error {
		for r := first; r <= last; r++ {
			if int(r) == k {
				return errUnread
			}
			if err := each(stored[r-1]); err != nil {
				return err
			}
		}
		return nil
	}
}

var errUnread = errors.New("not read")

// Records come in their order however many are decoded at a time, and what is wrong with one comes after those before it.
func TestRecordsDecodedAheadKeepTheirOrder(t *testing.T) {
	for _, n := range []int{1, decodedAsTheyCome, 10 * batchRecords, 100*batchRecords + 7} {
		for _, c := range []struct {
			name         string
			unread, bad  int
			refuse, want int // records that fn takes
		}{
			{name: "all good", want: n},
			{name: "one cannot be read", unread: n, want: n - 1},
			{name: "one is spoiled", bad: n, want: n - 1},
			{name: "one is refused", refuse: (n + 1) / 2, want: (n+1)/2 - 1},
		} {
			t.Run(fmt.Sprint(n, " ", c.name), func(t *testing.T) {
				refused := errors.New("refused")
				took := 0
				err := decodedInOrder(t.Context(), manyRecords(t, n, c.unread, c.bad), 1, uint64(n), func(d decoded) error {
					switch {
					case d.err != nil:
						return d.err
					case int(d.rec.GetRevision()) != took+1:
						return fmt.Errorf("revision %d after %d", d.rec.GetRevision(), took)
					case took+1 == c.refuse:
						return refused
					}
					took++
					return nil
				})
				if took != c.want {
					t.Errorf("took %d of %d, want %d (%v)", took, n, c.want, err)
				}
				if wrong := c.unread+c.bad+c.refuse > 0; (err != nil) != wrong || (c.unread > 0 && !errors.Is(err, errUnread)) || (c.refuse > 0 && !errors.Is(err, refused)) {
					t.Errorf("error %v", err)
				}
			})
		}
	}
}

// A snapshot that is decoded in parts is the one that was encoded, and what is not one is refused.
func TestSnapshotsAreDecodedInParts(t *testing.T) {
	snap := &ledgerv1.Snapshot{
		Revision: 7, Hash: make([]byte, hashSize), PersonNumbers: map[string]uint64{"mira": 1},
		Devices: []*ledgerv1.DeviceSnapshot{{Device: &tandemv1.Device{Id: "printer"}, Mode: "fine"}},
	}
	for i := range 100 {
		snap.Jobs = append(snap.Jobs, &ledgerv1.JobSnapshot{Job: &tandemv1.Job{Id: fmt.Sprint("job-", i)}})
		snap.Requests = append(snap.Requests, &ledgerv1.RequestSnapshot{Revision: uint64(i + 1)})
	}
	for _, s := range []*ledgerv1.Snapshot{snap, {Revision: 1, Hash: make([]byte, hashSize)}} {
		data, err := encodeSnapshot(s)
		if err != nil {
			t.Fatal(err)
		}
		got, err := decodeSnapshot(data)
		if err != nil || !proto.Equal(got, s) {
			t.Errorf("decoded %v as %v: %v", s, got, err)
		}
		if _, err := decodeSnapshot(data[:len(data)-1]); err == nil {
			t.Error("half a snapshot was decoded")
		}
	}
	data, _ := encodeSnapshot(snap)
	bad := append(data, 7<<3|2, 2, 0xff, 0xff) // a job that is none
	if _, err := decodeSnapshot(bad); err == nil {
		t.Error("a job that is none was decoded")
	}
}
