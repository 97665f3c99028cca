package main

import (
	"strings"
	"testing"
	"time"

	"tandem/daemon/datadir"
	"tandem/daemon/ledger"
)

func TestChooseHome(t *testing.T) {
	of := func(leader string, followers ...string) placed { return placed{leader, followers} }
	for _, c := range []struct {
		name            string
		avoid           []string
		records, leases placed
		want            string
	}{
		{"where both are led already", []string{"n1"}, of("n3", "n1", "n2"), of("n3", "n1", "n2"), "n3"},
		{"where the records are", []string{"n1"}, of("n3", "n1", "n2"), of("n2", "n1", "n3"), "n3"},
		{"where the lease is, away from the own server", []string{"n1"}, of("n1", "n2", "n3"), of("n3", "n1", "n2"), "n3"},
		{"any other", []string{"n1"}, of("n1", "n2", "n3"), of("n1", "n2", "n3"), "n2"},
		{"only one that holds both", []string{"n1"}, of("n1", "n2", "n3"), of("n1", "n3", "n4"), "n3"},
		{"none", []string{"n1"}, of("n1"), of("n1"), ""},
		{"neither the nearest nor the one that it is connected to", []string{"n1", "n2"}, of("n2", "n1", "n3"), of("n1", "n2", "n3"), "n3"},
		{"the one it is connected to, if there is no third", []string{"n1", "n2"}, of("n1", "n2"), of("n2", "n1"), "n2"},
		{"a server of nobody's", []string{""}, of("n2", "n1", "n3"), of("n2", "n1", "n3"), "n2"},
	} {
		if got := chooseHome(c.records, c.leases, c.avoid...); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestSameServer(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want bool
	}{
		{"tls://nats-1:4222", "tls://nats-1:4222", true},
		{"nats://127.0.0.1:4222", "tls://127.0.0.1:4222", true},
		{"tls://nats-1:4222", "tls://nats-2:4222", false},
		{"", "tls://nats-1:4222", false},
		{"", "", false},
	} {
		if got := sameServer(c.a, c.b); got != c.want {
			t.Errorf("%q and %q: %t", c.a, c.b, got)
		}
	}
}

func TestMemberTellsOfDisks(t *testing.T) {
	if got := ownDisk("data", 100<<20, nil, 64<<20); got != "" {
		t.Errorf("a disk with space is told of: %s", got)
	}
	if got := ownDisk("data", 10<<20, nil, 64<<20); !strings.Contains(got, "data has 10.0 MiB free") || !strings.Contains(got, "kept by the cluster") {
		t.Errorf("a disk with little space: %q", got)
	}
	var r storeReply
	r.Server.Name, r.Data.Config.Most = "n2", 64<<30
	for used, told := range map[uint64]bool{0: false, 57 << 30: false, 58 << 30: true, 64 << 30: true} {
		r.Data.Storage = used
		if got := nearlyFull(r); (got != "") != told || told && !strings.Contains(got, "n2") {
			t.Errorf("%d bytes of 64 GiB used: %q, want something: %t", used, got, told)
		}
	}
	var all troubles
	for i := range missingLooks + 1 {
		if got := len(all.attention()); (got > 0) != (i >= missingLooks) {
			t.Errorf("a server missing for %d looks: %d lines", i, got)
		}
		all.missed(ledger.ErrFull) // any error
	}
	all.missed(nil)
	if got := all.attention(); len(got) > 0 {
		t.Errorf("all are back, and still: %v", got)
	}
}

func TestMovedFolderIsRefused(t *testing.T) {
	dir := t.TempDir()
	if err := checkNotMoved(dir); err != nil {
		t.Fatal(err)
	}
	head := ledger.Head{Revision: 7}
	if err := markMoved(dir, toCluster, head, time.Unix(0, 0)); err != nil {
		t.Fatal(err)
	}
	if err := checkNotMoved(dir); err == nil || !strings.Contains(err.Error(), datadir.MovedFile) {
		t.Errorf("a folder whose ledger was moved: error %v, want one that names %s", err, datadir.MovedFile)
	}
	for range 2 { // the second time there is nothing to take back
		if err := markMoved(dir, toDataDir, head, time.Unix(0, 0)); err != nil {
			t.Fatal(err)
		}
	}
	if err := checkNotMoved(dir); err != nil {
		t.Errorf("the ledger is back: %v", err)
	}
}
