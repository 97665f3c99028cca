package api

import (
	"fmt"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// ReopeningError says that the ledger has failed for a cause that is not known to be the disk's, and is being opened anew. It is the
// refusal of a daemon that opens its ledger, with the cause: whoever asks can mend it, and need not look for it in the log.
type ReopeningError struct {
	// Dir is the data folder.
	Dir string
	// Cause is what the store, or else the daemon, has said about it.
	Cause string
}

// Error names the cause and the remedy, in one line.
func (e *ReopeningError) Error() string {
	return fmt.Sprintf("the daemon's ledger has failed (%s), and the daemon is opening it anew, again and again until it can write: "+
		"look at what limits its files in %s, such as the rights of its user and the greatest size of a file that it may write, and at its log; "+
		"then ask again with the same request id", strings.Join(strings.Fields(e.Cause), " "), e.Dir)
}

// GRPCStatus makes it the refusal LEDGER_OPENING, with the facts for programs.
func (e *ReopeningError) GRPCStatus() *status.Status {
	err := withInfo(codes.Unavailable, "LEDGER_OPENING", e.Error(), map[string]string{"data_dir": e.Dir, "cause": e.Cause})
	return status.Convert(err)
}
