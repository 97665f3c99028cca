package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"tandem/clients/wording"
	"tandem/proto/yamlfile"
)

// The exit codes, as listed in exitCodes.
const (
	exitOK          = 0
	exitFailure     = 1
	exitUsage       = 2
	exitNotFound    = 3
	exitDenied      = 4
	exitConflict    = 5
	exitUnavailable = 6
	exitInterrupted = 130 // 128 and the number of SIGINT, as shells count
)

// exitCodes is the part of the help that lists them.
const exitCodes = `Exit codes:
  0    done
  1    failure
  2    wrong usage or bad input
  3    not found
  4    denied
  5    conflict: it exists already, or its state does not allow it
  6    the daemon is not available, or gave no answer in time
  130  interrupted`

// usageError is a call that cannot be right: nothing was asked of the daemon.
type usageError struct{ err error }

func (e *usageError) Error() string { return e.err.Error() }
func (e *usageError) Unwrap() error { return e.err }

func usagef(format string, args ...any) error {
	return &usageError{fmt.Errorf(format, args...)}
}

// inputError is a file that cannot be taken as it is: nothing was asked of the daemon.
type inputError struct{ err error }

func (e *inputError) Error() string { return e.err.Error() }
func (e *inputError) Unwrap() error { return e.err }

// remedyError is an error with what can be done about it here: the daemon does not know the words of this program.
type remedyError struct {
	remedy string
	err    error
}

func (e *remedyError) Error() string { return e.err.Error() }
func (e *remedyError) Unwrap() error { return e.err }

// fileError is an error about a file's content, with the lines of its fields.
type fileError struct {
	file  string
	lines yamlfile.Lines
	err   error
}

func (e *fileError) Error() string { return e.err.Error() }
func (e *fileError) Unwrap() error { return e.err }

// sourcesError is an error about the content of several files.
type sourcesError struct {
	sources []source
	err     error
}

func (e *sourcesError) Error() string { return e.err.Error() }
func (e *sourcesError) Unwrap() error { return e.err }

// told is an error that the person has been told of already.
type told struct{ code int }

func (e *told) Error() string { return fmt.Sprintf("exit code %d", e.code) }

// fail tells the person what went wrong and returns the exit code.
func (a *app) fail(ctx context.Context, cmd *cobra.Command, err error) int {
	if t := (*told)(nil); errors.As(err, &t) {
		return t.code
	}
	if ctx.Err() != nil {
		a.warn("tandem: interrupted")
		if line, ok := doubt(err); ok {
			a.warn("%s", line)
		}
		return exitInterrupted
	}
	for i, line := range a.describe(err) {
		if i == 0 {
			line = "tandem: " + line
		}
		a.talk(bad, line)
	}
	if exitCode(err) == exitUnavailable {
		for _, line := range a.nobodyLeads(ctx) {
			a.warn("%s", line)
		}
	}
	if usage := (*usageError)(nil); errors.As(err, &usage) {
		if cmd.Runnable() {
			a.say("usage: %s", cmd.UseLine())
		}
		a.say("see '%s --help'", cmd.CommandPath())
	}
	return exitCode(err)
}

// exitCode maps an error to the exit code that scripts rely on.
func exitCode(err error) int {
	if errors.As(err, new(*usageError)) || errors.As(err, new(*inputError)) {
		return exitUsage
	}
	if errors.Is(err, context.DeadlineExceeded) {
		return exitUnavailable
	}
	st, ok := status.FromError(err)
	if !ok {
		return exitFailure
	}
	switch st.Code() {
	case codes.InvalidArgument, codes.OutOfRange:
		return exitUsage
	case codes.NotFound:
		return exitNotFound
	case codes.PermissionDenied, codes.Unauthenticated:
		return exitDenied
	case codes.AlreadyExists, codes.Aborted, codes.FailedPrecondition:
		return exitConflict
	case codes.Unavailable, codes.DeadlineExceeded, codes.ResourceExhausted:
		return exitUnavailable
	default:
		return exitFailure
	}
}

// describe puts an error into lines: what happened, each bad field, what to do about it.
func (a *app) describe(err error) []string {
	st, ok := status.FromError(err)
	if !ok {
		return plainLines(err)
	}
	// FromError puts the text of wrapping errors in front of the message, so take that of the status itself.
	var from interface{ GRPCStatus() *status.Status }
	if errors.As(err, &from) {
		st = from.GRPCStatus()
	}
	head := brief(err)
	if file := (*fileError)(nil); errors.As(err, &file) {
		head = file.file + ": " + head
	}
	var rest []string
	remedy := ""
	for _, detail := range st.Details() {
		switch d := detail.(type) {
		case *errdetails.ErrorInfo:
			if d.GetReason() != "" {
				head += " (" + d.GetReason() + ")"
			}
			remedy = orElse(d.GetMetadata()["remedy"], remedy)
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				rest = append(rest, violation(err, v.GetField(), v.GetDescription()))
			}
		case *errdetails.PreconditionFailure:
			for _, v := range d.GetViolations() {
				rest = append(rest, v.GetSubject()+": "+v.GetDescription())
			}
		case *errdetails.Help:
			for _, l := range d.GetLinks() {
				remedy = orElse(remedy, strings.TrimSpace(l.GetDescription()+" "+l.GetUrl()))
			}
		case *errdetails.RetryInfo:
			remedy = orElse(remedy, "try again in "+wording.Span(d.GetRetryDelay().AsDuration()))
		}
	}
	if remedy == "" && a.unreachable(st) {
		remedy = "start tandemd, or say where it listens with --address or TANDEM_ADDRESS"
		head = "no daemon answers at " + a.address + ": " + brief(err)
	}
	if here, ok := errors.AsType[*remedyError](err); ok {
		remedy = orElse(remedy, here.remedy)
	}
	line, open := doubt(err)
	if remedy == "" && !open && brokenOff(st) {
		remedy = "run the same command again once the daemon is back"
	}
	lines := append([]string{head}, rest...)
	if remedy != "" {
		lines = append(lines, "remedy: "+remedy)
	}
	if open {
		lines = append(lines, line)
	}
	return lines
}

// plainLines puts an error that is not the daemon's into lines, one for each problem. A line end inside a problem, which
// may come from a file's name, stays inside its line.
func plainLines(err error) []string {
	var several interface{ Unwrap() []error }
	if errors.As(err, &several) {
		var lines []string
		for _, e := range several.Unwrap() {
			lines = append(lines, plainLines(e)...)
		}
		return lines
	}
	if file, ok := errors.AsType[*yamlfile.Error](err); ok {
		var lines []string
		for _, problem := range file.All() {
			alone := *problem
			alone.More = nil
			lines = append(lines, alone.Error())
		}
		return lines
	}
	if text := err.Error(); strings.HasPrefix(text, "unknown command ") {
		// Cobra quotes what was typed and adds lines of its own with what may have been meant.
		return strings.FieldsFunc(text, func(r rune) bool { return r == '\n' })
	}
	return []string{err.Error()}
}

// violation names the file and line, if the request came from one, the field and the problem.
func violation(err error, field, problem string) string {
	if several, ok := errors.AsType[*sourcesError](err); ok {
		for _, s := range several.sources {
			// The last letter of the prefix is a full stop: a problem of the whole has none.
			if rest, ok := strings.CutPrefix(field+".", s.prefix); ok {
				return (&yamlfile.Error{File: s.file, Line: s.lines.At(strings.TrimSuffix(rest, ".")), Field: strings.TrimSuffix(rest, "."), Problem: problem}).Error()
			}
		}
		return field + ": " + problem
	}
	file := (*fileError)(nil)
	if !errors.As(err, &file) {
		return field + ": " + problem
	}
	// A ticket holds the job alone, while the request has it in a field of this name.
	field = strings.TrimPrefix(field, "job.")
	if line := file.lines.At(field); line > 0 {
		return fmt.Sprintf("%s:%d: %s: %s", file.file, line, field, problem)
	}
	return file.file + ": " + field + ": " + problem
}

const dialing = "Error while dialing: "

// What the transport says of a daemon that ends, or of something else that listens there, before the first word and after it.
const (
	noPreface   = "error reading server preface"
	readingFrom = "error reading from server"
)

// brokenOff reports whether the daemon had begun to listen, and its connection ended before its answer did.
func brokenOff(st *status.Status) bool {
	return st.Code() == codes.Unavailable && strings.HasPrefix(st.Message(), readingFrom)
}

func (a *app) unreachable(st *status.Status) bool {
	return st.Code() == codes.Unavailable && (strings.Contains(st.Message(), dialing) || strings.Contains(st.Message(), noPreface))
}

// brief is an error in one short line.
func brief(err error) string {
	st, ok := status.FromError(err)
	if !ok {
		return err.Error()
	}
	var from interface{ GRPCStatus() *status.Status }
	if errors.As(err, &from) {
		st = from.GRPCStatus()
	}
	message := st.Message()
	if i := strings.LastIndex(message, dialing); i >= 0 {
		message = strings.TrimSuffix(message[i+len(dialing):], `"`)
	}
	switch {
	case st.Code() == codes.DeadlineExceeded:
		return "the daemon gave no answer in time"
	case brokenOff(st):
		return "the daemon ended, or the way to it, before it had answered: " + message
	case message == "":
		return strings.ToLower(st.Code().String())
	default:
		return message
	}
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}
