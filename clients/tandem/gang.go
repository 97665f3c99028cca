package main

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) gangCommand() *cobra.Command {
	var propose, check bool
	c := &change{app: a}
	cmd := &cobra.Command{
		Use:   "gang ID JOB JOB...",
		Short: "Put several jobs on shared panels: printed, dried, laminated and cut once for all.",
		Example: `  tandem gang --propose                        which jobs could share, and what that saves
  tandem gang gang-7 tide-tables cafe-door     put these on shared panels, as the job gang-7
  tandem gang --check gang-7 tide-tables cafe-door
  tandem cancel gang-7                         take it apart, as long as nothing of it has begun`,
		Long: `The jobs must have been handed in as items of the same media, ink, mode and film, and must not have begun. The gang run
is a job of its own; the steps that it does for its members wait for it, and what follows goes on in each job by itself.
A gang run is as urgent as the most urgent of its members, and one that is held holds them all.

Spoiled pieces are booked and made again by the job they belong to: scan or name its panel, not the shared one. If a job
is canceled the others go on.`,
	}
	cmd.Args = func(_ *cobra.Command, args []string) error {
		switch {
		case propose && (check || len(args) > 0):
			return usagef("--propose stands alone: it looks at all jobs")
		case !propose && len(args) < 3:
			return usagef("give an id for the gang run and at least two jobs, or --propose")
		}
		return nil
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		if propose {
			return a.proposeGangs(cmd.Context())
		}
		client, err := a.jobs()
		if err != nil {
			return err
		}
		if check {
			job, err := bounded(cmd.Context(), a, func(ctx context.Context) (*tandemv1.Job, error) {
				return client.GangJobs(ctx, &tandemv1.GangJobsRequest{Id: args[0], Jobs: args[1:], ValidateOnly: true, Actor: a.actor})
			})
			if err != nil {
				return err
			}
			a.wouldGang(job)
			return nil
		}
		return c.ask(cmd.Context(), func(ctx context.Context, key string) (proto.Message, error) {
			return client.GangJobs(ctx, &tandemv1.GangJobsRequest{Id: args[0], Jobs: args[1:], RequestId: key, Actor: c.actor})
		})
	})
	c.keyFlag(cmd)
	cmd.Flags().BoolVar(&propose, "propose", false, "list jobs that could share panels, the greatest saving first")
	cmd.Flags().BoolVar(&check, "check", false, "answer what would be, and store nothing")
	return cmd
}

// wouldGang shows a gang run that has only been checked.
func (a *app) wouldGang(j *tandemv1.Job) {
	switch {
	case a.json:
		a.message(j)
	case a.quiet:
		a.text("%s", j.GetId())
	default:
		web := ""
		if len(j.GetSteps()) > 0 && j.GetSteps()[0].GetLengthUm() > 0 {
			web = ", " + wording.Millimetres(j.GetSteps()[0].GetLengthUm()) + " of web"
		}
		a.line(span{good, "good: "}, span{strong, j.GetId()}, span{plain, " would put " + strings.Join(j.GetMembers(), ", ") + " on " +
			wording.Count(len(j.GetPanels()), "shared panel") + web + ", " + wording.Count(len(j.GetSteps()), "step")})
	}
}

func (a *app) proposeGangs(ctx context.Context) error {
	client, err := a.jobs()
	if err != nil {
		return err
	}
	list, err := bounded(ctx, a, func(ctx context.Context) (*tandemv1.ProposeGangsResponse, error) {
		return client.ProposeGangs(ctx, &tandemv1.ProposeGangsRequest{})
	})
	if err != nil {
		return err
	}
	switch {
	case a.json:
		a.message(list)
	case a.quiet:
		for _, p := range list.GetProposals() {
			a.text("%s", strings.Join(p.GetJobs(), " "))
		}
	case len(list.GetProposals()) == 0:
		a.say("no jobs that wait would save web on shared panels")
	default:
		t := table{head: []string{"SAVES", "APART", "TOGETHER", "MEDIA", "JOBS"}}
		for _, p := range list.GetProposals() {
			apart, together := p.GetLengthApartUm(), p.GetLengthTogetherUm()
			t.add(span{strong, wording.Millimetres(apart - together)}, span{plain, wording.Millimetres(apart)}, span{plain, wording.Millimetres(together)},
				span{plain, p.GetMedia()}, span{plain, strings.Join(p.GetJobs(), " ")})
		}
		t.print(a.printer)
	}
	return nil
}

// carried says which steps of a job a gang run does.
func (a *app) carried(j *tandemv1.Job) {
	var gangs []string
	steps := map[string][]string{}
	for _, s := range j.GetSteps() {
		gang, step, ok := strings.Cut(s.GetCarriedBy(), "/")
		if !ok {
			continue
		}
		if !slices.Contains(gangs, gang) {
			gangs = append(gangs, gang)
		}
		name := s.GetId()
		if step != name {
			name += " (as its " + step + ")"
		}
		steps[gang] = append(steps[gang], name)
	}
	for _, gang := range gangs {
		a.line(span{plain, "on shared panels, in gang run "}, span{strong, gang}, span{plain, ": " + strings.Join(steps[gang], ", ")})
	}
}

// contents shows whose pieces lie on shared panels, in the order in which they leave the machine.
func (a *app) contents(j *tandemv1.Job) {
	const most = 40
	t := table{head: []string{"PANEL", "PIECES", "OF JOB", "ITEM", "SPOILED"}}
	more := 0
	for _, p := range j.GetPanels() {
		from := 1
		for _, c := range p.GetContents() {
			if c.GetJob() == "" {
				continue
			}
			to := from + int(c.GetPieces()) - 1
			if len(t.rows) < most {
				t.add(span{strong, p.GetId()}, span{plain, stretch(from, to)}, span{plain, c.GetJob()}, span{plain, c.GetItem()}, count(c.GetPiecesSpoiled()))
			} else {
				more++
			}
			from = to + 1
		}
	}
	if len(t.rows) == 0 {
		return
	}
	a.line()
	t.print(a.printer)
	if more > 0 {
		a.text("and %s; --json shows all", wording.Count(more, "more row"))
	}
}

func stretch(from, to int) string {
	if from == to {
		return strconv.Itoa(from)
	}
	return fmt.Sprintf("%d-%d", from, to)
}
