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
	keep := time.Minute
	cmd := &cobra.Command{
		Use:   "station",
		Short: "Take scans from a barcode reader that types on standard input.",
		Example: `  tandem station --device cutter-1
  tandem station --station packing < /dev/ttyACM0`,
		Long: `One line in, ended by CR, LF or both, is one scan; one line out says in a word what became of it. A refusal rings the
terminal's bell. The same code within a second is taken for one pull of the trigger.

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
		s.say("station %s takes scans; end with Ctrl-D or Ctrl-C", p.station)
		return s.run(cmd.Context())
	})
	a.placeFlags(cmd, &p)
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
	away    bool // the daemon does not answer
	waiting int  // scans taken in and not answered yet
	dropped int  // scans that were never answered and are no longer tried
}

func newStation(client tandemv1.ScanServiceClient, p place, keep time.Duration, a *app) *station {
	return &station{app: a, client: client, place: p, keep: keep, queue: make(chan pull, mostWaiting)}
}

// run takes scans until the input or the context ends.
func (s *station) run(ctx context.Context) error {
	lines := make(chan input)
	// The goroutine ends with its input, or, as a read from a terminal cannot be broken off, with the program.
	go s.read(ctx, lines)
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
			s.tell(bad, "REFUSED", "", in.err.Error())
		case in.err != nil:
			return fmt.Errorf("read standard input: %w", in.err)
		case in.payload == last.payload && now.Sub(last.at) < bounce:
			// The time counts from the last pull seen, so a trigger that is held down stays one pull.
			last.at = now
			s.tell(warned, "IGNORED", in.payload, "the same code within a second: taken for one scan")
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
	select {
	case s.queue <- p:
	default:
		s.done(0)
		s.tell(bad, "REFUSED", p.payload, wording.Count(mostWaiting, "scan")+" wait already: scan it again when the daemon is back")
		return
	}
	if away {
		s.tell(warned, "WAITS", p.payload, fmt.Sprintf("the daemon is away: %s before it. Nothing has been done yet", wording.Count(before, "scan")))
	}
}

// send hands scans in, one after another, until the queue is closed and empty or the context ends.
func (s *station) send(ctx context.Context) {
	for p := range s.queue {
		if ctx.Err() != nil {
			s.tell(bad, "NOT SENT", p.payload, "the station was ended")
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
		Station: s.place.station, Device: s.place.device, Payload: p.payload, ScanId: p.id, ScanTime: timestamppb.New(p.at),
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
			s.scanned(p.payload, reply)
			return
		case ctx.Err() != nil:
			s.tell(bad, "NOT SENT", p.payload, "the station was ended before the daemon answered: look before you scan it again")
			return
		case !comesBack(err):
			s.back()
			s.done(0)
			s.tell(bad, "REFUSED", p.payload, strings.Join(s.describe(err), "; "))
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

// comesBack reports whether the same scan may be taken later.
func comesBack(err error) bool {
	switch status.Code(err) {
	case codes.Unavailable, codes.DeadlineExceeded, codes.ResourceExhausted, codes.Canceled:
		return true
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
	s.tell(bad, "TOO OLD", p.payload, message)
}

// gone says once that the daemon does not answer.
func (s *station) gone(p pull, err error) {
	s.mu.Lock()
	first := !s.away
	s.away = true
	s.mu.Unlock()
	if first {
		s.tell(warned, "WAITS", p.payload, "the daemon does not answer ("+brief(err)+"). Nothing is known to be done; a start may still come: keep clear of the machine")
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
		s.warn("the daemon is back: handing in %s", wording.Count(waiting, "scan"))
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
