package api

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"strconv"
	"unicode"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"

	"tandem/daemon/engine"
	"tandem/daemon/space"
	"tandem/scheduler/floor"
)

// domain is google.rpc.ErrorInfo.domain of every error of ours.
const domain = "tandem"

var kindCodes = map[floor.Kind]codes.Code{
	floor.Invalid:   codes.InvalidArgument,
	floor.NotFound:  codes.NotFound,
	floor.Exists:    codes.AlreadyExists,
	floor.Conflict:  codes.FailedPrecondition,
	floor.Forbidden: codes.PermissionDenied,
	floor.Stale:     codes.Aborted,
}

// toStatus maps errors to gRPC in one place. Every error of ours has an ErrorInfo; bad fields come as BadRequest.
func toStatus(err error) error {
	if err == nil {
		return nil
	}
	if _, ok := status.FromError(err); ok {
		return err
	}
	var fe *floor.Error
	var compacted *engine.CompactedError
	var readOnly *space.Error
	var ahead *aheadError
	var changed *changedError
	switch {
	case errors.As(err, &fe):
		return floorStatus(fe)
	case errors.As(err, &compacted):
		return withInfo(codes.OutOfRange, "REVISION_COMPACTED",
			fmt.Sprintf("the ledger no longer holds that revision; its oldest is %d: begin again from the present state with revision 0", compacted.Oldest),
			map[string]string{"oldest_revision": strconv.FormatUint(compacted.Oldest, 10)})
	case errors.As(err, &readOnly):
		return readOnlyStatus(readOnly, readOnly.Metadata())
	case errors.As(err, &ahead):
		return withInfo(codes.OutOfRange, "REVISION_AHEAD", ahead.Error()+": this is another ledger, or one restored from a backup; begin again with 0",
			map[string]string{"newest_revision": strconv.FormatUint(ahead.newest, 10)})
	case errors.As(err, &changed):
		return withInfo(codes.OutOfRange, "HISTORY_CHANGED", changed.Error()+": the ledger was restored from a backup; begin again with 0", nil)
	case errors.Is(err, engine.ErrStopped):
		return withInfo(codes.Unavailable, "ENGINE_STOPPED", "the daemon is stopping or restarting its ledger; ask again with the same request id", nil)
	case errors.Is(err, context.Canceled):
		return status.FromContextError(context.Canceled).Err()
	case errors.Is(err, context.DeadlineExceeded):
		return status.FromContextError(context.DeadlineExceeded).Err()
	}
	return withInfo(codes.Internal, "INTERNAL", err.Error(), nil)
}

// aheadError says that the ledger has not come as far as a watcher.
type aheadError struct{ revision, newest uint64 }

func (e *aheadError) Error() string {
	return fmt.Sprintf("revision %d is newer than the ledger's last, %d", e.revision, e.newest)
}

// changedError says that the ledger has another revision of that number than the watcher has seen.
type changedError struct{ revision uint64 }

func (e *changedError) Error() string {
	return fmt.Sprintf("revision %d is not the one you saw", e.revision)
}

func floorStatus(e *floor.Error) error {
	st := status.New(kindCodes[e.Kind], e.Message)
	details := []protoadapt.MessageV1{&errdetails.ErrorInfo{Reason: e.Reason, Domain: domain, Metadata: maps.Clone(e.Metadata)}}
	if len(e.Violations) > 0 {
		bad := &errdetails.BadRequest{}
		for _, v := range e.Violations {
			bad.FieldViolations = append(bad.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: v.Field, Description: v.Problem, Reason: "INVALID_FIELD"})
		}
		details = append(details, bad)
	}
	if with, err := st.WithDetails(details...); err == nil {
		st = with
	}
	return st.Err()
}

func withInfo(c codes.Code, reason, message string, metadata map[string]string) error {
	st := status.New(c, message)
	if with, err := st.WithDetails(&errdetails.ErrorInfo{Reason: reason, Domain: domain, Metadata: metadata}); err == nil {
		st = with
	}
	return st.Err()
}

func badField(field, format string, args ...any) error {
	return &floor.Error{
		Kind: floor.Invalid, Reason: "INVALID_FIELD", Message: "the request has a bad field",
		Violations: []floor.Violation{{Field: field, Problem: fmt.Sprintf(format, args...)}},
	}
}

// plain holds short texts that are stored and shown to be printable.
func plain(field, s string, most int) error {
	if len(s) > most {
		return badField(field, "has %d bytes, at most %d are taken", len(s), most)
	}
	if !utf8.ValidString(s) {
		return badField(field, "is not UTF-8")
	}
	for _, r := range s {
		if unicode.IsControl(r) {
			return badField(field, "holds control characters")
		}
	}
	if s != "" && floor.Blank(s) {
		return badField(field, "holds nothing that can be read: use letters or digits")
	}
	return nil
}
