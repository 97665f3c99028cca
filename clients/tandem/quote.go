package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/durationpb"

	"tandem/clients/layoutview"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

func (a *app) quoteCommand() *cobra.Command {
	q := &quotation{app: a}
	cmd := &cobra.Command{
		Use:   "quote FILE",
		Short: "Say what the job of a ticket would take: layout, media, time. Nothing is stored.",
		Example: `  tandem quote ticket.yaml
  tandem quote ticket.yaml --png layout.png    draw where each piece lies
  tandem quote ticket.yaml --svg layout.svg
  tandem quote ticket.yaml --json              a tandem.v1.Quote`,
		Long: `The cut files that items name are read beside the ticket, or where a file: URI says, and sent along: 3 MiB at most.

TIME is exceeded as often as not. 1 run in 20 is faster and 1 in 20 slower than RANGE, which stands on the runs of the
device, or on the standard spread while it has too few. Changeovers are left out, and so is waiting for other jobs. What
no device of this floor can do is said, and ends with exit code 1; a ticket that cannot be taken in ends with 2.`,
		Args: cobra.ExactArgs(1),
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		for _, name := range []string{"svg", "png"} {
			if f := cmd.Flags().Lookup(name); f.Changed && (f.Value.String() == "" || f.Value.String() == "-") {
				return usagef("--%s is %q: give the name of a file", name, f.Value)
			}
		}
		return q.quote(cmd.Context(), args[0])
	})
	cmd.Flags().StringVar(&q.svg, "svg", "", "draw the layouts into this file, as SVG")
	cmd.Flags().StringVar(&q.png, "png", "", "draw the layouts into this file, as PNG")
	return cmd
}

type quotation struct {
	*app
	svg, png string
}

func (q *quotation) quote(ctx context.Context, file string) error {
	tickets, err := readTickets([]string{file})
	if err != nil {
		return err
	}
	t := tickets[0]
	files, problems := cutFiles(file, t.job)
	for _, p := range problems {
		p.Line = t.lines.At(p.Field)
	}
	if err := yamlfile.Join(problems); err != nil {
		return &inputError{err}
	}
	client, err := q.jobs()
	if err != nil {
		return err
	}
	quote, err := bounded(ctx, q.app, func(ctx context.Context) (*tandemv1.Quote, error) {
		return client.QuoteJob(ctx, &tandemv1.QuoteJobRequest{Job: t.job, CutFiles: files})
	})
	if err != nil {
		return &fileError{t.file, t.lines, err}
	}
	if q.json {
		q.message(quote)
	} else {
		q.showQuote(quote)
	}
	for _, picture := range []struct {
		file string
		draw func(io.Writer, *tandemv1.Quote) error
	}{{q.svg, layoutview.SVG}, {q.png, layoutview.PNG}} {
		if picture.file == "" {
			continue
		}
		var b bytes.Buffer
		if err := picture.draw(&b, quote); err != nil {
			return fmt.Errorf("draw %s: %w", picture.file, err)
		}
		if err := os.WriteFile(picture.file, b.Bytes(), 0o644); err != nil {
			return fmt.Errorf("write the picture: %w", err)
		}
		q.say("%s: drawn", picture.file)
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

// mostCutBytes is how much of cut files may be sent with one request, all together.
const mostCutBytes = 3 << 20

// cutFiles reads the cut files that the items of a job name, each once: beside the ticket, or where a file: URI says. It
// compares each with the hash that the ticket gives, and fills that in where there is none. What lies elsewhere is not
// read, nor what is not there where the ticket says itself what the contour takes.
func cutFiles(ticket string, job *tandemv1.Job) ([]*tandemv1.CutFile, []*yamlfile.Error) {
	var files []*tandemv1.CutFile
	var problems []*yamlfile.Error
	hashes := map[string]string{} // by uri
	left := int64(mostCutBytes)
	for i, item := range job.GetItems() {
		doc := item.GetCut()
		if doc.GetUri() == "" {
			continue
		}
		field := fmt.Sprintf("items[%d].cut", i)
		problem := func(name, format string, args ...any) {
			problems = append(problems, &yamlfile.Error{File: ticket, Field: field + "." + name, Problem: fmt.Sprintf(format, args...)})
		}
		hash, known := hashes[doc.GetUri()]
		if !known {
			path, err := cutPath(filepath.Dir(ticket), doc.GetUri())
			if err != nil {
				problem("uri", "is %q: %v", doc.GetUri(), err)
				continue
			}
			if path == "" {
				continue
			}
			content, err := readCut(path, left)
			if errors.Is(err, fs.ErrNotExist) && item.GetContour() != nil {
				continue
			}
			if err != nil {
				problem("uri", "is %q: %v", doc.GetUri(), err)
				continue
			}
			left -= int64(len(content))
			sum := sha256.Sum256(content)
			hash = hex.EncodeToString(sum[:])
			hashes[doc.GetUri()] = hash
			files = append(files, &tandemv1.CutFile{Uri: doc.GetUri(), Content: content})
		}
		switch {
		case doc.GetSha256() == "":
			doc.Sha256 = hash
		case !strings.EqualFold(doc.GetSha256(), hash):
			problem("sha256", "is not that of %q, which is %s: name the right file, or leave the hash out", doc.GetUri(), hash)
		}
	}
	return files, problems
}

// cutPath returns where a cut file lies; nothing if it is not a file of this computer.
func cutPath(folder, uri string) (string, error) {
	const remedy = "give a path relative to the ticket, or a file: URI"
	if filepath.IsAbs(uri) || strings.HasPrefix(uri, "/") || strings.HasPrefix(uri, `\`) {
		return "", errors.New("an absolute path: " + remedy)
	}
	u, err := url.Parse(uri)
	switch {
	case err != nil:
		return "", errors.New("not a URI: " + remedy + ", with % and spaces written as %25 and %20")
	case u.Scheme == "":
		return filepath.Join(folder, filepath.FromSlash(u.Path)), nil
	case u.Scheme != "file":
		return "", nil
	case u.Host != "" && u.Host != "localhost":
		return "", errors.New("on another computer: " + remedy)
	case u.Opaque != "":
		path, err := url.PathUnescape(u.Opaque)
		return filepath.Join(folder, filepath.FromSlash(path)), err
	}
	path := filepath.FromSlash(u.Path)
	// file:///C:/x names a drive, RFC 8089 appendix E.2.
	if trimmed := strings.TrimPrefix(path, string(filepath.Separator)); filepath.VolumeName(trimmed) != "" {
		path = trimmed
	}
	return path, nil
}

// readCut reads a regular file of at most the given size.
func readCut(path string, most int64) ([]byte, error) {
	// Looked at before it is opened: a pipe without a writer would wait for ever.
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is not a regular file", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	content, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, err
	}
	if int64(len(content)) > most {
		return nil, fmt.Errorf("the cut files of a ticket may have %d bytes together, and with this one they have more: simplify the contour, or split the job", mostCutBytes)
	}
	return content, nil
}
