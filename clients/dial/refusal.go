package dial

import (
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"
)

// Refusal returns what the daemon says for programs about why it refuses a request; nil if it says nothing.
func Refusal(err error) *errdetails.ErrorInfo {
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok && info.GetDomain() == "tandem" {
			return info
		}
	}
	return nil
}

// WithoutSpace reports whether a daemon that has its ledger in hand has refused new work because the disk is nearly full. It knows what
// it was asked before: what it has made it answers as made, so that nothing was made of what it refuses.
func WithoutSpace(err error) bool {
	info := Refusal(err)
	return info.GetReason() == "LEDGER_READ_ONLY" && info.GetMetadata()["opening"] == ""
}
