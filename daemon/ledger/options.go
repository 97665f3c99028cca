package ledger

import (
	"cmp"
	"fmt"
	"time"
)

const (
	// ServerMaxPayload is the max_payload, in bytes, that a NATS server needs for records of up to DefaultMaxRecordBytes.
	ServerMaxPayload = 8 << 20
	// DefaultMaxRecordBytes is the longest record, checksum included, unless the options say otherwise.
	DefaultMaxRecordBytes = ServerMaxPayload - headerBytes

	// headerBytes is room for the headers of a message beside its body.
	headerBytes = 4 << 10
	// maxMessageBytes is the longest message that the options may allow for a record.
	maxMessageBytes = 16 << 20
)

// Options are the settings of a JetStream ledger. Only SyncAlways is required.
type Options struct {
	// SyncAlways reads from the running store whether it writes to disk before it acknowledges, on every server that
	// keeps a copy: EmbeddedSyncAlways or ClusterSyncAlways. If it answers false, the ledger is refused with
	// ErrNotDurable.
	SyncAlways func() (bool, error)

	// Stored is called after each record that the store has acknowledged, before an append is: if it returns an error, the outcome
	// is unknown. It is for what a store leaves to others to bring to the disk. It may be nil.
	Stored func() error

	// Replicas is the number of servers that keep a copy: 1 for an embedded or single server, 3 in a cluster. 0 means 1.
	Replicas int

	// MaxRecordBytes is the longest record that may be appended, checksum included. The servers' max_payload must be at
	// least 4,096 bytes more. 0 means DefaultMaxRecordBytes. It may be changed from one start to the next.
	MaxRecordBytes int

	// OpenTimeout is the longest time for the store to answer for the first time: it may still be starting, or a cluster may
	// be choosing its leader. 0 means 30 s.
	OpenTimeout time.Duration

	// AttemptTimeout is the longest time for one try to open, beside ReadTimeout: requests to a store that is still starting,
	// or to a cluster without a leader, are lost. 0 means 5 s.
	AttemptTimeout time.Duration

	// AppendTimeout is the longest time to wait for the answer to an append. 0 means 5 s.
	AppendTimeout time.Duration

	// ReadTimeout is the longest silence while records are read. 0 means 10 s.
	ReadTimeout time.Duration

	// Known is the last record that somebody else remembers, such as the history; only revision and hash are looked at.
	// A ledger that ends before it, or has another record in its place, is refused: stores have dropped what they held
	// after corruption, and a new, empty ledger must not take its place unnoticed. The zero Head asks for nothing.
	Known Head

	// Note remembers the last record outside of the store, and is compared as Known is. Nil: nobody does.
	Note *Note

	// Resting opens also a ledger that no floor may go on from: see Standing. It is for who copies one.
	Resting bool

	// Survived is told of damage that was survived and would otherwise go unseen: a snapshot that is not whole and was
	// passed over. It may be nil.
	Survived func(error)
}

// withDefaults returns o with its zero values filled in, or what is wrong with it.
func (o Options) withDefaults() (Options, error) {
	o.Replicas = cmp.Or(o.Replicas, 1)
	o.MaxRecordBytes = cmp.Or(o.MaxRecordBytes, DefaultMaxRecordBytes)
	o.OpenTimeout = cmp.Or(o.OpenTimeout, 30*time.Second)
	o.AttemptTimeout = cmp.Or(o.AttemptTimeout, 5*time.Second)
	o.AppendTimeout = cmp.Or(o.AppendTimeout, 5*time.Second)
	o.ReadTimeout = cmp.Or(o.ReadTimeout, 10*time.Second)
	if o.Stored == nil {
		o.Stored = func() error { return nil }
	}
	if o.Survived == nil {
		o.Survived = func(error) {}
	}
	switch {
	case o.SyncAlways == nil:
		return o, fmt.Errorf("%w: Options.SyncAlways is not set, so nobody knows; set EmbeddedSyncAlways or ClusterSyncAlways", ErrNotDurable)
	case o.Replicas < 0 || o.Replicas > 5 || o.Replicas%2 == 0:
		return o, fmt.Errorf("%w options: Replicas is %d; use 1, 3 or 5", ErrInvalid, o.Replicas)
	case o.MaxRecordBytes < headerBytes || o.MaxRecordBytes > maxMessageBytes-headerBytes:
		return o, fmt.Errorf("%w options: MaxRecordBytes is %d; use %d to %d", ErrInvalid, o.MaxRecordBytes, headerBytes, maxMessageBytes-headerBytes)
	case o.OpenTimeout < 0 || o.AttemptTimeout < 0 || o.AppendTimeout < 0 || o.ReadTimeout < 0:
		return o, fmt.Errorf("%w options: a timeout is negative (OpenTimeout %v, AttemptTimeout %v, AppendTimeout %v, ReadTimeout %v); use 0 for the default",
			ErrInvalid, o.OpenTimeout, o.AttemptTimeout, o.AppendTimeout, o.ReadTimeout)
	}
	return o, nil
}
