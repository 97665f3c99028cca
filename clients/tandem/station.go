package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/celltext"
	"tandem/clients/dial"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// bounce is how soon the same code again counts as the same pull of the trigger.
	bounce = time.Second
	// mostWaiting bounds the scans that wait for the daemon.
	mostWaiting = 100
	// callWithin bounds one attempt to hand a scan in.
	callWithin = 5 * time.Second
	// Pauses between attempts double from the first to the longest.
	firstPause   = 250 * time.Millisecond
	longestPause = 4 * time.Second
)

func (a *app) stationCommand() *cobra.Command {
	var p place
	var plainLines bool
	keep := time.Minute
	cmd := &cobra.Command{
		Use:   "station",
		Short: "Take scans from a barcode reader that types on standard input.",
		Example: `  tandem station --device cutter-1
  tandem station --station packing < /dev/ttyACM0
  tandem station --plain                          one line for each scan`,
		Long: `One line in, ended by CR, LF or both, is one scan. On a terminal the whole screen shows in large letters what became
of the last one, what is expected next and for how long, what waits, and the last 20 scans; with --plain, and off a
terminal, one line out says what became of each. A refusal rings the terminal's bell. The same code within a second is
taken for one pull of the trigger. The card "clear" takes back what was scanned but not yet done, and what is shown of
an outage.

While the daemon is away scans wait in order, at most 100 and none longer than --keep; each is handed in under its own
scan_id, so that none counts twice. Whatever was not handed in is listed.

Caution: a scan may let a machine start, also one that had to wait. Scan only where you see the machine, and keep clear
of blades and rollers until the answer is there.`,
		Args: cobra.NoArgs,
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, _ []string) error {
		if err := p.check(); err != nil {
			return err
		}
		if keep <= 0 {
			return usagef("--keep is %v: give a time above zero, such as 1m", keep)
		}
		conn, err := a.connect()
		if err != nil {
			return err
		}
		s := newStation(tandemv1.NewScanServiceClient(conn), p, keep, a)
		if a.outIsTerminal && !plainLines && !a.json && !a.quiet {
			return s.fullScreen(cmd.Context())
		}
		s.say("station %s takes scans; end with Ctrl-D or Ctrl-C", p.station)
		return s.run(cmd.Context())
	})
	a.placeFlags(cmd, &p)
	cmd.Flags().BoolVar(&plainLines, "plain", false, "a line for each scan on a terminal, too")
	cmd.Flags().DurationVar(&keep, "keep", keep, "how long a scan may wait for the daemon before it is refused")
	return cmd
}

// pull is one pull of the trigger.
type pull struct {
	payload string
	id      string
	at      time.Time
}

// station takes lines in and hands scans on, in order.
type station struct {
	*app
	client tandemv1.ScanServiceClient
	place  place
	keep   time.Duration
	queue  chan pull

	mu      sync.Mutex
	shown   func(report)
	away    bool // the daemon does not answer
	waiting int  // scans taken in and not answered yet
	dropped int  // scans that were never answered and are no longer tried
}

// about is what a report is about.
type about int

const (
	taken    about = iota // a scan was taken in
	waits                 // it has to wait for the daemon
	answered              // the daemon has answered it
	refused               // the station has; it will not be handed in
	ignored               // it is no scan of its own
	linkBack              // the daemon answers again
)

// report is what there is to show of a scan, or of the way to the daemon.
type report struct {
	about         about
	pull          pull
	style         celltext.Style
	word, message string
	reply         *tandemv1.RecordScanResponse // the daemon's answer, where it is one
}

func newStation(client tandemv1.ScanServiceClient, p place, keep time.Duration, a *app) *station {
	s := &station{app: a, client: client, place: p, keep: keep, queue: make(chan pull, mostWaiting)}
	s.shown = s.line
	return s
}

// show hands a report to whatever shows them at present.
func (s *station) show(r report) {
	s.mu.Lock()
	shown := s.shown
	s.mu.Unlock()
	shown(r)
}

// showBy sets what shows reports from now on.
func (s *station) showBy(shown func(report)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.shown = shown
}

// line shows a report as a line of its own.
func (s *station) line(r report) {
	switch r.about {
	case taken:
	case answered:
		s.scanned(r.pull.payload, r.reply)
	case linkBack:
		s.warn("%s", r.message)
	default:
		s.tell(r.style, r.word, r.pull.payload, r.message)
	}
}

// run takes scans from standard input until it or the context ends.
func (s *station) run(ctx context.Context) error {
	lines := make(chan input)
	// The goroutine ends with its input, or, as a read from a terminal cannot be broken off, with the program.
	go s.read(ctx, lines)
	return s.serve(ctx, lines)
}

// serve takes scans until their source or the context ends.
func (s *station) serve(ctx context.Context, lines <-chan input) error {
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		s.send(ctx)
	}()
	err := s.take(ctx, lines)
	close(s.queue)
	<-sent
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.dropped > 0 {
		return &told{exitUnavailable}
	}
	return nil
}

// input is what the reader typed, or why not.
type input struct {
	payload string
	err     error
}

func (s *station) read(ctx context.Context, lines chan<- input) {
	wedge := newWedge(s.stdin)
	for {
		payload, err := wedge.next()
		select {
		case lines <- input{payload, err}:
		case <-ctx.Done():
			return
		}
		if err != nil && !errors.Is(err, errTooLong) {
			return
		}
	}
}

// take queues scans until the input ends.
func (s *station) take(ctx context.Context, lines <-chan input) error {
	var last pull
	for {
		var in input
		select {
		case <-ctx.Done():
			return nil
		case in = <-lines:
		}
		now := s.now()
		switch {
		case errors.Is(in.err, io.EOF):
			return nil
		case errors.Is(in.err, errTooLong):
			s.show(report{about: ignored, pull: pull{at: now}, style: bad, word: "REFUSED", message: in.err.Error()})
		case in.err != nil:
			return fmt.Errorf("read standard input: %w", in.err)
		case in.payload == last.payload && now.Sub(last.at) < bounce:
			// The time counts from the last pull seen, so a trigger that is held down stays one pull.
			last.at = now
			s.show(report{about: ignored, pull: last, style: warned, word: "IGNORED", message: "the same code within a second: taken for one scan"})
		default:
			last = pull{in.payload, dial.NewKey(), now}
			s.enqueue(last)
		}
		if err := s.flush(); err != nil {
			return err
		}
	}
}

func (s *station) enqueue(p pull) {
	s.mu.Lock()
	before, away := s.waiting, s.away
	s.waiting++
	s.mu.Unlock()
	s.show(report{about: taken, pull: p})
	select {
	case s.queue <- p:
	default:
		s.done(0)
		s.refuse(p, "REFUSED", wording.Count(mostWaiting, "scan")+" wait already: scan it again when the daemon is back")
		return
	}
	if away {
		s.show(report{
			about: waits, pull: p, style: warned, word: "WAITS",
			message: fmt.Sprintf("the daemon is away: %s before it. Nothing has been done yet", wording.Count(before, "scan")),
		})
	}
}

// send hands scans in, one after another, until the queue is closed and empty or the context ends.
func (s *station) send(ctx context.Context) {
	for p := range s.queue {
		if ctx.Err() != nil {
			s.refuse(p, "NOT SENT", "the station was ended")
		} else {
			s.deliver(ctx, p)
		}
		// An error of writing is found again by take, or at the end.
		_ = s.flush()
	}
}

// deliver hands one scan in, under the same scan_id however often it takes.
func (s *station) deliver(ctx context.Context, p pull) {
	request := &tandemv1.RecordScanRequest{
		Station: s.place.station, Device: s.place.device, Payload: readable(p.payload), ScanId: p.id, ScanTime: timestamppb.New(p.at),
	}
	pause := firstPause
	tried := false
	for {
		if age := s.now().Sub(p.at); age > s.keep {
			s.expired(p, tried)
			return
		}
		reply, err := s.call(ctx, request)
		tried = true
		switch {
		case err == nil:
			s.back()
			s.done(0)
			word, style := scanWord(reply.GetOutcome())
			s.show(report{about: answered, pull: p, style: style, word: word, message: reply.GetMessage(), reply: reply})
			return
		case ctx.Err() != nil:
			s.refuse(p, "NOT SENT", "the station was ended before the daemon answered: look before you scan it again")
			return
		case !comesBack(err):
			s.back()
			s.done(0)
			s.refuse(p, "REFUSED", strings.Join(s.describe(err), "; "))
			return
		}
		s.gone(p, err)
		timer := time.NewTimer(pause)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
		}
		pause = min(2*pause, longestPause)
	}
}

func (s *station) call(ctx context.Context, request *tandemv1.RecordScanRequest) (*tandemv1.RecordScanResponse, error) {
	ctx, cancel := context.WithTimeout(ctx, callWithin)
	defer cancel()
	return s.client.RecordScan(ctx, request)
}

// comesBack reports whether the same scan may be taken later. Until a disk that is nearly full has room again may take hours, and
// scans behind it, of work under way, are taken all the same.
func comesBack(err error) bool {
	switch status.Code(err) {
	case codes.Unavailable, codes.DeadlineExceeded, codes.ResourceExhausted, codes.Canceled:
		return !dial.WithoutSpace(err)
	default:
		return false
	}
}

// expired refuses a scan that has waited too long: what it would do now may surprise whoever stands there.
func (s *station) expired(p pull, tried bool) {
	s.done(1)
	message := fmt.Sprintf("it waited for more than %s and was not handed in: scan it again", wording.Span(s.keep))
	if tried {
		message = fmt.Sprintf("no answer for more than %s, so nobody knows whether it counts: look before you scan it again", wording.Span(s.keep))
	}
	s.refuse(p, "TOO OLD", message)
}

func (s *station) refuse(p pull, word, message string) {
	s.show(report{about: refused, pull: p, style: bad, word: word, message: message})
}

// gone says once that the daemon does not answer.
func (s *station) gone(p pull, err error) {
	s.mu.Lock()
	first := !s.away
	s.away = true
	s.mu.Unlock()
	if first {
		s.show(report{
			about: waits, pull: p, style: warned, word: "WAITS",
			message: "the daemon does not answer (" + brief(err) + "). Nothing is known to be done; a start may still come: keep clear of the machine",
		})
		_ = s.flush()
	}
}

// back says once that the daemon answers again.
func (s *station) back() {
	s.mu.Lock()
	again, waiting := s.away, s.waiting
	s.away = false
	s.mu.Unlock()
	if again {
		s.show(report{about: linkBack, message: "the daemon is back: handing in " + wording.Count(waiting, "scan")})
	}
}

// done takes one scan off those that wait, and counts it as dropped or not.
func (s *station) done(dropped int) {
	s.mu.Lock()
	s.waiting--
	s.dropped += dropped
	s.mu.Unlock()
}

// tell prints the station's own answer to a scan. With JSON, data are the daemon's answers alone.
func (s *station) tell(style celltext.Style, word, payload, message string) {
	if s.json {
		s.warn("%s", words("  ", word, payload, message))
		return
	}
	s.answer(style, word, payload, message)
}
