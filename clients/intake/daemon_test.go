package intake

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	tandemv1 "tandem/proto/tandem/v1"
)

var errDown = status.Error(codes.Unavailable, `connection error: desc = "transport: Error while dialing: dial tcp 127.0.0.1:7431: connect: connection refused"`)

func TestDaemonAway(t *testing.T) {
	inBubble(func(r *rig) {
		r.daemon.fail = func(*tandemv1.CreateJobRequest) error { return errDown }
		stop := r.watch()
		r.put("a.yaml", ticket("a"))
		r.put("b.yaml", ticket("b"))
		r.put("bad.yaml", "colour: red\n")
		seconds(600)
		r.wantTree("a.yaml b.yaml refused/bad.yaml refused/bad.yaml.reason.txt") // what needs no daemon goes on
		if n := r.daemon.asked(); n < 20 || n > 40 {
			r.Errorf("asked %d times in 10 minutes, want with growing gaps up to 30 s", n)
		}
		r.daemon.set(func(d *daemon) { d.fail = nil })
		seconds(31)
		r.wantTree("done/a.yaml done/b.yaml refused/bad.yaml refused/bad.yaml.reason.txt")
		r.wantJobs("a", "b")
		sum := stop()
		r.wantTold("started, lost, refused bad.yaml, back, taken a.yaml, taken b.yaml, stopped")
		if sum.Lost != nil || sum.Left != 0 {
			r.Errorf("summary %+v", sum)
		}
		if text := r.events[1].Text; !strings.Contains(text, "connection refused") || strings.Contains(text, "transport") {
			r.Errorf("told %q", text)
		}
	})(t)
	for code, kind := range map[codes.Code]Kind{
		codes.Unavailable: Lost, codes.DeadlineExceeded: Lost, codes.ResourceExhausted: Lost, codes.PermissionDenied: Lost,
		codes.Unauthenticated: Lost, codes.Unimplemented: Lost, codes.Canceled: Lost,
		codes.InvalidArgument: Refused, codes.OutOfRange: Refused, codes.FailedPrecondition: Refused, codes.NotFound: Refused, codes.AlreadyExists: Refused,
		codes.Internal: Waiting, codes.Unknown: Waiting, codes.DataLoss: Waiting, codes.Aborted: Waiting,
	} {
		t.Run("once, "+code.String(), inBubble(func(r *rig) {
			r.daemon.fail = func(*tandemv1.CreateJobRequest) error { return status.Error(code, "no luck") }
			r.put("a.yaml", ticket("a"))
			sum := r.once()
			if lost := kind == Lost; (sum.Lost != nil) != lost || (sum.Left == 1) != lost || (sum.Refused == 1) == lost {
				r.Errorf("summary %+v", sum)
			}
			if e := r.events[0]; e.Kind != kind {
				r.Errorf("told %+v", e)
			}
			if kind == Waiting && (r.daemon.asked() != maxAttempts || r.events[1].Kind != Refused) {
				r.Errorf("asked %d times, told %s", r.daemon.asked(), r.told())
			}
		}))
	}
	t.Run("once, without space", inBubble(func(r *rig) {
		full, err := status.New(codes.Unavailable, "the disk is nearly full").WithDetails(&errdetails.ErrorInfo{Reason: "LEDGER_READ_ONLY", Domain: "tandem"})
		if err != nil {
			r.Fatal(err)
		}
		r.daemon.fail = func(*tandemv1.CreateJobRequest) error { return full.Err() }
		r.put("a.yaml", ticket("a"))
		if sum := r.once(); sum.Lost == nil || sum.Left != 1 {
			r.Errorf("summary %+v", sum)
		}
		if text := r.events[0].Text; text != "the daemon takes no new work in (the disk is nearly full): files stay and are tried again" {
			r.Errorf("told %q", text)
		}
	}))
	t.Run("no answer in time", inBubble(func(r *rig) {
		r.daemon.during = func() { time.Sleep(time.Minute) }
		r.put("a.yaml", ticket("a"))
		if sum := r.once(); sum.Lost == nil || sum.Left != 1 {
			r.Errorf("summary %+v", sum)
		}
	}))
}

func TestViolations(t *testing.T) {
	inBubble(func(r *rig) {
		r.daemon.fail = func(*tandemv1.CreateJobRequest) error {
			st, err := status.New(codes.InvalidArgument, "the job cannot be made").WithDetails(&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
				{Field: "job.items[0].media", Description: "there is no media foil-navy in the floor file"},
				{Field: "job.items[0].quantity", Description: "5 is not between 6 and 7"},
			}})
			if err != nil {
				panic(err)
			}
			return st.Err()
		}
		r.put("cut.svg", "<svg/>")
		r.put("a.yaml", itemTicket("order", "cut.svg", ""))
		r.once()
		r.wantTree("cut.svg refused/a.yaml refused/a.yaml.reason.txt")
		r.has("refused/a.yaml.reason.txt", "- line 7, items[0].media: there is no media foil-navy in the floor file\n- line 6, items[0].quantity: 5 is")
		r.put("b.xjdf", testdata(r, "xjdf/tide-stickers.xjdf"))
		r.once()
		r.has("refused/b.xjdf.reason.txt", "- items[0].media (XJDF/ResourceSet[6]/Resource): there is no media")
	})(t)
}
