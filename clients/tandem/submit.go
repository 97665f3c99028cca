package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"tandem/clients/ticketfile"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/xjdf"
	"tandem/proto/yamlfile"
)

func (a *app) submitCommand() *cobra.Command {
	s := &submission{change: change{app: a}}
	s.xjdf.Now = a.now()
	cmd := &cobra.Command{
		Use:   "submit FILE...",
		Short: "Hand in jobs from tickets in YAML, JSON or XJDF.",
		Example: `  tandem submit ticket.yaml
  tandem submit --check *.yaml        only say whether they would be taken in, when done, and whom they would delay
  tandem submit --hold ticket.yaml    take it in, start nothing until 'tandem release'
  tandem submit --media PAPER-80=paper-satin order.xjdf    what that ticket calls PAPER-80 is paper-satin here
  tandem submit --request-id order-4711 ticket.yaml    safe to repeat`,
		Long: `Each file holds one job. All files are read first: if one is bad, none is handed in. A job is taken in whole or not at
all; the others of the same call are tried all the same, and the exit code is that of the first that failed.

Cut files that items name are sent along: relative names are looked up beside the ticket and below --cut-root, and
nothing is read elsewhere.

With several files the key of file N is the given --request-id, a dash and N.`,
		Args: cobra.MinimumNArgs(1),
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error { return s.submit(cmd.Context(), args) })
	s.keyFlag(cmd)
	cmd.Flags().BoolVar(&s.check, "check", false, "check only, hand nothing in: would it be taken in, when would it be done, whom would it delay")
	cmd.Flags().StringArrayVar(&s.cutRoots, "cut-root", nil, "further folder of cut files (may be repeated)")
	xjdfFlags(cmd, &s.xjdf)
	cmd.Flags().BoolVar(&s.hold, "hold", false, "start nothing until the job is released")
	return cmd
}

type submission struct {
	change
	check, hold bool
	cutRoots    []string
	xjdf        xjdf.Options
}

// ticket is a file that was read.
type ticket struct {
	file  string
	lines yamlfile.Lines
	job   *tandemv1.Job
	cuts  []*tandemv1.CutFile
	notes []string
}

func (s *submission) submit(ctx context.Context, files []string) error {
	tickets, err := readTickets(files, s.cutRoots, s.xjdf)
	if err != nil {
		return err
	}
	if s.actor == "" {
		return usagef("who asks? give a name with --actor or TANDEM_ACTOR")
	}
	client, err := s.jobs()
	if err != nil {
		return err
	}
	s.key()
	first := 0
	for i, t := range tickets {
		err := s.one(ctx, client, t, i, len(tickets))
		if err == nil {
			continue
		}
		if ctx.Err() != nil || len(tickets) == 1 {
			return err
		}
		for _, line := range s.describe(err) {
			s.talk(bad, line)
		}
		if first == 0 {
			first = exitCode(err)
		}
		if status.Code(err) == codes.Unavailable {
			s.warn("%s not tried", wording.Count(len(tickets)-i-1, "more file"))
			break
		}
	}
	if first != 0 {
		return &told{first}
	}
	return nil
}

// readTickets reads all files and reports what is wrong with any of them.
func readTickets(files, cutRoots []string, opt xjdf.Options) ([]ticket, error) {
	if err := checkMedia(opt); err != nil {
		return nil, err
	}
	var tickets []ticket
	var problems []error
	for _, file := range files {
		t := ticket{file: file, job: &tandemv1.Job{}}
		err := t.read(opt)
		if err == nil {
			err = t.readCutFiles(cutRoots)
		}
		if err != nil {
			problems = append(problems, err)
		}
		tickets = append(tickets, t)
	}
	if len(problems) > 0 {
		return nil, &inputError{errors.Join(problems...)}
	}
	return tickets, nil
}

// read reads the ticket in whichever form its name tells.
func (t *ticket) read(opt xjdf.Options) (err error) {
	switch ticketfile.FormatOf(t.file) {
	case ticketfile.XJDF, ticketfile.XML:
	default:
		t.lines, err = yamlfile.ReadLines(t.file, t.job)
		return err
	}
	data, err := ticketfile.ReadCapped(t.file)
	if err != nil {
		return err
	}
	read, err := ticketfile.Parse(t.file, data, opt)
	if err != nil {
		return t.located(err)
	}
	t.job = read.Job
	t.notes = read.Report.Assumptions
	for _, ignored := range read.Report.Ignored {
		t.notes = append(t.notes, "not used: "+ignored.String())
	}
	if n := read.Report.MoreIgnored; n > 0 {
		t.notes = append(t.notes, "not used: "+wording.Count(n, "more path"))
	}
	return nil
}

// readCutFiles reads the cut files that the items name, beside the ticket or below one of the folders.
func (t *ticket) readCutFiles(folders []string) error {
	if len(t.job.GetItems()) == 0 {
		return nil
	}
	roots, err := ticketfile.OpenRoots(append([]string{filepath.Dir(t.file)}, folders...)...)
	if err != nil {
		return err
	}
	found, err := roots.CutFiles(t.job)
	t.cuts = found.Files
	t.notes = append(t.notes, found.Notes...)
	if err = errors.Join(err, roots.Close()); err != nil {
		return t.located(err)
	}
	return nil
}

// located puts the file's name and the line before each problem.
func (t *ticket) located(err error) error {
	var all []error
	for _, p := range ticketfile.Problems(err) {
		if p.Line == 0 {
			p.Line = t.lines.At(p.Field)
		}
		all = append(all, &yamlfile.Error{File: t.file, Line: p.Line, Field: p.Field, Problem: p.Problem})
	}
	return errors.Join(all...)
}

func (s *submission) one(ctx context.Context, client tandemv1.JobServiceClient, t ticket, i, of int) error {
	key := s.requestID
	if of > 1 {
		key += "-" + strconv.Itoa(i+1)
	}
	if s.hold {
		t.job.Hold = true
	}
	ctx, cancel := s.bounded(ctx)
	defer cancel()
	job, err := client.CreateJob(ctx, &tandemv1.CreateJobRequest{
		Job: t.job, RequestId: key, ValidateOnly: s.check, Actor: s.actor, CutFiles: t.cuts,
	})
	if err != nil {
		err = &fileError{t.file, t.lines, err}
		if !s.check {
			err = &changeError{key, err}
		}
		return err
	}
	for _, note := range t.notes {
		s.say("%s: %s", t.file, note)
	}
	if s.check && !s.json && !s.quiet {
		s.checked(t.file, job)
		s.wouldDo(ctx, t.file, job)
		return nil
	}
	s.outcome(job)
	return nil
}

// checked tells the answer of a check, and what the daemon has noticed in the steps.
func (s *submission) checked(file string, job *tandemv1.Job) {
	s.line(span{plain, file + ": "}, span{good, "good"}, span{plain, fmt.Sprintf(": %s would be taken in, %s", job.GetId(), wording.Count(len(job.GetSteps()), "step"))})
	for _, step := range job.GetSteps() {
		if len(step.GetStateReasons()) > 0 {
			s.line(span{plain, file + ": "}, span{warned, "step " + step.GetId()}, span{plain, ": " + reasons(step.GetStateReasons())})
		}
	}
}
