package intake

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"tandem/clients/dial"
	"tandem/clients/ticketfile"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// failed decides what an error of the daemon means for a file. It returns whether there is an answer.
func (f *folder) failed(ctx context.Context, one *file, o order, err error) bool {
	if ctx.Err() != nil {
		return false // we are ending; the file asks again next time
	}
	switch status.Code(err) {
	case codes.InvalidArgument, codes.OutOfRange, codes.FailedPrecondition, codes.NotFound:
		f.heard()
		return f.refuse(one, f.violations(one, o, err)...)
	case codes.AlreadyExists:
		f.heard()
		return f.exists(ctx, one, o, err)
	case codes.Internal, codes.Unknown, codes.DataLoss, codes.Aborted:
		f.heard()
		return f.unexplained(one, err)
	default: // not reachable, too busy, or not for us: nothing that the file could help
		f.lose(err)
		one.after = f.lostUntil
		return false
	}
}

// exists finds out whether the job of that id is what this file asks for.
func (f *folder) exists(ctx context.Context, one *file, o order, taken error) bool {
	limited, cancel := context.WithTimeout(ctx, f.Timeout)
	defer cancel()
	id := o.ticket.Job.GetId()
	job, err := f.Jobs.GetJob(limited, &tandemv1.GetJobRequest{Id: id})
	switch {
	case status.Code(err) == codes.AlreadyExists:
		return f.unexplained(one, err)
	case err != nil && status.Code(err) != codes.NotFound:
		return f.failed(ctx, one, o, err)
	case err == nil && job.GetLabels()[contentLabel] == o.digest:
		f.accept(one, o, job)
		if e := &one.answer.event; e.Kind == Taken && !f.knows(o.digest) {
			e.Kind, e.Text = Same, "the same as the job "+id+", taken in before"
			one.answer.note = noteText(one.name, *e, o, job)
		}
		return true
	}
	if err != nil { // the key was used for something else
		return f.refuse(one, f.located(one, o, "job.id", brief(taken)+": give this one an id of its own"))
	}
	facts := fmt.Sprintf("code %s, %s", job.GetCode(), wording.JobState(job.GetState()))
	if t := job.GetCreateTime(); t != nil {
		facts += ", on " + t.AsTime().Format("2006-01-02 15:04 UTC")
	}
	problem := fmt.Sprintf("%s was handed in before with other content (%s): give this one an id of its own", id, facts)
	if job.GetLabels()[contentLabel] == "" { // what came in by another door says nothing of what it was made from
		problem = fmt.Sprintf("there is a job %s already, which came by another way than a watched folder (%s): if it is the same order, "+
			"leave it at that; else give this one an id of its own", id, facts)
	}
	return f.refuse(one, f.located(one, o, "job.id", problem))
}

func (f *folder) knows(digest string) bool {
	_, known := f.journal.find(digest)
	return known
}

// violations puts an error of the daemon into the words of the ticket.
func (f *folder) violations(one *file, o order, err error) []ticketfile.Problem {
	st := status.Convert(err)
	var out []ticketfile.Problem
	for _, detail := range st.Details() {
		switch d := detail.(type) {
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				out = append(out, f.located(one, o, v.GetField(), v.GetDescription()))
			}
		case *errdetails.PreconditionFailure:
			for _, v := range d.GetViolations() {
				out = append(out, ticketfile.Problem{Field: v.GetSubject(), Problem: v.GetDescription()})
			}
		}
	}
	if len(out) == 0 {
		out = append(out, ticketfile.Problem{Problem: brief(err)})
	}
	return out
}

// unexplained tries again what the daemon could not answer, some times: nobody can say what it has to do with the file, and
// one file must not stop the others.
func (f *folder) unexplained(one *file, err error) bool {
	one.attempts++
	if one.attempts < maxAttempts {
		one.wait = nextWait(one.wait)
		one.after = time.Now().Add(one.wait)
		if one.told != Waiting {
			one.told = Waiting
			f.tell(Event{Kind: Waiting, File: one.name, Text: "the daemon has failed on it (" + brief(err) + "): trying again"})
		}
		return false
	}
	return f.refuse(one, ticketfile.Problem{Problem: fmt.Sprintf("the daemon has failed on it %d times: %s; its log may say more. "+
		"Whether the job is there, 'tandem jobs' says; to try again put the file back: the same file makes no second job", one.attempts, brief(err))})
}

// lose notes that the daemon does not answer. It is told once.
func (f *folder) lose(err error) {
	if f.lost == nil {
		f.lostWait = 0
		text := "the daemon does not answer (" + brief(err) + ")"
		switch code := status.Code(err); {
		case code == codes.PermissionDenied, code == codes.Unauthenticated:
			text = "the daemon does not let us in (" + brief(err) + ")"
		case code == codes.ResourceExhausted:
			text = "the daemon is too busy (" + brief(err) + ")"
		case dial.WithoutSpace(err):
			text = "the daemon takes no new work in (" + brief(err) + ")"
		}
		f.tell(Event{Kind: Lost, Text: text + ": files stay and are tried again"})
	}
	f.lost = err
	f.lostWait = nextWait(f.lostWait)
	f.lostUntil = time.Now().Add(f.lostWait)
	f.sum.Lost = err
}

// heard notes that the daemon has answered.
func (f *folder) heard() {
	if f.lost != nil {
		f.tell(Event{Kind: Back, Text: "the daemon answers again"})
	}
	f.lost, f.sum.Lost, f.lostWait, f.lostUntil = nil, nil, 0, time.Time{}
}

// brief is an error of the daemon in one short line.
func brief(err error) string {
	if errors.Is(err, context.DeadlineExceeded) || status.Code(err) == codes.DeadlineExceeded {
		return "no answer in time"
	}
	message := status.Convert(err).Message()
	const dialing = "Error while dialing: "
	if i := strings.LastIndex(message, dialing); i >= 0 {
		message = strings.TrimSuffix(message[i+len(dialing):], `"`)
	}
	if message == "" {
		return strings.ToLower(status.Code(err).String())
	}
	return message
}
