package ledger_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go/jetstream"

	"tandem/daemon/ledger"
	"tandem/daemon/ledger/ledgertest"
)

func TestInvalidOptions(t *testing.T) {
	s := startStore(t, t.TempDir())
	for _, c := range []struct {
		name, field string
		want        error
		change      func(o *ledger.Options)
	}{
		{"nobody knows about sync", "SyncAlways", ledger.ErrNotDurable, func(o *ledger.Options) { o.SyncAlways = nil }},
		{"two copies", "Replicas", ledger.ErrInvalid, func(o *ledger.Options) { o.Replicas = 2 }},
		{"fewer than no copies", "Replicas", ledger.ErrInvalid, func(o *ledger.Options) { o.Replicas = -1 }},
		{"tiny records", "MaxRecordBytes", ledger.ErrInvalid, func(o *ledger.Options) { o.MaxRecordBytes = 10 }},
		{"huge records", "MaxRecordBytes", ledger.ErrInvalid, func(o *ledger.Options) { o.MaxRecordBytes = 64 << 20 }},
		{"more than the server takes", "max_payload", ledger.ErrInvalid, func(o *ledger.Options) { o.MaxRecordBytes = 8 << 20 }},
		{"negative timeout", "AppendTimeout", ledger.ErrInvalid, func(o *ledger.Options) { o.AppendTimeout = -1 }},
	} {
		opts := s.options()
		c.change(&opts)
		_, err := ledger.OpenJetStream(t.Context(), s.js, opts)
		if !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.field) {
			t.Errorf("%s: got error %v, want %v with %q", c.name, err, c.want, c.field)
		}
	}
}

func TestSettingsOfANewStream(t *testing.T) {
	s := startStore(t, t.TempDir())
	l := s.open(t, s.options())
	ledgertest.Fill(t, l, ledger.Head{}, 3, 1)
	stream, err := s.js.Stream(t.Context(), ledger.StreamName)
	if err != nil {
		t.Fatal(err)
	}
	cfg := stream.CachedInfo().Config
	if cfg.Storage != jetstream.FileStorage || cfg.PersistMode != jetstream.DefaultPersistMode || cfg.MaxAge != 0 || cfg.MaxMsgs != -1 || cfg.MaxBytes != -1 {
		t.Errorf("the stream can lose records: %+v", cfg)
	}
	if err := stream.Purge(t.Context()); err == nil {
		t.Error("the stream can be purged")
	}
	if err := stream.DeleteMsg(t.Context(), 2); err == nil {
		t.Error("a record can be deleted")
	}
	if got := ledgertest.Collect(t, l, 0); len(got) != 3 {
		t.Errorf("%d records are left of 3", len(got))
	}
}

// TestSettingsOfTheStream has somebody make or change the stream of records by hand.
func TestSettingsOfTheStream(t *testing.T) {
	for _, c := range []struct {
		field  string
		change func(cfg *jetstream.StreamConfig)
	}{
		{"MaxAge", func(cfg *jetstream.StreamConfig) { cfg.MaxAge = time.Hour }},
		{"MaxMsgs", func(cfg *jetstream.StreamConfig) { cfg.MaxMsgs = 1000 }},
		{"MaxBytes", func(cfg *jetstream.StreamConfig) { cfg.MaxBytes = 1 << 30 }},
		{"Discard", func(cfg *jetstream.StreamConfig) { cfg.Discard = jetstream.DiscardOld }},
		{"Storage", func(cfg *jetstream.StreamConfig) { cfg.Storage = jetstream.MemoryStorage }},
		{"DenyPurge", func(cfg *jetstream.StreamConfig) { cfg.DenyPurge = false }},
		{"DenyDelete", func(cfg *jetstream.StreamConfig) { cfg.DenyDelete = false }},
		{"Retention", func(cfg *jetstream.StreamConfig) { cfg.Retention = jetstream.WorkQueuePolicy }},
		{"Subjects", func(cfg *jetstream.StreamConfig) { cfg.Subjects = append(cfg.Subjects, "tandem.more") }},
		{"PersistMode", func(cfg *jetstream.StreamConfig) { cfg.PersistMode = jetstream.AsyncPersistMode }},
		{"AllowRollup", func(cfg *jetstream.StreamConfig) { cfg.AllowRollup, cfg.DenyPurge = true, false }},
		{"AllowAtomicPublish", func(cfg *jetstream.StreamConfig) { cfg.AllowAtomicPublish = true }},
	} {
		t.Run(c.field, func(t *testing.T) {
			s := startStore(t, t.TempDir())
			cfg := configOfStream(t)
			c.change(&cfg)
			if _, err := s.js.CreateStream(t.Context(), cfg); err != nil {
				t.Fatalf("make stream: %v", err)
			}
			if _, err := ledger.OpenJetStream(t.Context(), s.js, s.options()); !errors.Is(err, ledger.ErrCorrupt) || !strings.Contains(err.Error(), c.field) {
				t.Errorf("got error %v, want ErrCorrupt with %q", err, c.field)
			}
		})
	}
}

// TestLimitChanges raises and lowers the longest record from start to start.
func TestLimitChanges(t *testing.T) {
	s := startStore(t, t.TempDir())
	var head ledger.Head
	for _, limit := range []int{100 << 10, 1 << 20, 50 << 10} {
		opts := s.options()
		opts.MaxRecordBytes = limit
		l := s.open(t, opts)
		rec := ledgertest.Next(head, 1)
		rec.Events[0].Actor = strings.Repeat("x", limit)
		if _, err := l.Append(t.Context(), rec); !errors.Is(err, ledger.ErrTooLarge) {
			t.Errorf("limit %d: got error %v, want ErrTooLarge", limit, err)
		}
		rec.Events[0].Actor = strings.Repeat("x", limit-1000)
		var err error
		if head, err = l.Append(t.Context(), rec); err != nil {
			t.Errorf("limit %d: %v", limit, err)
		}
	}
	if got := ledgertest.Collect(t, s.open(t, s.options()), 0); len(got) != 3 {
		t.Errorf("got %d records, want 3", len(got))
	}
}

func TestNoJetStream(t *testing.T) {
	s := startStore(t, t.TempDir(), func(o *server.Options) { o.JetStream = false })
	if _, err := ledger.OpenJetStream(t.Context(), s.js, s.options()); !errors.Is(err, ledger.ErrNotDurable) {
		t.Errorf("got error %v, want ErrNotDurable", err)
	}
	opts := ledger.Options{SyncAlways: func() (bool, error) { return true, nil }, OpenTimeout: 300 * time.Millisecond}
	if _, err := ledger.OpenJetStream(t.Context(), s.js, opts); err == nil {
		t.Error("opened without a store")
	}
}
