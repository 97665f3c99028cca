package crashtest

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"tandem/daemon/bus"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	"tandem/scheduler/floor"
)

// Books are what a ledger says, read from its first record.
type Books struct {
	Revision uint64
	Term     uint64
	Floor    *floor.Floor
	hashes   map[uint64]string
	begun    map[string]map[string]bool // device -> runs that have begun there
}

// Audit reads the ledger of a data folder whose daemon is not running. It verifies checksums and the chain, that commit times
// and terms never go back, that the floor keeps its rules after each record, and that no run has begun twice.
func Audit(ctx context.Context, data string) (*Books, error) {
	server, err := bus.StartServer(bus.ServerConfig{StoreDir: filepath.Join(data, "bus"), MaxStore: 1 << 40, MaxPayload: ledger.ServerMaxPayload})
	if err != nil {
		return nil, fmt.Errorf("audit: %w", err)
	}
	defer server.Shutdown()
	conn, err := server.LedgerConn()
	if err != nil {
		return nil, fmt.Errorf("audit: %w", err)
	}
	js, err := jetstream.New(conn)
	if err != nil {
		return nil, fmt.Errorf("audit: %w", err)
	}
	store, err := ledger.OpenJetStream(ctx, js, ledger.Options{SyncAlways: server.SyncAlways})
	if err != nil {
		return nil, fmt.Errorf("audit: %w", err)
	}
	b := &Books{Floor: floor.New(), hashes: map[uint64]string{}, begun: map[string]map[string]bool{}}
	var last time.Time
	err = store.Replay(ctx, 0, func(rec *ledgerv1.Record) error {
		hash, err := ledger.Hash(rec)
		if err != nil {
			return err
		}
		if at := rec.GetCommitTime().AsTime(); at.Before(last) || rec.GetTerm() < b.Term {
			return fmt.Errorf("revision %d goes back to %v of term %d, from %v of term %d", rec.GetRevision(), at, rec.GetTerm(), last, b.Term)
		}
		last = rec.GetCommitTime().AsTime()
		b.Revision, b.Term, b.hashes[rec.GetRevision()] = rec.GetRevision(), rec.GetTerm(), hex.EncodeToString(hash)
		return b.read(rec)
	})
	if err != nil {
		return nil, fmt.Errorf("audit: %w", err)
	}
	return b, nil
}

// checkEvery is how many records lie between two checks of the whole floor, which takes as long as the floor is large.
const checkEvery = 64

func (b *Books) read(rec *ledgerv1.Record) error {
	started := map[string]time.Time{} // of the runs that the record changes
	for _, e := range rec.GetEvents() {
		if id := e.GetRunChanged().GetRun(); id != "" {
			if r, ok := b.Floor.Run(id); ok {
				started[id] = r.Start
			}
		}
	}
	b.Floor.ApplyRecord(rec)
	for id, before := range started {
		r, ok := b.Floor.Run(id)
		if !ok || r.Start.IsZero() {
			continue
		}
		if !before.IsZero() && !before.Equal(r.Start) {
			return fmt.Errorf("revision %d: run %s on %s began at %v, and again at %v", rec.GetRevision(), id, r.Device.ID, before, r.Start)
		}
		if b.begun[r.Device.ID] == nil {
			b.begun[r.Device.ID] = map[string]bool{}
		}
		b.begun[r.Device.ID][id] = true
	}
	if rec.GetRevision()%checkEvery == 0 {
		if err := b.Floor.Check(); err != nil {
			return fmt.Errorf("revision %d: %w", rec.GetRevision(), err)
		}
	}
	return nil
}

// CheckLoad compares the books with what clients were told: jobs acknowledged, revisions and hashes.
func (b *Books) CheckLoad(l *Load) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	var errs []error
	if b.Revision < l.seen.Revision || b.Term < l.seen.Term {
		errs = append(errs, fmt.Errorf("the ledger ends at revision %d of term %d, and clients have seen %d of term %d", b.Revision, b.Term, l.seen.Revision, l.seen.Term))
	}
	for revision, told := range l.heads {
		if hash := b.hashes[revision]; revision > 0 && hash != told {
			errs = append(errs, fmt.Errorf("revision %d was told to have the hash %s, and has %q", revision, told, hash))
		}
	}
	for id, job := range l.accepted {
		if j, ok := b.Floor.Job(id); !ok || j.Code != job.GetCode() {
			errs = append(errs, fmt.Errorf("job %s was acknowledged as %s, and is not in the ledger like that", id, job.GetCode()))
		}
	}
	return errors.Join(errs...)
}

// CheckMachines compares how often each simulated machine has begun a run, by its own count, with the runs that have begun
// there according to the ledger. With nothing under way they are the same: a machine that was started twice for one run has
// counted more, and one whose run was called begun and never was has counted less.
func (b *Books) CheckMachines(folders ...string) error {
	var errs []error
	for _, d := range b.Floor.Devices {
		memory, err := recall(d.ID, folders...)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		if n := len(b.begun[d.ID]); memory.found && memory.Begun != n {
			errs = append(errs, fmt.Errorf("%s has begun %d runs by its own count, and %d by the ledger", d.ID, memory.Begun, n))
		}
	}
	return errors.Join(errs...)
}

// memory is the part of a simulated machine's memory that tells what it has done.
type memory struct {
	found  bool
	Begun  int         `json:"begun"`
	Loaded *memoryRun  `json:"loaded"`
	Job    *memoryRun  `json:"job"`
	Ended  []memoryRun `json:"ended"`
}

type memoryRun struct {
	Run string `json:"run"`
}

// has says whether the machine has a run in hand, begun or not, or has ended it.
func (m memory) has(run string) bool {
	return m.Loaded != nil && m.Loaded.Run == run || m.Job != nil && m.Job.Run == run || slices.Contains(m.Ended, memoryRun{run})
}

// recall reads what a device's machine remembers, from the first of the folders that has it. A device that is no simulated
// machine remembers nothing.
func recall(device string, folders ...string) (memory, error) {
	for _, folder := range folders {
		data, err := os.ReadFile(filepath.Join(folder, "drivers", device, "machine.json"))
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		m := memory{found: true}
		if err == nil {
			err = json.Unmarshal(data, &m)
		}
		if err != nil {
			return memory{}, fmt.Errorf("read what %s remembers: %w", device, err)
		}
		return m, nil
	}
	return memory{}, nil
}

// Begun is how many runs have begun on devices of all kinds.
func (b *Books) Begun() int {
	var n int
	for _, runs := range b.begun {
		n += len(runs)
	}
	return n
}
