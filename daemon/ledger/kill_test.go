package ledger_test

import (
	"bufio"
	"context"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tandem/daemon/ledger"
	"tandem/daemon/ledger/ledgertest"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// childDir tells the test binary to be the child of TestKill, and where.
const childDir = "TANDEM_LEDGER_TEST_CHILD_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		fmt.Fprintln(os.Stderr, appendForEver(dir))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// snapshotEvery is how many records the child of TestKill appends between two snapshots.
const snapshotEvery = 40

// appendForEver opens the ledger on dir, appends, saves snapshots, and prints what was acknowledged, until it is killed.
func appendForEver(dir string) error {
	srv, err := server.NewServer(serverOptions(dir))
	if err != nil {
		return err
	}
	srv.Start()
	if !srv.ReadyForConnections(20 * time.Second) {
		return fmt.Errorf("server does not start")
	}
	nc, err := nats.Connect("", nats.InProcessServer(srv))
	if err != nil {
		return err
	}
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	ctx := context.Background()
	fmt.Println("started")
	l, err := ledger.OpenJetStream(ctx, js, ledger.Options{SyncAlways: ledger.EmbeddedSyncAlways(srv)})
	if err != nil {
		return err
	}
	for head := l.Head(); ; {
		if head, err = l.Append(ctx, ledgertest.Next(head, 1+int(head.Revision%5))); err != nil {
			return err
		}
		fmt.Printf("record %d %x\n", head.Revision, head.Hash)
		if head.Revision%snapshotEvery == 0 {
			if err := l.SaveSnapshot(ctx, ledgertest.Snapshot(head, 4<<20)); err != nil {
				return err
			}
			fmt.Printf("snapshot %d %x\n", head.Revision, head.Hash)
		}
	}
}

// TestKill kills a process that appends, with SIGKILL, at moments of chance: whatever it had acknowledged has to be
// there, the chain has to verify, and the newest snapshot acknowledged, or a newer one, has to be whole.
func TestKill(t *testing.T) {
	dir := t.TempDir()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	chance := rand.New(rand.NewPCG(seed, 0))
	acknowledged := map[uint64]string{}
	var last, snapshot, halfWay uint64
	for round := range 16 {
		lines, saving := 1+chance.IntN(3*snapshotEvery), round%2 == 1
		delay := time.Duration(chance.IntN(3000)) * time.Microsecond
		switch {
		case round < 4:
			lines, saving = 0, false // while the ledger is made
			delay *= 4
		case saving:
			delay *= 30 // about as long as a save takes
		}
		newest, newestSnapshot := killAfter(t, dir, lines, saving, delay, acknowledged)
		last, snapshot = max(last, newest), max(snapshot, newestSnapshot)

		s := startStore(t, dir)
		var survived int
		opts := s.options()
		opts.Survived = func(error) { survived++ }
		l := s.open(t, opts)
		found := map[uint64]string{}
		err := l.Replay(t.Context(), 0, func(rec *ledgerv1.Record) error {
			hash, err := ledger.Hash(rec)
			found[rec.GetRevision()] = hex.EncodeToString(hash)
			return err
		})
		if err != nil {
			t.Fatalf("round %d: replay: %v", round, err)
		}
		for revision, hash := range acknowledged {
			if found[revision] != hash {
				t.Errorf("round %d: record %d was acknowledged as %s, is %q", round, revision, hash, found[revision])
			}
		}
		if n := uint64(len(found)); n < last || n > last+1 { // one may have been stored and its acknowledgement not heard
			t.Errorf("round %d: %d records are found, %d were acknowledged", round, n, last)
		}
		last = uint64(len(found))
		snap, err := l.LoadSnapshot(t.Context())
		if err != nil || snap.GetRevision() < snapshot {
			t.Errorf("round %d: got snapshot of %d, error %v, want that of %d or newer", round, snap.GetRevision(), err, snapshot)
		}
		if snap != nil && hex.EncodeToString(snap.GetHash()) != found[snap.GetRevision()] {
			t.Errorf("round %d: snapshot of %d names another record", round, snap.GetRevision())
		}
		halfWay += uint64(survived)
		s.stop()
	}
	if len(acknowledged) == 0 {
		t.Error("nothing was acknowledged in all rounds")
	}
	t.Logf("%d records acknowledged, %d half snapshots passed over", len(acknowledged), halfWay)
}

// killAfter runs the child until it has started and printed some lines, if saving until it then begins to save a
// snapshot, and a delay has passed. It kills it, adds what it printed about records to acknowledged, and returns the newest revision and
// the newest snapshot it printed.
func killAfter(t *testing.T, dir string, lines int, saving bool, delay time.Duration, acknowledged map[uint64]string) (newest, newestSnapshot uint64) {
	t.Helper()
	child := exec.CommandContext(t.Context(), os.Args[0])
	child.Env = append(os.Environ(), childDir+"="+dir)
	child.Stderr = os.Stderr
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	var kill *time.Timer
	for text := bufio.NewScanner(out); text.Scan(); {
		var what, hash string
		var revision uint64
		_, err := fmt.Sscanf(text.Text(), "%s %d %s", &what, &revision, &hash)
		switch {
		case what == "record" && err == nil && len(hash) == 64: // not cut off by the kill
			acknowledged[revision], newest = hash, revision
		case what == "snapshot" && err == nil && len(hash) == 64:
			newestSnapshot = revision
		}
		begins := what == "record" && revision%snapshotEvery == 0
		if kill == nil && lines <= 0 && (begins || !saving) {
			kill = time.AfterFunc(delay, func() { _ = child.Process.Kill() })
		}
		lines--
	}
	if err := child.Wait(); err == nil || child.ProcessState.Exited() {
		t.Fatalf("child ended by itself: %v", err)
	}
	return newest, newestSnapshot
}
