package ipp

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"sync/atomic"
	"time"

	"github.com/OpenPrinting/goipp"
)

const (
	// version is IPP/1.1, the one that RFC 8011 describes: every later printer speaks it as well.
	version = goipp.Version(0x0101)
	// mostAnswer bounds an answer, in bytes.
	mostAnswer  = 4 << 20
	contentType = "application/ipp" // RFC 8010 section 3
)

// client speaks to one printer. Each request has a connection of its own: a printer serves few at a time, and one that is
// kept open keeps others out and does not survive the printer's restart.
type client struct {
	uri     string // of the printer, as attributes name it
	url     string // where requests go
	name    string // requesting-user-name: the same always, since a printer may show a job's name to its owner only
	http    *http.Client
	timeout time.Duration // wall time for a request without a document
	id      atomic.Uint32
}

// refusal is an answer that is no success (RFC 8011 section 4.1.6 and appendix B).
type refusal struct {
	op      goipp.Op
	status  goipp.Status
	message string
}

func (r *refusal) Error() string {
	if r.message == "" {
		return fmt.Sprintf("%s: the printer answers %s", r.op, r.status)
	}
	return fmt.Sprintf("%s: the printer answers %s: %.200q", r.op, r.status, r.message)
}

// refused returns the printer's status if it is one of refusal.
func refused(err error) (goipp.Status, bool) {
	if r, ok := errors.AsType[*refusal](err); ok {
		return r.status, true
	}
	return 0, false
}

// request begins a request with the attributes that each has (RFC 8011 section 4.1.4 to 4.1.8).
func (c *client) request(op goipp.Op) *goipp.Message {
	m := goipp.NewRequest(version, op, c.id.Add(1))
	m.Operation.Add(goipp.MakeAttribute("attributes-charset", goipp.TagCharset, goipp.String("utf-8")))
	m.Operation.Add(goipp.MakeAttribute("attributes-natural-language", goipp.TagLanguage, goipp.String("en")))
	m.Operation.Add(goipp.MakeAttribute("printer-uri", goipp.TagURI, goipp.String(c.uri)))
	return m
}

func (c *client) named(m *goipp.Message) {
	m.Operation.Add(goipp.MakeAttribute("requesting-user-name", goipp.TagName, goipp.String(c.name)))
}

// do sends a request without a document.
func (c *client) do(ctx context.Context, m *goipp.Message) (*goipp.Message, error) {
	ctx, cancel := context.WithTimeoutCause(ctx, c.timeout, fmt.Errorf("%w within %s (setting timeout)", errNoAnswer, c.timeout))
	defer cancel()
	answer, err := c.send(ctx, m, nil)
	if err != nil && ctx.Err() != nil {
		err = fmt.Errorf("%w: %w", err, context.Cause(ctx))
	}
	return answer, err
}

// send sends a request, with a document or without, and returns the answer if it is a success.
func (c *client) send(ctx context.Context, m *goipp.Message, doc document) (*goipp.Message, error) {
	op := goipp.Op(m.Code)
	head, err := m.EncodeBytes()
	if err != nil {
		return nil, fmt.Errorf("%s: write the request: %w", op, err)
	}
	body := func() (io.ReadCloser, error) {
		if doc == nil {
			return io.NopCloser(bytes.NewReader(head)), nil
		}
		content, err := doc.open()
		if err != nil {
			return nil, err
		}
		return joined{io.MultiReader(bytes.NewReader(head), content), content}, nil
	}
	first, err := body()
	if err != nil {
		return nil, fmt.Errorf("%s: %w: %w", op, errNotSent, err)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, c.url, first)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", op, err)
	}
	req.GetBody = body
	req.ContentLength = int64(len(head))
	if doc != nil {
		req.ContentLength += doc.size()
	}
	req.Header.Set("Content-Type", contentType)
	resp, err := c.http.Do(req)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", op, err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("%s: %w", op, httpError(resp.StatusCode))
	}
	answer := new(goipp.Message)
	if err := answer.Decode(io.LimitReader(resp.Body, mostAnswer)); err != nil {
		return nil, fmt.Errorf("%s: read the answer: %w", op, err)
	}
	if answer.RequestID != m.RequestID {
		return nil, fmt.Errorf("%s: the answer is to request %d, this was %d", op, answer.RequestID, m.RequestID)
	}
	if status := goipp.Status(answer.Code); status >= 0x0100 { // RFC 8011 appendix B.1: 0x0000 to 0x00ff are successes
		return answer, &refusal{op: op, status: status, message: text(answer.Operation, "status-message")}
	}
	return answer, nil
}

// errNotSent says that the printer has not been asked anything.
var errNotSent = errors.New("nothing is sent")

type joined struct {
	io.Reader
	io.Closer
}

// errLogin says that the printer does not let us in.
var errLogin = errors.New("the printer does not let us in: check the settings user and password-file")

// What an answer without IPP in it says, and none.
var (
	errNoAnswer  = errors.New("no answer")
	errNoPrinter = errors.New("no printer there")
	errEncrypt   = errors.New("the printer wants encryption")
	errHTTP      = errors.New("HTTP status")
)

func httpError(status int) error {
	switch status {
	case http.StatusUnauthorized, http.StatusForbidden:
		return fmt.Errorf("%w (HTTP status %d)", errLogin, status)
	case http.StatusUpgradeRequired:
		return fmt.Errorf("%w: write ipps:// in the setting uri (HTTP status %d)", errEncrypt, status)
	case http.StatusNotFound, http.StatusMethodNotAllowed:
		return fmt.Errorf("%w: check the path in the setting uri (HTTP status %d)", errNoPrinter, status)
	}
	return fmt.Errorf("%w %d: check the setting uri", errHTTP, status)
}
