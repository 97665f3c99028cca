package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/durationpb"

	"tandem/clients/layoutview"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/xjdf"
)

func (a *app) quoteCommand() *cobra.Command {
	q := &quotation{app: a}
	q.xjdf.Now = a.now()
	cmd := &cobra.Command{
		Use:   "quote FILE",
		Short: "Say what the job of a ticket would take: layout, media, time. Nothing is stored.",
		Example: `  tandem quote ticket.yaml
  tandem quote ticket.yaml --png layout.png    draw where each piece lies
  tandem quote ticket.yaml --svg layout.svg
  tandem quote ticket.yaml --json              a tandem.v1.Quote`,
		Long: `Cut files that items name are sent along: relative names are looked up beside the ticket and below --cut-root, and
nothing is read elsewhere.

TIME is exceeded as often as not. 1 run in 20 is faster and 1 in 20 slower than RANGE, which stands on the runs of the
device, or on the standard spread while it has too few. Changeovers are left out, and so is waiting for other jobs. What
no device of this floor can do is said, and ends with exit code 1; a ticket that cannot be taken in ends with 2.`,
		Args: cobra.ExactArgs(1),
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		if err := q.pictures.check(cmd); err != nil {
			return err
		}
		return q.quote(cmd.Context(), args[0])
	})
	cmd.Flags().StringArrayVar(&q.cutRoots, "cut-root", nil, "further folder of cut files (may be repeated)")
	xjdfFlags(cmd, &q.xjdf)
	q.pictures.flags(cmd, "the layouts")
	return cmd
}

type quotation struct {
	*app
	pictures pictures
	cutRoots []string
	xjdf     xjdf.Options
}

func (q *quotation) quote(ctx context.Context, file string) error {
	tickets, err := readTickets([]string{file}, q.cutRoots, q.xjdf)
	if err != nil {
		return err
	}
	t := tickets[0]
	client, err := q.jobs()
	if err != nil {
		return err
	}
	quote, err := bounded(ctx, q.app, func(ctx context.Context) (*tandemv1.Quote, error) {
		return client.QuoteJob(ctx, &tandemv1.QuoteJobRequest{Job: t.job, CutFiles: t.cuts})
	})
	if err != nil {
		return &fileError{t.file, t.lines, err}
	}
	for _, note := range t.notes {
		q.say("%s: %s", file, note)
	}
	if q.json {
		q.message(quote)
	} else {
		q.showQuote(quote)
	}
	err = q.pictures.write(q.app,
		func(w io.Writer) error { return layoutview.SVG(w, quote) },
		func(w io.Writer) error { return layoutview.PNG(w, quote) })
	if err != nil {
		return err
	}
	return q.complain(quote)
}

func (q *quotation) showQuote(quote *tandemv1.Quote) {
	job := quote.GetJob()
	q.line(span{strong, job.GetId()}, span{plain, before("  ", job.GetDisplayName())})
	for i, l := range quote.GetLayouts() {
		q.layout(i+1, len(quote.GetLayouts()), l, job)
	}
	t := table{head: []string{"STEP", "OPERATION", "DEVICE", "TIME", "RANGE", "STANDS ON", "OTHERS"}}
	for _, s := range quote.GetSteps() {
		device, on := span{plain, s.GetDevice()}, span{plain, "-"}
		switch {
		case impossible(s):
			device = span{bad, "none can"}
		case s.GetDevice() == "":
			device = span{plain, "none needed"}
		case s.GetSamples() > 0:
			on = span{plain, wording.Count(int(s.GetSamples()), "run")}
		default:
			on = span{plain, "standard spread"}
		}
		t.add(span{strong, s.GetStep()}, span{plain, s.GetOperation()}, device, span{plain, timeOrDash(s.GetDuration())},
			span{plain, orDash(spread(s.GetLow(), s.GetHigh()))}, on, span{plain, orDash(otherDevices(s))})
	}
	if len(t.rows) > 0 {
		q.line()
	}
	t.print(q.printer)
	q.line()
	var f facts
	if quote.GetAlone() != nil {
		alone := timeOrDash(quote.GetAlone())
		if between := spread(quote.GetAloneLow(), quote.GetAloneHigh()); between != "" {
			alone += " (" + between + ")"
		}
		f.style("alone", strong, alone+", were nothing else on the floor")
	}
	for _, note := range quote.GetNotes() {
		f.add("note", note)
	}
	f.print(q.printer)
}

// spread shows between what a time lies 18 times in 20; nothing if that is not known.
func spread(low, high *durationpb.Duration) string {
	if low == nil || high == nil {
		return ""
	}
	from, to := timeOrDash(low), timeOrDash(high)
	if from == to {
		return from
	}
	return from + " to " + to
}

// layout shows how the pieces of a group of items lie on the web.
func (q *quotation) layout(number, of int, l *tandemv1.Layout, job *tandemv1.Job) {
	q.line()
	name := "layout"
	if of > 1 {
		name = fmt.Sprintf("layout %d of %d", number, of)
	}
	var f facts
	f.style(name, strong, orElse(l.GetMedia(), "media not said"))
	carrier := "panel"
	if l.GetSheetLengthUm() > 0 {
		carrier = "sheet"
		f.add("sheet", wording.Millimetres(l.GetWebWidthUm())+" x "+wording.Millimetres(l.GetSheetLengthUm()))
	} else {
		f.add("web", wording.Millimetres(l.GetWebWidthUm())+" wide")
	}
	f.add("length", wording.Millimetres(l.GetLengthUm()))
	f.add("waste", strconv.FormatFloat(math.Round(l.GetWaste()*1000)/10, 'f', -1, 64)+" %")
	pieces := strconv.Itoa(int(l.GetPieces()))
	if n := overs(l, job); n > 0 {
		pieces += fmt.Sprintf(", %d of them over", n)
	}
	if l.GetRoomFor() > 0 {
		pieces += fmt.Sprintf("; %d more would need no more media", l.GetRoomFor())
	}
	f.add("pieces", pieces)
	f.add(carrier+"s", panelList(l))
	f.print(q.printer)
}

// overs counts the pieces that the items of a layout ask for in addition to those ordered.
func overs(l *tandemv1.Layout, job *tandemv1.Job) int {
	here := map[string]bool{}
	for _, p := range l.GetPanels() {
		for _, piece := range p.GetPlacements() {
			here[piece.GetItem()] = true
		}
	}
	n := 0
	for _, item := range job.GetItems() {
		if here[item.GetId()] {
			n += int(item.GetOvers())
		}
	}
	return n
}

// mostPanels are named one by one.
const mostPanels = 12

func panelList(l *tandemv1.Layout) string {
	var names []string
	for _, p := range l.GetPanels()[:min(len(l.GetPanels()), mostPanels)] {
		names = append(names, fmt.Sprintf("%s %d", p.GetPanel(), len(p.GetPlacements())+int(p.GetMore())))
	}
	list := strings.Join(names, ", ")
	if more := len(l.GetPanels()) - mostPanels; more > 0 {
		list += fmt.Sprintf(" and %d more", more)
	}
	return fmt.Sprintf("%d: %s", len(l.GetPanels()), list)
}

// impossible reports whether no device can do a step that needs one: it has no device and no time of its own, or every
// device was looked at in vain.
func impossible(s *tandemv1.StepQuote) bool {
	if s.GetDevice() != "" {
		return false
	}
	if s.GetDuration() == nil {
		return true
	}
	for _, c := range s.GetCandidates() {
		if c.GetEligible() {
			return false
		}
	}
	return len(s.GetCandidates()) > 0
}

func otherDevices(s *tandemv1.StepQuote) string {
	var others []string
	for _, c := range s.GetCandidates() {
		if c.GetDevice() == s.GetDevice() || !c.GetEligible() {
			continue
		}
		if c.GetWork() == nil {
			others = append(others, c.GetDevice())
			continue
		}
		others = append(others, c.GetDevice()+" "+wording.Span(c.GetWork().AsDuration()))
	}
	return strings.Join(others, ", ")
}

// complain tells which steps no device can do, and why each device cannot.
func (q *quotation) complain(quote *tandemv1.Quote) error {
	var cannot error
	for _, s := range quote.GetSteps() {
		if !impossible(s) {
			continue
		}
		cannot = &told{exitFailure}
		q.talk(bad, fmt.Sprintf("step %s: no device of this floor can do it (%s)", s.GetStep(), s.GetOperation()))
		for _, c := range s.GetCandidates() {
			q.talk(bad, fmt.Sprintf("step %s: %s: %s", s.GetStep(), c.GetDevice(), orElse(c.GetReason(), "cannot")))
		}
	}
	if cannot != nil {
		q.warn("remedy: change what the ticket asks for, or add the ability to the floor file")
	}
	return cannot
}
