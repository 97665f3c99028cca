package ledger

import (
	"context"
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

	// beingMade is the description of a stream whose making is not known to be finished.
	beingMade = "tandem: being made"
)

// makeStream makes a stream so that it is found again after a restart. The server writes the settings of a new stream and
// their checksum one after the other; killed in between, it does not find the stream again, takes what it left for written when a
// stream of that name is made anew, and so never writes the checksum: that stream is gone after the next restart, with all
// that it had acknowledged (nats-server 2.15.2). A change of settings writes both. So a stream is made under a
// description that is then changed, and nothing is put into it before.
func (l *JetStream) makeStream(ctx context.Context, cfg jetstream.StreamConfig) (*jetstream.StreamInfo, error) {
	first := cfg
	first.Description, first.Metadata = beingMade, nil
	if _, err := l.js.CreateStream(ctx, first); err != nil {
		return nil, fmt.Errorf("make stream %s: %w", cfg.Name, err)
	}
	stream, err := l.js.UpdateStream(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("finish making stream %s: %w", cfg.Name, err)
	}
	return stream.CachedInfo(), nil
}

// streamConfig is what the stream of records has to be. Every limit by which the store could drop a record is off, and
// should somebody set one, it refuses new records rather than drop old ones.
func streamConfig(o Options) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:              StreamName,
		Description:       goesOn,
		Subjects:          []string{recordSubject},
		Retention:         jetstream.LimitsPolicy,
		Discard:           jetstream.DiscardNew,
		Storage:           jetstream.FileStorage,
		PersistMode:       jetstream.DefaultPersistMode,
		Replicas:          o.Replicas,
		MaxMsgSize:        maxMessageBytes, // above every MaxRecordBytes, so that it never has to change
		MaxMsgs:           -1,
		MaxBytes:          -1,
		MaxMsgsPerSubject: -1,
		MaxConsumers:      -1,
		Duplicates:        2 * time.Minute, // the least that does not warn; no record carries a message id
		DenyDelete:        true,
		DenyPurge:         true,
	}
}

// difference lists the settings of got that are not as in want; empty if there are none. Left alone are those that do not
// touch what is kept: where copies are placed, notes of the server, and where the ledger begins, which is looked at
// elsewhere.
func difference(got, want jetstream.StreamConfig) string {
	got.Placement, got.Metadata, got.FirstSeq = want.Placement, want.Metadata, want.FirstSeq
	var diffs []string
	g, w := reflect.ValueOf(got), reflect.ValueOf(want)
	for i := range g.NumField() {
		if a, b := g.Field(i).Interface(), w.Field(i).Interface(); !reflect.DeepEqual(a, b) {
			diffs = append(diffs, fmt.Sprintf("%s is %v, not %v", g.Type().Field(i).Name, a, b))
		}
	}
	return strings.Join(diffs, ", ")
}
