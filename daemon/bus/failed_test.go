package bus

import (
	"fmt"
	"testing"

	"go.uber.org/zap"
)

// The lines with which the server tells that a stream takes no more (nats-server 2.15.2) are heard, however many lines there are;
// the others are not.
func TestFailedHearsOnlyFailures(t *testing.T) {
	var heard []string
	l := newServerLog(zap.NewNop(), func(line string) { heard = append(heard, line) })
	for i := range 3 * serverLinesBurst {
		l.Warnf("client %d cannot be read", i)
	}
	l.Noticef("Stream 'LEDGER > RECORDS' created")
	l.Errorf("JetStream failed to store a msg on stream '%s > %s': %v", "LEDGER", "RECORDS", "no space left on device")
	l.Errorf("Filestore [%s] Critical write error: %v", "RECORDS", "write 1.blk: read-only file system")
	l.Fatalf("JetStream failed to store a msg on stream, and the server ends")
	want := []string{
		"JetStream failed to store a msg on stream 'LEDGER > RECORDS': no space left on device",
		"Filestore [RECORDS] Critical write error: write 1.blk: read-only file system",
	}
	if fmt.Sprint(heard) != fmt.Sprint(want) {
		t.Errorf("heard %q, want %q", heard, want)
	}
	newServerLog(zap.NewNop(), nil).Errorf("Filestore [RECORDS] Critical write error") // nobody wants to know
}
