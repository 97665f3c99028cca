// Package ipptest is an IPP printer in memory for tests of those who print (RFC 8010, RFC 8011). It prints one impression
// each time somebody asks how it is, so that a test in virtual time moves it, and it breaks connections when told to. It
// is no reference of what a printer does: real ones are tested against as well.
package ipptest

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"github.com/OpenPrinting/goipp"
)

// States of printers and of jobs (RFC 8011 sections 5.4.11 and 5.3.7).
const (
	Idle       = 3
	Processing = 4
	Stopped    = 5

	Pending   = 3
	Held      = 4
	Printing  = 5
	Halted    = 6
	Canceled  = 7
	Aborted   = 8
	Completed = 9
)

// Job is a job at the printer.
type Job struct {
	ID         int
	Name, User string
	State      int
	Reasons    []string
	Copies     int
	Attributes goipp.Attributes
	Documents  [][]byte
	Done       int // impressions
}

// Break is where a connection breaks.
type Break int

// Where a connection can break.
const (
	Whole  Break = iota // nowhere
	Before              // the request is not heard
	After               // it is done, and the answer is lost
)

// Printer is a printer. Its fields are changed under Do.
type Printer struct {
	mu sync.Mutex

	State       int
	Reasons     []string
	Rejecting   bool
	UpTime      int
	Ready       []string // media-ready
	Impressions int      // of each document
	OneRequest  bool     // it knows Print-Job only
	Several     bool     // it takes several documents in a job
	Stands      bool     // it prints nothing by itself
	Counts      bool     // it tells job-k-octets
	Extra       goipp.Attributes
	Refuse      map[goipp.Op]goipp.Status
	Refuses     func(goipp.Op) goipp.Status // what it does not do now; 0: it does it
	Denies      func(goipp.Op) goipp.Status // what it answers although it has done it; 0: the truth
	Waits       func(goipp.Op)              // before it reads a document; not under Do
	Breaks      func(goipp.Op) Break
	Jobs        []*Job
	Requests    map[goipp.Op]int

	next int
}

// New makes a printer with nothing to do.
func New() *Printer {
	return &Printer{
		State: Idle, UpTime: 100, Impressions: 4, Counts: true,
		Requests: map[goipp.Op]int{}, Refuse: map[goipp.Op]goipp.Status{},
	}
}

// Serve lets the printer listen on loopback until the test has ended, and returns its URI.
func (p *Printer) Serve(t testing.TB) (uri string) {
	server := httptest.NewServer(p)
	t.Cleanup(server.Close)
	return "ipp://" + strings.TrimPrefix(server.URL, "http://") + "/ipp/print"
}

// Do changes the printer, or looks at it.
func (p *Printer) Do(change func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	change()
}

// Forget is a printer that has been switched off and on.
func (p *Printer) Forget() {
	p.Do(func() { p.Jobs, p.next, p.UpTime, p.State, p.Reasons = nil, 0, 1, Idle, nil })
}

// ServeHTTP implements http.Handler.
func (p *Printer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	var m goipp.Message
	if err := m.Decode(r.Body); err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	op := goipp.Op(m.Code)
	p.mu.Lock()
	where := Whole
	if p.Breaks != nil {
		where = p.Breaks(op)
	}
	waits := p.Waits
	p.mu.Unlock()
	if where == Before {
		panic(http.ErrAbortHandler)
	}
	if waits != nil {
		waits(op)
	}
	doc, err := io.ReadAll(r.Body)
	p.mu.Lock()
	answer := p.answer(&m, op, doc, err)
	p.mu.Unlock()
	if where == After || err != nil {
		panic(http.ErrAbortHandler)
	}
	w.Header().Set("Content-Type", "application/ipp")
	_ = answer.Encode(w) // who does not listen any more misses it
}

func (p *Printer) answer(m *goipp.Message, op goipp.Op, doc []byte, broken error) *goipp.Message {
	p.Requests[op]++
	a := goipp.NewResponse(m.Version, goipp.StatusOk, m.RequestID)
	a.Operation.Add(goipp.MakeAttribute("attributes-charset", goipp.TagCharset, goipp.String("utf-8")))
	a.Operation.Add(goipp.MakeAttribute("attributes-natural-language", goipp.TagLanguage, goipp.String("en")))
	status := p.Refuse[op]
	if status == 0 && p.Refuses != nil {
		status = p.Refuses(op)
	}
	if status != 0 {
		a.Code = goipp.Code(status)
		return a
	}
	p.move()
	fail := func(s goipp.Status) { a.Code = goipp.Code(s) }
	j := p.job(integer(m.Operation, "job-id"))
	if needs := op == goipp.OpSendDocument || op == goipp.OpCancelJob || op == goipp.OpGetJobAttributes; needs && j == nil {
		fail(goipp.StatusErrorNotFound)
		return a
	}
	switch op {
	case goipp.OpGetPrinterAttributes:
		for _, j := range p.Jobs {
			if j.State == Printing && !p.Stands && p.State != Stopped {
				j.Done++
			}
		}
		p.move()
		a.Printer = p.attributes()
	case goipp.OpValidateJob:
	case goipp.OpCreateJob, goipp.OpPrintJob:
		if op == goipp.OpCreateJob && p.OneRequest {
			fail(goipp.StatusErrorOperationNotSupported)
			break
		}
		j = p.create(m)
		if op == goipp.OpPrintJob {
			p.receive(j, doc, broken, true)
		}
		a.Job = p.jobAttributes(j)
	case goipp.OpSendDocument:
		if j.State != Held {
			fail(goipp.StatusErrorNotPossible)
			break
		}
		p.receive(j, doc, broken, boolean(m.Operation, "last-document"))
		a.Job = p.jobAttributes(j)
	case goipp.OpCancelJob:
		if j.State >= Canceled {
			fail(goipp.StatusErrorNotPossible)
			break
		}
		j.State, j.Reasons = Canceled, []string{"job-canceled-by-user"}
	case goipp.OpGetJobAttributes:
		a.Job = p.jobAttributes(j)
	case goipp.OpGetJobs:
		p.list(a, text(m.Operation, "which-jobs") == "completed")
	default:
		fail(goipp.StatusErrorOperationNotSupported)
	}
	p.move()
	if p.Denies != nil {
		if status := p.Denies(op); status != 0 {
			fail(status)
		}
	}
	return a
}

// move lets jobs end that are done, and the next begin.
func (p *Printer) move() {
	if p.State == Stopped {
		return
	}
	p.State = Idle
	for _, j := range p.Jobs {
		if j.State == Printing && !p.Stands && j.Done >= p.Impressions*max(j.Copies, 1) {
			j.State, j.Reasons = Completed, []string{"job-completed-successfully"}
		}
		if j.State == Printing || j.State == Pending && p.State == Idle {
			if j.State == Pending {
				j.State, j.Reasons = Printing, []string{"job-printing"}
			}
			p.State = Processing
		}
	}
}

func (p *Printer) create(m *goipp.Message) *Job {
	p.next++
	j := &Job{
		ID: p.next, Name: text(m.Operation, "job-name"), User: text(m.Operation, "requesting-user-name"),
		State: Held, Reasons: []string{"job-data-insufficient"}, Copies: max(integer(m.Job, "copies"), 1), Attributes: m.Job,
	}
	p.Jobs = append(p.Jobs, j)
	return j
}

func (p *Printer) receive(j *Job, doc []byte, broken error, last bool) {
	if broken != nil {
		j.State, j.Reasons = Aborted, []string{"aborted-by-system", "submission-interrupted"}
		return
	}
	j.Documents = append(j.Documents, doc)
	if last {
		j.State, j.Reasons = Pending, nil
	}
}

// Job returns a job by its number, or nil. Call it in Do.
func (p *Printer) Job(id int) *Job { return p.job(id) }

func (p *Printer) job(id int) *Job {
	for _, j := range p.Jobs {
		if j.ID == id {
			return j
		}
	}
	return nil
}
