package ipp

import (
	"context"

	"github.com/OpenPrinting/goipp"
)

// printer asks how the printer is (RFC 8011 section 4.2.5).
func (c *client) printer(ctx context.Context) (*printer, error) {
	m := c.request(goipp.OpGetPrinterAttributes)
	c.named(m)
	add(&m.Operation, "requested-attributes", goipp.TagKeyword, printerAttributes...)
	answer, err := c.do(ctx, m)
	if err != nil {
		return nil, err
	}
	return readPrinter(answer.Printer)
}

// job asks how a job is (RFC 8011 section 4.3.4).
func (c *client) job(ctx context.Context, id int) (*job, error) {
	m := c.request(goipp.OpGetJobAttributes)
	addNumber(&m.Operation, "job-id", goipp.TagInteger, id)
	c.named(m)
	add(&m.Operation, "requested-attributes", goipp.TagKeyword, jobAttributes...)
	answer, err := c.do(ctx, m)
	if err != nil {
		return nil, err
	}
	return readJob(answer.Job)
}

// jobs lists jobs: which is not-completed or completed (RFC 8011 section 4.2.6). A job that says nothing useful is left out.
func (c *client) jobs(ctx context.Context, which string) ([]*job, error) {
	m := c.request(goipp.OpGetJobs)
	c.named(m)
	add(&m.Operation, "which-jobs", goipp.TagKeyword, which)
	add(&m.Operation, "requested-attributes", goipp.TagKeyword, jobAttributes...)
	answer, err := c.do(ctx, m)
	if err != nil {
		return nil, err
	}
	var out []*job
	for _, g := range answer.Groups {
		if g.Tag != goipp.TagJobGroup {
			continue
		}
		if j, err := readJob(g.Attrs); err == nil {
			out = append(out, j)
		}
	}
	return out, nil
}

// ticket is what a job is to be.
type ticket struct {
	name    string // job-name
	copies  int32  // 0: not said
	media   string // keyword or name of a media; empty: not said
	quality int    // print-quality (RFC 8011 section 5.2.13); 0: not said
	format  string // document-format of the first document
}

func (c *client) ticketed(op goipp.Op, t ticket) *goipp.Message {
	m := c.request(op)
	c.named(m)
	add(&m.Operation, "job-name", goipp.TagName, t.name)
	// What the printer cannot do it is to refuse, not to replace.
	addYes(&m.Operation, "ipp-attribute-fidelity", true)
	if op != goipp.OpCreateJob {
		add(&m.Operation, "document-format", goipp.TagMimeType, t.format)
	}
	if t.copies > 0 {
		addNumber(&m.Job, "copies", goipp.TagInteger, int(t.copies))
	}
	if t.media != "" {
		add(&m.Job, "media", goipp.TagKeyword, t.media)
	}
	if t.quality > 0 {
		addNumber(&m.Job, "print-quality", goipp.TagEnum, t.quality)
	}
	return m
}

// validate asks whether the printer would take a job (RFC 8011 section 4.2.3).
func (c *client) validate(ctx context.Context, t ticket) error {
	_, err := c.do(ctx, c.ticketed(goipp.OpValidateJob, t))
	return err
}

// create makes a job without documents, which prints nothing (RFC 8011 section 4.2.4).
func (c *client) create(ctx context.Context, t ticket) (*job, error) {
	answer, err := c.do(ctx, c.ticketed(goipp.OpCreateJob, t))
	if err != nil {
		return nil, err
	}
	return readJob(answer.Job)
}

// document gives a job one of its documents (RFC 8011 section 4.3.1). It takes as long as the printer needs to read it.
func (c *client) document(ctx context.Context, id int, doc document, last bool) error {
	m := c.request(goipp.OpSendDocument)
	addNumber(&m.Operation, "job-id", goipp.TagInteger, id)
	c.named(m)
	add(&m.Operation, "document-name", goipp.TagName, doc.name())
	add(&m.Operation, "document-format", goipp.TagMimeType, doc.format())
	addYes(&m.Operation, "last-document", last)
	_, err := c.send(ctx, m, doc)
	return err
}

// print makes a job and gives it its document in one request (RFC 8011 section 4.2.1), for printers that know no other way.
func (c *client) print(ctx context.Context, t ticket, doc document) (*job, error) {
	m := c.ticketed(goipp.OpPrintJob, t)
	add(&m.Operation, "document-name", goipp.TagName, doc.name())
	answer, err := c.send(ctx, m, doc)
	if err != nil {
		return nil, err
	}
	return readJob(answer.Job)
}

// cancel ends a job (RFC 8011 section 4.3.3).
func (c *client) cancel(ctx context.Context, id int) error {
	m := c.request(goipp.OpCancelJob)
	addNumber(&m.Operation, "job-id", goipp.TagInteger, id)
	c.named(m)
	_, err := c.do(ctx, m)
	return err
}
