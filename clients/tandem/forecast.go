package main

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) forecastCommand() *cobra.Command {
	f := &forecasting{app: a}
	cmd := &cobra.Command{
		Use:   "forecast [JOB]",
		Short: "Show when jobs will be done, the first first, and which may be late.",
		Example: `  tandem forecast
  tandem forecast shop-window
  tandem forecast --late 10       only those that are late in 10 of 100 cases or more
  tandem forecast --watch         and go on with what changes`,
		Long: `The floor is played forward many times from its present state, with the times that runs took before, faults, people's
time to come, and jobs that come in as they did in the last weeks. A job is done by its first date in nine of ten cases:
the date to promise. By the second it is done in half of them. Slack is what is left from the first to when it is due.

What is held, or waits for a decision or for a device that nobody knows to come back, has no date.`,
		Args: cobra.MaximumNArgs(1),
	}
	cmd.Flags().Float64Var(&f.late, "late", 0, "only jobs that are late in at least so many of 100 cases")
	cmd.Flags().BoolVar(&f.watch, "watch", false, "go on with what changes")
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		if len(args) == 1 {
			f.job = args[0]
		}
		switch {
		case math.IsNaN(f.late) || f.late < 0 || f.late > 100:
			return usagef("--late is %v: give a number of 100 cases, 0 to 100", f.late)
		case f.watch && cmd.Flags().Changed("late"):
			return usagef("--late and --watch exclude each other: what is no longer late would not be heard of")
		case f.watch:
			return f.follow(cmd.Context())
		}
		return f.list(cmd.Context())
	})
	return cmd
}

type forecasting struct {
	*app
	job   string
	late  float64
	watch bool
}

func (a *app) forecasts() (tandemv1.ForecastServiceClient, error) {
	conn, err := a.connect()
	return tandemv1.NewForecastServiceClient(conn), err
}

func (f *forecasting) list(ctx context.Context) error {
	client, err := f.forecasts()
	if err != nil {
		return err
	}
	list, err := bounded(ctx, f.app, func(ctx context.Context) (*tandemv1.ListForecastsResponse, error) {
		return client.ListForecasts(ctx, &tandemv1.ListForecastsRequest{Job: f.job, MinLateRisk: f.late / 100})
	})
	if err != nil {
		return err
	}
	switch {
	case f.json:
		f.message(list)
	case f.quiet:
		for _, j := range inOrderOfDates(list.GetForecasts()) {
			f.text("%s", j.GetJob())
		}
	case len(list.GetForecasts()) == 0:
		f.say("no jobs")
	default:
		f.table(f.clock(ctx), list.GetForecasts())
	}
	return nil
}

// inOrderOfDates puts what is done first first, and what has no date last.
func inOrderOfDates(list []*tandemv1.JobForecast) []*tandemv1.JobForecast {
	list = slices.Clone(list)
	at := func(j *tandemv1.JobForecast) int64 {
		if t := j.GetForecast().GetP90Time(); t != nil {
			return t.AsTime().UnixNano()
		}
		return math.MaxInt64
	}
	slices.SortStableFunc(list, func(x, y *tandemv1.JobForecast) int { return cmp.Compare(at(x), at(y)) })
	return list
}

func (f *forecasting) table(clock wording.Clock, list []*tandemv1.JobForecast) {
	t := table{head: []string{"JOB", "9 OF 10 TIMES BY", "5 OF 10 BY", "SLACK", "LATE RISK", "NO DATE BECAUSE"}}
	for _, j := range inOrderOfDates(list) {
		d := j.GetForecast()
		t.add(span{strong, j.GetJob()}, span{plain, clock.When(d.GetP90Time())}, span{plain, clock.At(d.GetP50Time())}, slack(d), lateRisk(d), span{warned, d.GetStuck()})
	}
	t.print(f.printer)
}

// follow prints all dates, then what changes, until the context ends. It goes on when the daemon has been away.
func (f *forecasting) follow(ctx context.Context) error {
	client, err := f.forecasts()
	if err != nil {
		return err
	}
	if f.job, err = f.jobID(ctx, f.job); err != nil {
		return err
	}
	const again = time.Second
	heard, lost := false, false
	for {
		stream, err := client.WatchForecasts(ctx, &tandemv1.WatchForecastsRequest{Job: f.job})
		for err == nil {
			var m *tandemv1.ListForecastsResponse
			if m, err = stream.Recv(); err != nil {
				break
			}
			if lost {
				f.warn("the daemon is back: going on with all dates")
			}
			heard, lost = true, false
			f.changes(ctx, m)
			if err := f.flush(); err != nil {
				return err
			}
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if !heard || status.Code(err) != codes.Unavailable { // a daemon that was never there is an error
			return err
		}
		if !lost {
			f.warn("%s", lostText(err))
			lost = true
		}
		select {
		case <-time.After(again):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// changes prints one line for each job that has another date.
func (f *forecasting) changes(ctx context.Context, m *tandemv1.ListForecastsResponse) {
	switch {
	case f.json:
		f.message(m)
		return
	case len(m.GetForecasts()) == 0:
		return
	}
	clock := f.clock(ctx)
	for _, j := range inOrderOfDates(m.GetForecasts()) {
		switch d := j.GetForecast(); {
		case f.quiet:
			f.text("%s", j.GetJob())
		case d == nil:
			f.line(span{strong, j.GetJob()}, span{plain, ": has ended"})
		default:
			f.line(append([]span{{strong, j.GetJob()}, {plain, ": "}}, dateWords(clock, d)...)...)
		}
	}
}

// dateWords tells a forecast in one line.
func dateWords(clock wording.Clock, d *tandemv1.Forecast) []span {
	if d.GetP90Time() == nil {
		return []span{{warned, "no date: " + orDash(d.GetStuck())}}
	}
	out := []span{{plain, "done by " + clock.When(d.GetP90Time())}}
	if d.GetSlack() != nil {
		out = append(out, span{plain, ", slack "}, slack(d), span{plain, ", late risk "}, lateRisk(d))
	}
	return out
}

// slack shows how far a date is from the due time.
func slack(d *tandemv1.Forecast) span {
	switch s := d.GetSlack().AsDuration(); {
	case d.GetSlack() == nil:
		return span{plain, "-"}
	case s < 0:
		return span{bad, wording.Span(s)}
	default:
		return span{plain, wording.Span(s)}
	}
}

// lateRisk shows in how many of a hundred cases a job is late.
func lateRisk(d *tandemv1.Forecast) span {
	percent := 100 * d.GetLateRisk()
	if d.GetSlack() == nil && percent == 0 {
		return span{plain, "-"}
	}
	style := plain
	switch {
	case percent >= 50:
		style = bad
	case percent >= 10:
		style = warned
	}
	return span{style, percentText(percent)}
}

func percentText(percent float64) string {
	switch {
	case percent > 0 && percent < 1:
		return "under 1 %"
	case percent > 99 && percent < 100:
		return "over 99 %"
	}
	return fmt.Sprintf("%.0f %%", percent)
}

// doneBy shows the date of a job in a list.
func doneBy(clock wording.Clock, j *tandemv1.Job) span {
	switch d := j.GetForecast(); {
	case d == nil:
		return span{plain, "-"}
	case d.GetP90Time() == nil:
		return span{warned, "no date"}
	default:
		return span{plain, clock.At(d.GetP90Time())}
	}
}

// forecastFacts adds what is known of a job's date to its facts.
func (f *facts) forecast(clock wording.Clock, d *tandemv1.Forecast) {
	if d == nil {
		return
	}
	if d.GetP90Time() == nil {
		f.style("no date", warned, d.GetStuck())
		return
	}
	f.add("done by", clock.When(d.GetP90Time())+", nine times of ten")
	f.add("even", clock.At(d.GetP50Time())+", half of the times")
	if d.GetSlack() != nil {
		s, r := slack(d), lateRisk(d)
		f.style("slack", s.Style, s.Text)
		f.style("late risk", r.Style, r.Text)
	}
}

// wouldDo tells what a job that was only checked would do.
func (s *submission) wouldDo(ctx context.Context, file string, j *tandemv1.Job) {
	d := j.GetForecast()
	if d == nil {
		return
	}
	clock := s.clock(ctx)
	say := func(spans ...span) { s.line(append([]span{{plain, file + ": "}}, spans...)...) }
	if d.GetP90Time() == nil {
		say(span{warned, "there is no date for it"}, span{plain, ": " + orDash(d.GetStuck())})
	} else {
		date := []span{{plain, "it would be done by " + clock.When(d.GetP90Time())}}
		switch slack := d.GetSlack(); {
		case slack == nil:
		case slack.AsDuration() < 0:
			date = append(date, span{bad, fmt.Sprintf(", %s after it is due; late risk %s", wording.Span(-slack.AsDuration()), lateRisk(d).Text)})
		default:
			date = append(date, span{plain, fmt.Sprintf(", %s before it is due; late risk %s", wording.Span(slack.AsDuration()), lateRisk(d).Text)})
		}
		say(date...)
	}
	for _, delay := range d.GetDelays() {
		text := fmt.Sprintf("it would delay %s by %s", delay.GetJob(), wording.Span(delay.GetDelay().AsDuration()))
		if delay.GetAfterTime() != nil {
			text += ", to " + clock.At(delay.GetAfterTime())
		}
		line := []span{{plain, text}}
		if before, after := percentText(100*delay.GetLateRiskBefore()), percentText(100*delay.GetLateRiskAfter()); before != after {
			line = append(line, span{warned, fmt.Sprintf("; its late risk would go from %s to %s", before, after)})
		}
		say(line...)
	}
	if len(d.GetDelays()) == 0 && !strings.Contains(d.GetStuck(), "held") {
		say(span{plain, "it would delay no other job"})
	}
}
