package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
)

func detailed(t *testing.T, code codes.Code, message string, details ...protoadapt.MessageV1) error {
	t.Helper()
	s, err := status.New(code, message).WithDetails(details...)
	if err != nil {
		t.Fatal(err)
	}
	return s.Err()
}

// TestExitCodes holds what scripts rely on, for each code of gRPC.
func TestExitCodes(t *testing.T) {
	for code, want := range map[codes.Code]int{
		codes.InvalidArgument:    exitUsage,
		codes.OutOfRange:         exitUsage,
		codes.NotFound:           exitNotFound,
		codes.PermissionDenied:   exitDenied,
		codes.Unauthenticated:    exitDenied,
		codes.AlreadyExists:      exitConflict,
		codes.Aborted:            exitConflict,
		codes.FailedPrecondition: exitConflict,
		codes.Unavailable:        exitUnavailable,
		codes.DeadlineExceeded:   exitUnavailable,
		codes.ResourceExhausted:  exitUnavailable,
		codes.Internal:           exitFailure,
		codes.Unknown:            exitFailure,
		codes.Unimplemented:      exitFailure,
		codes.DataLoss:           exitFailure,
		codes.Canceled:           exitFailure,
	} {
		t.Run(code.String(), func(t *testing.T) {
			f := newFake(t)
			f.fail["HoldJob"] = status.Error(code, "no luck")
			got, stdout, stderr := f.tandem(t, "hold", "parked")
			if got != want {
				t.Errorf("exit %d, want %d: %s", got, want, stderr)
			}
			if stdout != "" || !strings.HasPrefix(stderr, "tandem: ") {
				t.Errorf("stdout %q, stderr %q: want one line of talk", stdout, stderr)
			}
		})
	}
}

func TestUsageErrors(t *testing.T) {
	tests := []struct {
		args []string
		want string // in the talk
	}{
		{[]string{"submt"}, "Did you mean this?"},
		{[]string{"hold"}, "usage: tandem hold JOB"},
		{[]string{"hold", "a", "b"}, "usage: tandem hold JOB"},
		{[]string{"jobs", "--jsn"}, "unknown flag: --jsn"},
		{[]string{"jobs", "--all", "x"}, "leave them out with a job"},
		{[]string{"jobs", "--all", "--state", "pending"}, "exclude each other"},
		{[]string{"jobs", "--state", "cancelled"}, "canceled, completed"},
		{[]string{"remake", "j", "cut", "0"}, "1 or more"},
		{[]string{"remake", "j", "cut", "many"}, `"many"`},
		{[]string{"remake", "j", "cut", "99999999999"}, "1 or more"},
		{[]string{"resolve", "r1"}, "RUN keep N"},
		{[]string{"resolve", "r1", "keep"}, "RUN keep N"},
		{[]string{"resolve", "r1", "keep", "-1"}, "shorthand"},
		{[]string{"resolve", "r1", "keep", "--", "-1"}, "0 or more"},
		{[]string{"resolve", "r1", "done", "3"}, "takes no number"},
		{[]string{"resolve", "r1", "lost"}, "use done, keep N, again or abandon"},
		{[]string{"finish", "r1", "--spoiled", "-2"}, "0 or more"},
		{[]string{"override", "j", "dry"}, `"note" not set`},
		{[]string{"lock", "cutter-1"}, `"note" not set`},
		{[]string{"scan", "X", "--station", "Bad Station"}, "--station is"},
		{[]string{"scan", "X", "--device", "*"}, "--device is"},
		{[]string{"station", "--keep", "0s"}, "--keep is"},
		{[]string{"events", "--after", "1", "--last", "2"}, "after last"},
		{[]string{"watch", "--live"}, "--live redraws a terminal"},
		{[]string{"watch", "--live", "--job", "x"}, "live"},
		{[]string{"floor", "--width", "-1"}, "--width is -1"},
		{[]string{"status", "--address", "nowhere"}, "host:port"},
		{[]string{"status", "--timeout", "0s"}, "--timeout is 0s"},
		{[]string{"hold", "j", "--actor", ""}, "who asks?"},
		{[]string{"submit", "--actor", "", "testdata/ticket.yaml"}, "who asks?"},
		{[]string{"submit"}, "usage: tandem submit FILE..."},
		{[]string{"hold", "shop-window", "--note", "caf\xe9"}, `--note is not UTF-8: "caf\xe9"`},
		{[]string{"load", "cutter-1", "--lot", "\xff"}, `--lot is not UTF-8: "\xff"`},
		{[]string{"jobs", "--actor", "Ren\xe9"}, `--actor is not UTF-8: "Ren\xe9"`},
		{[]string{"why", "shop-window", "d\xe9coupe"}, `argument "d\xe9coupe" is not UTF-8`},
		{[]string{"submit", "no-such-file-\xe9.yaml"}, "no such file"},
		{[]string{"submit", "no-such-file.yaml"}, "no-such-file.yaml"},
	}
	for _, tt := range tests {
		t.Run(strings.Join(tt.args, "_"), func(t *testing.T) {
			f := newFake(t)
			code, stdout, stderr := f.tandem(t, tt.args...)
			if code != exitUsage {
				t.Errorf("exit %d, want %d", code, exitUsage)
			}
			if stdout != "" {
				t.Errorf("data on standard output: %q", stdout)
			}
			if !strings.Contains(stderr, tt.want) || !strings.HasPrefix(stderr, "tandem: ") {
				t.Errorf("talk %q, want %q in it", stderr, tt.want)
			}
			if len(f.requests) > 0 {
				t.Errorf("the daemon was asked: %v", f.requests)
			}
		})
	}
}

// TestErrorText holds how the details of google.rpc are told.
func TestErrorText(t *testing.T) {
	tests := []struct {
		name string
		err  error
		want string
	}{
		{
			"reason", detailed(t, codes.FailedPrecondition, "the job has ended", &errdetails.ErrorInfo{Reason: "JOB_ENDED", Domain: "tandem"}),
			"tandem: the job has ended (JOB_ENDED)\n",
		},
		{
			"fields", detailed(t, codes.InvalidArgument, "the request has bad fields", &errdetails.ErrorInfo{Reason: "INVALID_FIELD"}, &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
				{Field: "pieces", Description: "is 0: at least 1"}, {Field: "note", Description: "is missing"},
			}}),
			"tandem: the request has bad fields (INVALID_FIELD)\npieces: is 0: at least 1\nnote: is missing\n",
		},
		{
			"remedy", detailed(t, codes.FailedPrecondition, "the disk is full", &errdetails.ErrorInfo{Reason: "FULL", Metadata: map[string]string{"remedy": "make room"}}),
			"tandem: the disk is full (FULL)\nremedy: make room\n",
		},
		{
			"help", detailed(t, codes.FailedPrecondition, "no", &errdetails.Help{Links: []*errdetails.Help_Link{{Description: "read this", Url: "file:readme"}}}),
			"tandem: no\nremedy: read this file:readme\n",
		},
		{
			"precondition", detailed(t, codes.FailedPrecondition, "no", &errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{{Subject: "cutter-1", Description: "is locked"}}}),
			"tandem: no\ncutter-1: is locked\n",
		},
		{
			"retry", detailed(t, codes.ResourceExhausted, "too many", &errdetails.RetryInfo{RetryDelay: durationpb.New(5 * time.Second)}),
			"tandem: too many\nremedy: try again in 5 s\n",
		},
		{"no text", status.Error(codes.Unimplemented, ""), "tandem: unimplemented\n"},
		{
			"unavailable: how to repeat", status.Error(codes.Unavailable, "stopping"),
			"tandem: stopping\nthe change may have been made all the same: to ask for the same change again, add --request-id k1\n",
		},
		{
			"no space: nothing to repeat", detailed(t, codes.Unavailable, "the disk is nearly full", &errdetails.ErrorInfo{Reason: "LEDGER_READ_ONLY", Domain: "tandem"}),
			"tandem: the disk is nearly full (LEDGER_READ_ONLY)\n",
		},
		{
			"hostile", detailed(t, codes.FailedPrecondition, "\x1b[2Jgone\r\nforged line", &errdetails.ErrorInfo{Reason: "\x1b[31m"}),
			"tandem: \\x1b[2Jgone  forged line (\\x1b[31m)\n",
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := newFake(t)
			f.fail["HoldJob"] = tt.err
			_, _, stderr := f.tandem(t, "hold", "parked", "--request-id", "k1")
			if stderr != tt.want {
				t.Errorf("got\n%s\nwant\n%s", stderr, tt.want)
			}
		})
	}
}

// TestStartRemedy names the flag that overrides what is loaded, where that can be overridden.
func TestStartRemedy(t *testing.T) {
	for reason, want := range map[string]string{
		"MEDIA_MISMATCH": "remedy: put right what is loaded, or if it is right as it is: tandem start r11 --override WHY\n",
		"LOT_TOO_SHORT":  "remedy: put right what is loaded, or if it is right as it is: tandem start r11 --override WHY\n",
		"NOT_READY":      "",
	} {
		f := newFake(t)
		f.fail["StartRun"] = detailed(t, codes.FailedPrecondition, "run r11 cannot start", &errdetails.ErrorInfo{Reason: reason, Domain: "tandem"})
		code, _, stderr := f.tandem(t, "start", "r11")
		if want = caution + "\ntandem: run r11 cannot start (" + reason + ")\n" + want; code != exitConflict || stderr != want {
			t.Errorf("%s: exit %d, talk\n%s\nwant\n%s", reason, code, stderr, want)
		}
	}
}

// TestUndecided holds after which errors a change may have been made all the same: a refusal is none of them.
func TestUndecided(t *testing.T) {
	reason := func(c codes.Code, name string, facts map[string]string) error {
		return detailed(t, c, "no", &errdetails.ErrorInfo{Reason: name, Domain: "tandem", Metadata: facts})
	}
	tests := []struct {
		err  error
		want bool
	}{
		{status.Error(codes.Unavailable, "connection reset"), true},
		{status.Error(codes.DeadlineExceeded, ""), true},
		{status.Error(codes.Unknown, "what a proxy says"), true},
		{status.Error(codes.Internal, "stream reset"), true},
		{reason(codes.Internal, "BUG", nil), true},
		{reason(codes.Unavailable, "ENGINE_STOPPED", nil), true},
		{reason(codes.Unavailable, "LEAD_LOST", nil), true},
		{reason(codes.Unavailable, "NOT_LEADER", nil), true},
		{reason(codes.Unavailable, "LEDGER_OPENING", nil), true},
		{reason(codes.Unavailable, "LEDGER_READ_ONLY", map[string]string{"free_bytes": "7", "opening": "true"}), true},
		{reason(codes.Unavailable, "LEDGER_READ_ONLY", map[string]string{"free_bytes": "7"}), false},
		{reason(codes.InvalidArgument, "INVALID_FIELD", nil), false},
		{reason(codes.FailedPrecondition, "JOB_ENDED", nil), false},
		{reason(codes.PermissionDenied, "LOCKED_BY_ANOTHER", nil), false},
		{reason(codes.Aborted, "STALE_FENCE", nil), false},
		{reason(codes.ResourceExhausted, "BACKUP_UNDER_WAY", nil), false},
		{status.Error(codes.Unimplemented, "unknown method"), false},
	}
	for _, tt := range tests {
		for wrapped, said := range map[error]string{
			&changeError{"k1", &fileError{file: "a.yaml", err: tt.err}}: "the change may have been made all the same: to ask for the same change again, add --request-id k1",
			&scanError{tt.err}: "it may count all the same: look before you hand it in again",
			tt.err:             "", // nothing was to be changed
		} {
			line, ok := doubt(wrapped)
			if want := tt.want && said != ""; ok != want || (want && line != said) {
				t.Errorf("%T, %v: %t, %q; want %t, %q", wrapped, tt.err, ok, line, want, said)
			}
		}
	}
}

// TestSubmitErrors names file, line and field, and goes on with the other files.
func TestSubmitErrors(t *testing.T) {
	f := newFake(t)
	f.fail["CreateJob"] = detailed(t, codes.InvalidArgument, "the request has bad fields", &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
		{Field: "steps[0].operation", Description: "is not known"}, {Field: "job.steps[1].after[0]", Description: "is not a step"}, {Field: "actor", Description: "is empty"},
	}})
	code, stdout, stderr := f.tandem(t, "submit", "testdata/ticket.yaml")
	want := `tandem: testdata/ticket.yaml: the request has bad fields
testdata/ticket.yaml:5: steps[0].operation: is not known
testdata/ticket.yaml:9: steps[1].after[0]: is not a step
testdata/ticket.yaml: actor: is empty
`
	if code != exitUsage || stdout != "" || stderr != want {
		t.Errorf("exit %d, talk\n%s\nwant\n%s", code, stderr, want)
	}

	// The second file is tried although the first failed.
	code, _, stderr = f.tandem(t, "submit", "testdata/ticket.yaml", "testdata/ticket.json")
	if code != exitUsage || !strings.Contains(stderr, "testdata/ticket.json: the request") {
		t.Errorf("exit %d, talk\n%s", code, stderr)
	}
	if n := len(sent[*tandemv1.CreateJobRequest](f)); n != 3 {
		t.Errorf("%d requests, want 3", n)
	}

	// A daemon that is away is not asked for the rest.
	f = newFake(t)
	f.fail["CreateJob"] = status.Error(codes.Unavailable, "stopping")
	code, _, stderr = f.tandem(t, "submit", "--request-id", "k", "testdata/ticket.yaml", "testdata/ticket.json")
	if code != exitUnavailable || !strings.Contains(stderr, "1 more file not tried") || !strings.Contains(stderr, "--request-id k-1") {
		t.Errorf("exit %d, talk\n%s", code, stderr)
	}
}

// TestBadTicketHandsInNothing: one bad file of two, and nothing is sent.
func TestBadTicketHandsInNothing(t *testing.T) {
	f := newFake(t)
	bad := filepath.Join(t.TempDir(), "bad.yaml")
	if err := os.WriteFile(bad, []byte("id: x\nstepz: []\npieces: many\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	code, stdout, stderr := f.tandem(t, "submit", "testdata/ticket.yaml", bad)
	if code != exitUsage || stdout != "" {
		t.Errorf("exit %d, data %q", code, stdout)
	}
	for _, want := range []string{"bad.yaml:2: \"stepz\"", "bad.yaml:3: pieces"} {
		if !strings.Contains(stderr, want) {
			t.Errorf("no %q in\n%s", want, stderr)
		}
	}
	if len(f.requests) > 0 {
		t.Errorf("the daemon was asked: %v", f.requests)
	}
}

func TestNoDaemon(t *testing.T) {
	f := newFake(t)
	f.stop()
	code, stdout, stderr := f.tandem(t, "jobs")
	if code != exitUnavailable || stdout != "" {
		t.Errorf("exit %d, data %q", code, stdout)
	}
	for _, want := range []string{"tandem: no daemon answers at 127.0.0.1:7431: ", "connection refused", "remedy: start tandemd"} {
		if !strings.Contains(stderr, want) {
			t.Errorf("no %q in\n%s", want, stderr)
		}
	}
	if code, _, _ := f.tandem(t, "watch"); code != exitUnavailable {
		t.Errorf("watch: exit %d, want %d at once", code, exitUnavailable)
	}
}

func TestTimeout(t *testing.T) {
	f := newFake(t)
	f.scan = func(*tandemv1.RecordScanRequest) (*tandemv1.RecordScanResponse, error) {
		return nil, status.Error(codes.DeadlineExceeded, "context deadline exceeded")
	}
	code, _, stderr := f.tandem(t, "scan", "P1")
	if code != exitUnavailable || stderr != "tandem: the daemon gave no answer in time\nit may count all the same: look before you hand it in again\n" {
		t.Errorf("exit %d, talk %q", code, stderr)
	}
}

func TestInterrupted(t *testing.T) {
	f := newFake(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for args, want := range map[string]string{
		"jobs":                        "tandem: interrupted\n",
		"hold parked --request-id k1": "tandem: interrupted\nthe change may have been made all the same: to ask for the same change again, add --request-id k1\n",
	} {
		s, _, errs := f.surroundings(strings.Fields(args)...)
		if code := run(ctx, s); code != exitInterrupted || errs.String() != want {
			t.Errorf("%s: exit %d, want %d: %q, want %q", args, code, exitInterrupted, errs, want)
		}
	}
}

// TestScanExit holds the exit codes of refused scans, and that the rest is not handed in.
func TestScanExit(t *testing.T) {
	for outcome, want := range map[tandemv1.RecordScanResponse_Outcome]int{
		tandemv1.RecordScanResponse_OUTCOME_WRONG_STATION: exitConflict,
		tandemv1.RecordScanResponse_OUTCOME_NOT_READY:     exitConflict,
		tandemv1.RecordScanResponse_OUTCOME_UNKNOWN_CODE:  exitNotFound,
		tandemv1.RecordScanResponse_OUTCOME_DUPLICATE:     exitOK,
		tandemv1.RecordScanResponse_OUTCOME_NEXT_SCAN:     exitOK,
	} {
		t.Run(outcome.String(), func(t *testing.T) {
			f := newFake(t)
			f.scan = func(*tandemv1.RecordScanRequest) (*tandemv1.RecordScanResponse, error) {
				return &tandemv1.RecordScanResponse{Outcome: outcome, Message: "m"}, nil
			}
			code, _, _ := f.tandem(t, "scan", "A", "B")
			if code != want {
				t.Errorf("exit %d, want %d", code, want)
			}
			if n := len(sent[*tandemv1.RecordScanRequest](f)); (n == 2) != (want == exitOK) {
				t.Errorf("%d scans handed in", n)
			}
		})
	}
}

// broken is a standard output that fails, like a full disk.
type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, errors.New("no space left on device") }

func TestBrokenOutputIsAnError(t *testing.T) {
	f := newFake(t)
	s, _, errs := f.surroundings("jobs")
	s.stdout = broken{}
	if code := run(t.Context(), s); code != exitFailure || !strings.Contains(errs.String(), "no space left") {
		t.Errorf("exit %d, talk %q", code, errs)
	}
}

func TestClockOfTheFloor(t *testing.T) {
	f := newFake(t)
	f.fail["GetStatus"] = status.Error(codes.PermissionDenied, "not for you")
	code, stdout, stderr := f.tandem(t, "jobs")
	if code != exitOK || !strings.Contains(stderr, "the floor's clock is not known (not for you)") {
		t.Errorf("exit %d, talk %q: want the jobs all the same, and a warning", code, stderr)
	}
	if !strings.Contains(stdout, "late by 13 h") {
		t.Errorf("times are not relative to this computer's clock:\n%s", stdout)
	}
}

// TestHelp holds that every command shows examples before anything else, and that the exit codes are in the help.
func TestHelp(t *testing.T) {
	f := newFake(t)
	code, stdout, _ := f.tandem(t, "--help")
	if code != exitOK || !strings.Contains(stdout, exitCodes) {
		t.Errorf("exit %d, no exit codes in\n%s", code, stdout)
	}
	golden(t, "help", stdout)
	s, _, _ := f.surroundings()
	a := &app{system: s, printer: newPrinter(s)}
	for _, cmd := range a.root().Commands() {
		if cmd.Name() == "completion" || cmd.Name() == "help" {
			continue
		}
		code, stdout, _ := f.tandem(t, cmd.Name(), "--help")
		examples, usage := strings.Index(stdout, "Examples:"), strings.Index(stdout, "Usage:")
		if code != exitOK || examples < 0 || usage < examples || !strings.Contains(stdout, "tandem "+cmd.Name()) {
			t.Errorf("%s: exit %d, help does not begin with examples:\n%s", cmd.Name(), code, stdout)
		}
		for line := range strings.SplitSeq(cmd.Example+"\n"+cmd.Long, "\n") {
			if len(line) > 120 {
				t.Errorf("%s: line of %d characters: %s", cmd.Name(), len(line), line)
			}
		}
	}
}

// TestReadme holds that the page beside this file names every command and exit code.
func TestReadme(t *testing.T) {
	data, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	readme := strings.ReplaceAll(string(data), `\|`, "|") // escaped in a table
	s, _, _ := newFake(t).surroundings()
	a := &app{system: s, printer: newPrinter(s)}
	for _, cmd := range a.root().Commands() {
		if !strings.Contains(readme, "`"+strings.Split(cmd.Use, " --")[0]+"`") {
			t.Errorf("README.md does not name `%s`", cmd.Use)
		}
	}
	for _, line := range strings.Split(exitCodes, "\n")[1:] {
		code, meaning, _ := strings.Cut(strings.TrimSpace(line), " ")
		if row := "| " + code + " | " + strings.TrimSpace(meaning) + " |"; !strings.Contains(readme, row) {
			t.Errorf("README.md has no row %q", row)
		}
	}
}

func TestCompletionAndVersion(t *testing.T) {
	f := newFake(t)
	f.stop() // neither needs a daemon
	for _, shell := range []string{"bash", "zsh", "fish", "powershell"} {
		if code, stdout, stderr := f.tandem(t, "completion", shell); code != exitOK || len(stdout) < 1000 {
			t.Errorf("completion %s: exit %d, %d bytes, talk %q", shell, code, len(stdout), stderr)
		}
	}
	if code, stdout, _ := f.tandem(t, "version"); code != exitOK || strings.TrimSpace(stdout) == "" {
		t.Errorf("version: exit %d, %q", code, stdout)
	}
	if _, stdout, _ := f.tandem(t, "version", "--json"); stdout != fmt.Sprintf("{\"version\":%q}\n", programVersion()) {
		t.Errorf("version --json: %q", stdout)
	}
}

// A daemon that ends in the middle of an answer is told as that, with what helps: for a change the key comes instead, as it may be made.
func TestDaemonDiesBeforeItsAnswer(t *testing.T) {
	broken := status.Error(codes.Unavailable, "error reading from server: EOF")
	const ended = "the daemon ended, or the way to it, before it had answered: error reading from server: EOF"
	for name, c := range map[string]struct {
		err  error
		want []string
	}{
		"a question":   {broken, []string{ended, "remedy: run the same command again once the daemon is back"}},
		"a change":     {&changeError{err: broken, requestID: "k1"}, []string{ended, "the change may have been made all the same: to ask for the same change again, add --request-id k1"}},
		"with its own": {&remedyError{"look", broken}, []string{ended, "remedy: look"}},
		"the first word": {status.Error(codes.Unavailable, `connection error: desc = "error reading server preface: EOF"`), []string{
			`no daemon answers at 127.0.0.1:1: connection error: desc = "error reading server preface: EOF"`,
			"remedy: start tandemd, or say where it listens with --address or TANDEM_ADDRESS",
		}},
	} {
		if got := (&app{address: "127.0.0.1:1"}).describe(c.err); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q", name, got)
		}
	}
}
