package ledger

import (
	"fmt"
	"reflect"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

const (
	// StreamName is the name of the stream that holds the records.
	StreamName = "TANDEM_LEDGER"
	// Subjects is what covers every subject of this package: nobody else may publish there.
	Subjects = "tandem.ledger.>"

	recordSubject = "tandem.ledger.record"
	// minReadBytes is the least that may be under way from the store to a reader, well below the 64 MiB at which nats.go
	// drops what a subscription has not taken.
	minReadBytes = 16 << 20
)

// streamConfig is what the stream of records has to be. Every limit by which the store could drop a record is off, and
// should somebody set one, it refuses new records rather than drop old ones.
func streamConfig(o Options) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:              StreamName,
		Description:       "tandem: store of record; never purge, never delete",
		Subjects:          []string{recordSubject},
		Retention:         jetstream.LimitsPolicy,
		Discard:           jetstream.DiscardNew,
		Storage:           jetstream.FileStorage,
		PersistMode:       jetstream.DefaultPersistMode,
		Replicas:          o.Replicas,
		MaxMsgSize:        int32(o.MaxRecordBytes + headerBytes),
		MaxMsgs:           -1,
		MaxBytes:          -1,
		MaxMsgsPerSubject: -1,
		MaxConsumers:      -1,
		Duplicates:        2 * time.Minute, // the least that does not warn; no record carries a message id
		DenyDelete:        true,
		DenyPurge:         true,
	}
}

// adapt returns got with those settings of want that may change from one start to the next: the number of copies, the
// text, and a higher limit for the length of a record.
func adapt(got, want jetstream.StreamConfig) (jetstream.StreamConfig, bool) {
	changed := got.Replicas != want.Replicas || got.Description != want.Description || got.MaxMsgSize < want.MaxMsgSize
	got.Replicas, got.Description, got.MaxMsgSize = want.Replicas, want.Description, max(got.MaxMsgSize, want.MaxMsgSize)
	return got, changed
}

// difference lists the settings of got that are not as in want; empty if there are none. Left alone are those that do not
// touch what is kept: where copies are placed, a higher limit for the length of a record, notes of the server, and where
// the ledger begins, which is looked at elsewhere.
func difference(got, want jetstream.StreamConfig) string {
	got.MaxMsgSize, got.Placement, got.Metadata, got.FirstSeq = want.MaxMsgSize, want.Placement, want.Metadata, want.FirstSeq
	var diffs []string
	g, w := reflect.ValueOf(got), reflect.ValueOf(want)
	for i := range g.NumField() {
		if a, b := g.Field(i).Interface(), w.Field(i).Interface(); !reflect.DeepEqual(a, b) {
			diffs = append(diffs, fmt.Sprintf("%s is %v, not %v", g.Type().Field(i).Name, a, b))
		}
	}
	return strings.Join(diffs, ", ")
}
