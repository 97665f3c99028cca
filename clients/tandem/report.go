package main

import (
	"context"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) reportCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "report",
		Short: "Tell what was done in a period: devices, jobs, waste, or the night.",
		Example: `  tandem report devices                              today so far
  tandem report devices --from yesterday --to today  yesterday
  tandem report jobs --from 2026-03-01 --to 2026-04-01 --period week
  tandem report waste --from 7d --csv waste.csv
  tandem report night                                what happened while nobody was there`,
		Long: reportPeriods,
		RunE: a.runs(func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usagef("there is no report of %q: say devices, jobs, waste or night", args[0])
			}
			return usagef("say of what: devices, jobs, waste or night")
		}),
	}
	cmd.AddCommand(a.reportDevicesCommand(), a.reportJobsCommand(), a.reportWasteCommand(), a.reportNightCommand())
	return cmd
}

const reportPeriods = `A time is a date of the shop's clock (2026-03-02 or "2026-03-02 06:00"), today, yesterday, a clock time of today
(06:00), or how long ago (90m, 36h, 7d). A period goes up to --to and without it; a date is its midnight. Without --from
it begins with the day; what is still to come is cut off. Times are those of the shop's clock. A dash stands for what
nobody knows.`

// reporting is one report that is asked for.
type reporting struct {
	*app
	pictures              pictures
	from, to, period, csv string
	devices               []string
	all                   bool // every indicator
}

func (a *app) reportOf(use, short, example, long string, night bool, do func(*reporting, context.Context, *tandemv1.Period) error) *cobra.Command {
	r := &reporting{app: a}
	cmd := &cobra.Command{Use: use, Short: short, Example: example, Long: long + "\n\n" + reportPeriods, Args: cobra.NoArgs}
	if strings.Contains(use, "DEVICE") {
		cmd.Args = cobra.ArbitraryArgs
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		r.devices = args
		if err := r.check(cmd); err != nil {
			return err
		}
		period, err := r.reportPeriod(cmd.Context())
		if err != nil {
			return err
		}
		return do(r, cmd.Context(), period)
	})
	cmd.Flags().StringVar(&r.from, "from", "", "beginning of the period")
	cmd.Flags().StringVar(&r.to, "to", "", "end of the period; now, if left out")
	if !night {
		cmd.Flags().StringVar(&r.period, "period", "", "one line for each day, week or shift")
	}
	cmd.Flags().StringVar(&r.csv, "csv", "", "write it into this file as comma-separated values; - is standard output")
	r.pictures.flags(cmd, "a plot of it")
	return cmd
}

func (r *reporting) check(cmd *cobra.Command) error {
	changed := cmd.Flags().Changed
	if _, err := r.division(); err != nil {
		return err
	}
	switch {
	case changed("csv") && r.csv == "":
		return usagef("--csv is empty: give the name of a file, or - for standard output")
	case changed("csv") && r.json:
		return usagef("--csv and --json exclude each other")
	}
	return r.pictures.check(cmd)
}

func (r *reporting) division() (tandemv1.Division, error) {
	switch r.period {
	case "":
		return tandemv1.Division_DIVISION_UNSPECIFIED, nil
	case "day":
		return tandemv1.Division_DIVISION_DAY, nil
	case "week":
		return tandemv1.Division_DIVISION_WEEK, nil
	case "shift":
		return tandemv1.Division_DIVISION_SHIFT, nil
	}
	return 0, usagef("--period is %q: give day, week or shift", r.period)
}

// reportPeriod reads --from and --to by the shop's clock.
func (r *reporting) reportPeriod(ctx context.Context) (*tandemv1.Period, error) {
	if r.from == "" && r.to == "" {
		return nil, nil
	}
	v, err := r.getAttendance(ctx, 1)
	if err != nil {
		return nil, err
	}
	out := &tandemv1.Period{}
	for _, f := range []struct {
		flag, text string
		to         **timestamppb.Timestamp
	}{{"--from", r.from, &out.FromTime}, {"--to", r.to, &out.ToTime}} {
		if f.text == "" {
			continue
		}
		at, err := pastMoment(f.flag, strings.TrimSpace(f.text), v.GetNow().AsTime(), zoneOf(v))
		if err != nil {
			return nil, err
		}
		*f.to = timestamppb.New(at)
	}
	if out.GetFromTime() != nil && out.GetToTime() != nil && !out.GetFromTime().AsTime().Before(out.GetToTime().AsTime()) {
		return nil, usagef("--to %q is not after --from %q", r.to, r.from)
	}
	return out, nil
}

// pastMoment reads a time that has passed as people write it.
func pastMoment(flag, text string, now time.Time, zone *time.Location) (time.Time, error) {
	y, m, d := now.In(zone).Date()
	switch text {
	case "today":
		return time.Date(y, m, d, 0, 0, 0, 0, zone), nil
	case "yesterday":
		return time.Date(y, m, d-1, 0, 0, 0, 0, zone), nil
	case "now":
		return now, nil
	}
	if days, ok := strings.CutSuffix(text, "d"); ok {
		if n, err := time.ParseDuration(days + "h"); err == nil && n > 0 { // 7d: seven days before, at the same time of the clock
			return now.In(zone).AddDate(0, 0, -int(n/time.Hour)), nil
		}
	}
	if ago, err := time.ParseDuration(text); err == nil && ago > 0 {
		return now.Add(-ago), nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	for _, layout := range []string{time.DateOnly, "2006-01-02 15:04", "2006-01-02T15:04"} {
		if t, err := time.ParseInLocation(layout, text, zone); err == nil {
			return t, nil
		}
	}
	if t, err := time.Parse("15:04", text); err == nil {
		return time.Date(y, m, d, t.Hour(), t.Minute(), 0, 0, zone), nil
	}
	return time.Time{}, usagef("%s: %q is not a time; write 2026-03-02, \"2026-03-02 06:00\", today, yesterday, or how long ago, such as 7d", flag, text)
}

func (a *app) reports() (tandemv1.ReportServiceClient, error) {
	conn, err := a.connect()
	return tandemv1.NewReportServiceClient(conn), err
}

// reportMessage is any report.
type reportMessage interface {
	proto.Message
	GetSource() *tandemv1.ReportSource
}

// finish hands a report over in every form that is asked for.
func (r *reporting) finish(m reportMessage, file *csvFile, show func(clock wording.Clock), draw func(zone *time.Location) error) error {
	zone := sourceZone(m.GetSource())
	switch {
	case r.csv != "":
		if err := r.export(file); err != nil {
			return err
		}
	case r.json:
		r.message(m)
	default:
		show(wording.Clock{Now: m.GetSource().GetNow().AsTime(), Zone: zone})
	}
	if !r.pictures.wanted() {
		return nil
	}
	return draw(zone)
}

func sourceZone(s *tandemv1.ReportSource) *time.Location {
	zone, err := time.LoadLocation(s.GetTimeZone())
	if err != nil {
		return time.UTC
	}
	return zone
}

// headline says what a report is about.
func (r *reporting) headline(what string, s *tandemv1.ReportSource) {
	r.line(span{strong, what}, span{plain, ", " + periodText(s.GetPeriod(), sourceZone(s)) + " (" + s.GetTimeZone() + ")"})
}

// periodText shows a period as short as it stays clear: a day, days, or times.
func periodText(p *tandemv1.Period, zone *time.Location) string {
	from, to := p.GetFromTime().AsTime().In(zone), p.GetToTime().AsTime().In(zone)
	midnight := func(t time.Time) bool { return t.Hour() == 0 && t.Minute() == 0 && t.Second() == 0 }
	const day = "Mon 2006-01-02"
	switch last := to.AddDate(0, 0, -1); {
	case midnight(from) && midnight(to) && last.Format(day) == from.Format(day):
		return from.Format(day)
	case midnight(from) && midnight(to):
		return from.Format(day) + " to " + last.Format(day)
	case from.Format(day) == to.Format(day):
		return from.Format(day+" 15:04") + " to " + to.Format("15:04")
	}
	return from.Format(day+" 15:04") + " to " + to.Format(day+" 15:04")
}

// partText names a part of the period.
func partText(p *tandemv1.Period, shift string, zone *time.Location) string {
	return words(" ", shift, periodText(p, zone))
}
