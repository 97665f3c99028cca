package main

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"tandem/daemon/space"
)

const (
	// disksEvery is how often a member that leads looks at disks: its own, and what the servers say of theirs.
	disksEvery = 5 * time.Second
	// storeNearlyFull is the share of a server's max_file_store, in percent, above which people are told.
	storeNearlyFull = 90
	// missingLooks is how often in a row a server must have been missing before people are told: it may be starting.
	missingLooks = 3
)

// troubles are what people should know of a member and its cluster although the floor goes on.
type troubles struct {
	mu      sync.Mutex
	disk    string
	stores  []string
	server  string
	missing int // how many times in a row
}

// attention is what people see.
func (t *troubles) attention() (lines []string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.disk != "" {
		lines = append(lines, t.disk)
	}
	lines = append(lines, t.stores...)
	if t.missing >= missingLooks {
		lines = append(lines, "the ledger is kept, but not by every server: "+t.server+"; the next loss stops the floor")
	}
	return lines
}

// missed notes whether every server holds what the others do.
func (t *troubles) missed(err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if err == nil {
		t.missing, t.server = 0, ""
		return
	}
	t.missing, t.server = t.missing+1, err.Error()
}

// watchDisks looks at the disk of the data folder, where the member's history lies, and at the stores of the servers. Neither
// keeps work from being taken: the ledger is not on this disk, and a server that is full refuses by itself.
func (m *member) watchDisks(ctx context.Context) {
	tick := time.NewTicker(disksEvery)
	defer tick.Stop()
	for {
		free, err := space.Free(m.set.DataDir)
		disk := ownDisk(m.set.DataDir, free, err, m.set.SpaceLimit)
		stores, known := m.fullStores()
		m.troubles.mu.Lock()
		if m.troubles.disk = disk; known {
			m.troubles.stores = stores
		}
		m.troubles.mu.Unlock()
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// ownDisk says what is wrong with the disk of a member; empty: nothing.
func ownDisk(dir string, free uint64, err error, limit int64) string {
	switch {
	case err != nil:
		return fmt.Sprintf("the disk with %s cannot be looked at (%v): this daemon's history may not go on; the ledger is kept by the cluster", dir, err)
	case free < uint64(max(limit, 0)):
		return fmt.Sprintf("the disk with %s has %s free, less than %s: free some there, or this daemon's history does not go on; the ledger is kept by the cluster",
			dir, space.Bytes(free), space.Bytes(uint64(limit)))
	}
	return ""
}

// storeReply is what a server says of its store.
type storeReply struct {
	Server struct {
		Name string `json:"name"`
	} `json:"server"`
	Data struct {
		Storage uint64 `json:"storage"` // bytes that are used
		Config  struct {
			Most int64 `json:"max_storage"`
		} `json:"config"`
	} `json:"data"`
}

// fullStores asks the servers how full their stores are; known: at least one has said so.
func (m *member) fullStores() (lines []string, known bool) {
	inbox := nats.NewInbox()
	sub, err := m.system.SubscribeSync(inbox)
	if err != nil {
		return nil, false
	}
	defer func() { _ = sub.Unsubscribe() }()
	if err := m.system.PublishRequest(pingStores, inbox, nil); err != nil {
		return nil, false
	}
	end := time.Now().Add(durableWithin)
	for range clusterCopies {
		msg, err := sub.NextMsg(time.Until(end))
		if err != nil {
			break
		}
		var reply storeReply
		if json.Unmarshal(msg.Data, &reply) != nil {
			continue
		}
		known = true
		if line := nearlyFull(reply); line != "" {
			lines = append(lines, line)
		}
	}
	slices.SortFunc(lines, strings.Compare)
	return lines, known
}

// nearlyFull says that a server's store is; empty: it is not.
func nearlyFull(r storeReply) string {
	most := uint64(max(r.Data.Config.Most, 0))
	if most == 0 || r.Data.Storage < most/100*storeNearlyFull {
		return ""
	}
	return fmt.Sprintf("the store of server %s holds %s of the %s that it may: raise max_file_store there, and see that its disk has the space; when it is full, nothing more is taken in",
		r.Server.Name, space.Bytes(r.Data.Storage), space.Bytes(most))
}
