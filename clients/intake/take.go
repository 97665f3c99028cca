package intake

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/clients/ticketfile"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// contentLabel is the label of a job with the hash of what it was made from.
const contentLabel = "intake-sha256"

// maxRequest is the size of a request that the daemon reads, in bytes.
const maxRequest = 4 << 20

// answer is what the daemon has said about a file.
type answer struct {
	entry entry  // for a job that was taken in
	note  string // text for the file beside it; may be empty
	event Event
	// problems are why it was refused; empty if it was not.
	problems []ticketfile.Problem
}

// order is what is asked of the daemon for a file.
type order struct {
	ticket *ticketfile.Ticket
	found  ticketfile.CutFiles
	digest string
}

// take brings a file that is still as far as it can be brought now.
func (f *folder) take(ctx context.Context, one *file) {
	one.stuck = false
	if one.answer == nil && !f.ask(ctx, one) {
		return
	}
	f.fileAway(one)
}

// ask reads a file and asks the daemon. It returns whether there is an answer.
func (f *folder) ask(ctx context.Context, one *file) bool {
	if one.size > ticketfile.MaxSize {
		return f.refuse(one, ticketfile.Problem{Problem: fmt.Sprintf("has %d bytes, at most %d are read: split it", one.size, ticketfile.MaxSize)})
	}
	data, err := f.read(one)
	if err != nil {
		f.stick(one, "cannot be read: "+reasonOf(err))
		return false
	}
	options := f.XJDF
	options.Now = time.Now()
	ticket, err := ticketfile.Parse(one.name, data, options)
	switch {
	case errors.Is(err, ticketfile.ErrOther):
		one.left = true
		f.tell(Event{Kind: Left, File: one.name, Text: "is XML, but no XJDF ticket: it stays"})
		return false
	case errors.Is(err, ticketfile.ErrIncomplete) && f.patient(one):
		f.wait(one, "is not complete yet")
		return false
	case err != nil:
		return f.refuse(one, ticketfile.Problems(err)...)
	}
	found, err := f.cuts.CutFiles(ticket.Job)
	if found.Stamp != one.cuts {
		// The cut files came or changed just now: they must be still as well.
		one.cuts, one.since = found.Stamp, time.Now()
		if found.Absent == 0 {
			return false
		}
	}
	switch {
	case found.Absent > 0 && f.patient(one):
		f.wait(one, "names a cut file that is not there yet")
		return false
	case err != nil:
		return f.refuse(one, ticketfile.Problems(err)...)
	}
	return f.submit(ctx, one, ticket, data, found)
}

// patient says whether it is too early to give up on a file that is not complete.
func (f *folder) patient(one *file) bool { return time.Since(one.since) < f.Patience }

// wait looks at the file again in a while. It is told once.
func (f *folder) wait(one *file, why string) {
	one.after = earlier(time.Now().Add(f.Poll), one.since.Add(f.Patience))
	if one.told != Waiting {
		one.told = Waiting
		f.tell(Event{Kind: Waiting, File: one.name, Text: why})
	}
}

// stick tries a file again in a while that cannot be read or moved. It is told once.
func (f *folder) stick(one *file, why string) {
	one.wait = nextWait(one.wait)
	one.after = time.Now().Add(one.wait)
	one.stuck = true
	if one.told != Stuck {
		one.told = Stuck
		f.tell(Event{Kind: Stuck, File: one.name, Text: why + ": trying again"})
	}
}

// read reads a file that is as large as it was seen to be.
func (f *folder) read(one *file) ([]byte, error) {
	r, err := f.root.Open(one.name)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	data, err := io.ReadAll(io.LimitReader(r, ticketfile.MaxSize+1))
	if err == nil && int64(len(data)) != one.size {
		err = errors.New("it is being changed")
	}
	return data, err
}

// submit asks the daemon to take the job in.
func (f *folder) submit(ctx context.Context, one *file, ticket *ticketfile.Ticket, data []byte, found ticketfile.CutFiles) bool {
	if time.Now().Before(f.lostUntil) {
		one.after = f.lostUntil
		return false
	}
	o := order{ticket: ticket, found: found, digest: digestOf(data, found.Files)}
	job := ticket.Job
	if job.GetLabels() == nil {
		job.Labels = map[string]string{}
	}
	job.Labels[contentLabel] = o.digest
	job.Hold = job.GetHold() || f.Hold
	request := &tandemv1.CreateJobRequest{Job: job, RequestId: requestID(o.digest, job.GetId()), Actor: f.Actor, CutFiles: found.Files}
	if size := proto.Size(request); size > maxRequest {
		return f.refuse(one, ticketfile.Problem{Problem: fmt.Sprintf("makes a request of %d bytes with its cut files, at most %d are taken: simplify the contours or make more jobs", size, maxRequest)})
	}
	reply, err := f.create(ctx, request)
	if err != nil {
		return f.failed(ctx, one, o, err)
	}
	f.heard()
	if !f.step("asked") {
		return false
	}
	f.accept(one, o, reply)
	return true
}

func (f *folder) create(ctx context.Context, request *tandemv1.CreateJobRequest) (*tandemv1.Job, error) {
	ctx, cancel := context.WithTimeout(ctx, f.Timeout)
	defer cancel()
	return f.Jobs.CreateJob(ctx, request)
}

// accept notes that the job is there.
func (f *folder) accept(one *file, o order, job *tandemv1.Job) {
	e := entry{Digest: o.digest, Job: job.GetId(), Code: job.GetCode(), File: one.name}
	event := Event{Kind: Taken, File: one.name, Job: job.GetId(), Code: job.GetCode(), Steps: len(job.GetSteps())}
	if before, known := f.journal.find(o.digest); known && !f.unfinished(one, before) {
		event.Kind = Same
		event.Text = "the same as " + DoneFolder + "/" + before.To
	}
	one.answer = &answer{entry: e, event: event, note: noteText(one.name, event, o, job)}
}

// unfinished says whether an entry is that of this very file, which was not moved any more.
func (f *folder) unfinished(one *file, before entry) bool {
	if before.Moved || before.File != one.name {
		return false
	}
	info, err := f.root.Lstat(filepath.Join(DoneFolder, before.To))
	return err != nil || info.Size() == 0
}

// refuse notes why a file cannot be taken.
func (f *folder) refuse(one *file, problems ...ticketfile.Problem) bool {
	one.answer = &answer{problems: problems, event: Event{Kind: Refused, File: one.name, Problems: problems}}
	return true
}

// digestOf is the hash of a ticket and its cut files.
func digestOf(ticket []byte, files []*tandemv1.CutFile) string {
	h := sha256.New()
	h.Write(ticket)
	for _, file := range files {
		part(h, []byte(file.GetUri()))
		part(h, file.GetContent())
	}
	return hex.EncodeToString(h.Sum(nil))
}

// part adds a text in a way that leaves no doubt where it ends.
func part(h hash.Hash, data []byte) {
	fmt.Fprintf(h, "\n%d\n", len(data))
	h.Write(data)
}

// requestID is the same for the same content and job, and another for any other.
func requestID(digest, job string) string {
	sum := sha256.Sum256([]byte(digest + " " + job))
	return "intake-" + hex.EncodeToString(sum[:])
}

// located gives a field of the request the name and line that it has in the ticket. An item of an XJDF ticket has none: the
// path of what it was made from is added.
func (f *folder) located(one *file, o order, field, problem string) ticketfile.Problem {
	p := ticketfile.Problem{Field: strings.TrimPrefix(field, "job."), Problem: problem}
	if report := o.ticket.Report; report != nil {
		for i, path := range report.Items {
			if strings.HasPrefix(p.Field, fmt.Sprintf("items[%d].", i)) {
				p.Field += " (" + path + ")"
			}
		}
		return p
	}
	p.Line = f.linesOf(one).At(p.Field)
	return p
}

// linesOf tells the lines of a ticket's fields.
func (f *folder) linesOf(one *file) yamlfile.Lines {
	lines, err := yamlfile.ReadLines(filepath.Join(f.dir, one.name), &tandemv1.Job{})
	if err != nil {
		return nil // it was read a moment ago; the problem is told without a line
	}
	return lines
}
