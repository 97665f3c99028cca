package main

import (
	"context"
	"errors"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"tandem/clients/dial"
)

// changeError is a change that failed, with the key to ask for it again.
type changeError struct {
	requestID string
	err       error
}

func (e *changeError) Error() string { return e.err.Error() }
func (e *changeError) Unwrap() error { return e.err }

// scanError is a scan that got no answer.
type scanError struct{ err error }

func (e *scanError) Error() string { return e.err.Error() }
func (e *scanError) Unwrap() error { return e.err }

// doubt says what the person has to reckon with after a change or a scan of which nobody knows whether it was made; nothing after any
// other error.
func doubt(err error) (line string, ok bool) {
	if !undecided(err) {
		return "", false
	}
	if change, ok := errors.AsType[*changeError](err); ok {
		return "the change may have been made all the same: to ask for the same change again, add --request-id " + change.requestID, true
	}
	if _, ok := errors.AsType[*scanError](err); ok {
		return "it may count all the same: look before you hand it in again", true
	}
	return "", false
}

// undecided reports whether an error leaves open what became of a request. A refusal does not, whatever its reason. A daemon that is
// away, stopping, opening its ledger or not leading has done nothing at this attempt, but there may have been others before it: a
// request with a key is sent again without a word, and only the last answer is seen. A failure inside the daemon may come after the
// change was stored.
func undecided(err error) bool {
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) {
		return true
	}
	st, ok := status.FromError(err)
	if !ok {
		return false
	}
	switch st.Code() {
	case codes.DeadlineExceeded, codes.Canceled, codes.Internal, codes.Unknown, codes.DataLoss:
		return true
	case codes.Unavailable:
		return !dial.WithoutSpace(err)
	default:
		return false
	}
}
