package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) attendanceCommand() *cobra.Command {
	var operators, days int
	var until string
	var shifts bool
	c := &change{app: a}
	cmd := &cobra.Command{
		Use:   "attendance",
		Short: "Show who is there, or say that others are than the shifts say.",
		Example: `  tandem attendance                    who is there today, and what deviates from the shifts
  tandem attendance --days 7
  tandem attendance --operators 1 --until 21:30 --note "overtime for the ferry"
  tandem attendance --operators 0 --until "2026-03-03 07:00" --note "storm, all at home"
  tandem attendance --shifts           the shifts hold again`,
		Long: `While nobody is there the daemon gives out nothing that a person must begin, and at no time more than the people there
can begin. Shifts are in the floor file. --until is a time of the shop's clock, a date and time, or in how long: 90m.`,
		Args: cobra.NoArgs,
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, _ []string) error {
		set := cmd.Flags().Changed("operators")
		switch {
		case set && shifts:
			return usagef("--operators says who is there and --shifts that nothing deviates: give one")
		case set && until == "":
			return usagef("until when? give --until, such as 21:30 or 90m")
		case !set && until != "":
			return usagef("how many are there until then? give --operators")
		case !set && !shifts:
			return a.showAttendance(cmd.Context(), days)
		}
		return a.setAttendance(cmd.Context(), c, operators, until)
	})
	cmd.Flags().IntVar(&operators, "operators", 0, "people who run devices from now on")
	cmd.Flags().StringVar(&until, "until", "", "until when: 21:30, a date and time, or for how long, such as 90m")
	cmd.Flags().BoolVar(&shifts, "shifts", false, "end what deviates from the shifts")
	cmd.Flags().IntVar(&days, "days", 1, "days to show, today included")
	c.noteFlag(cmd, "why, shown to everybody")
	c.keyFlag(cmd)
	return cmd
}

func (a *app) setAttendance(ctx context.Context, c *change, operators int, until string) error {
	client, err := a.admin()
	if err != nil {
		return err
	}
	return c.ask(ctx, func(ctx context.Context, key string) (proto.Message, error) {
		at, err := a.moment(ctx, "--until", until)
		if err != nil {
			return nil, err
		}
		return client.SetAttendance(ctx, &tandemv1.SetAttendanceRequest{
			Operators: int32(operators), UntilTime: at, Note: c.note, RequestId: key, Actor: c.actor,
		})
	})
}

func (a *app) getAttendance(ctx context.Context, days int) (*tandemv1.AttendanceView, error) {
	client, err := a.admin()
	if err != nil {
		return nil, err
	}
	return bounded(ctx, a, func(ctx context.Context) (*tandemv1.AttendanceView, error) {
		return client.GetAttendance(ctx, &tandemv1.GetAttendanceRequest{Days: int32(days)})
	})
}

func (a *app) showAttendance(ctx context.Context, days int) error {
	view, err := a.getAttendance(ctx, days)
	if err != nil {
		return err
	}
	a.attendance(view)
	return nil
}

// occupied says how many have something to do. What runs may need more than are there, once some have gone.
func occupied(v *tandemv1.AttendanceView) string {
	switch busy := v.GetOperatorsBusy(); {
	case busy <= 0:
		return ""
	case v.Operators != nil && busy > v.GetOperators():
		return fmt.Sprintf("work under way asks for %d, as far as that can be reckoned", busy)
	default:
		return fmt.Sprintf("%d of them with something to do, as far as that can be reckoned", busy)
	}
}

// attendance shows who is there, by the shop's clock.
func (a *app) attendance(v *tandemv1.AttendanceView) {
	switch {
	case a.json:
		a.message(v)
		return
	case a.quiet && v.Operators != nil:
		a.text("%d", v.GetOperators())
		return
	case a.quiet:
		return
	}
	clock := wording.Clock{Now: v.GetNow().AsTime(), Zone: zoneOf(v)}
	var f facts
	f.add("now", clock.Now.In(clock.Zone).Format("Mon 2006-01-02 15:04 MST"))
	f.add("people", people(clock, v.Operators != nil, v.GetOperators(), v.GetChangeTime()))
	f.add("", occupied(v))
	if d := v.GetDeviation(); d != nil {
		f.style("in place of the shifts", warned, fmt.Sprintf("%s until %s, says %s%s",
			headcount(d.GetOperators()), clock.When(d.GetUntilTime()), d.GetActor(), before(": ", d.GetNote())))
	}
	f.print(a.printer)
	if len(v.GetWindows()) == 0 {
		return
	}
	t := table{head: []string{"DAY", "FROM", "TO", "PEOPLE"}}
	for _, w := range v.GetWindows() {
		from, to := w.GetFromTime().AsTime().In(clock.Zone), w.GetToTime().AsTime().In(clock.Zone)
		end := to.Format("15:04")
		if end == "00:00" {
			end = "24:00"
		}
		t.add(span{plain, from.Format("Mon 2006-01-02")}, span{plain, from.Format("15:04")}, span{plain, end}, span{plain, fmt.Sprint(w.GetOperators())})
	}
	t.print(a.printer)
}

// people says how many people there are, and when that changes.
func people(clock wording.Clock, limited bool, operators int32, change *timestamppb.Timestamp) string {
	if !limited {
		return "as many as are needed: the floor file has no shifts"
	}
	text := headcount(operators) + " there"
	if change != nil {
		text += ", changes at " + clock.When(change)
	}
	return text
}

func headcount(n int32) string {
	switch n {
	case 0:
		return "nobody"
	case 1:
		return "1 person"
	}
	return fmt.Sprintf("%d people", n)
}

// zoneOf returns where the shop's clock hangs.
func zoneOf(v *tandemv1.AttendanceView) *time.Location {
	zone, err := time.LoadLocation(v.GetTimeZone())
	if err != nil {
		return time.UTC
	}
	return zone
}

// moment reads a time to come as people write it: 21:30 is the next time the shop's clock shows that; or a date and time of
// that clock, with or without its zone; or in how long. Empty: no time.
func (a *app) moment(ctx context.Context, flag, text string) (*timestamppb.Timestamp, error) {
	if text == "" {
		return nil, nil
	}
	v, err := a.getAttendance(ctx, 1)
	if err != nil {
		return nil, err
	}
	at, err := momentOf(flag, strings.TrimSpace(text), v.GetNow().AsTime(), zoneOf(v))
	if err != nil {
		return nil, err
	}
	return timestamppb.New(at), nil
}

func momentOf(flag, text string, now time.Time, zone *time.Location) (time.Time, error) {
	if d, err := time.ParseDuration(text); err == nil && d > 0 {
		return now.Add(d), nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02T15:04"} {
		if t, err := time.ParseInLocation(layout, text, zone); err == nil {
			return t, nil
		}
	}
	if t, err := time.Parse("15:04", text); err == nil {
		y, m, d := now.In(zone).Date()
		for ; ; d++ {
			if at := time.Date(y, m, d, t.Hour(), t.Minute(), 0, 0, zone); at.After(now) {
				return at, nil
			}
		}
	}
	return time.Time{}, usagef("%s: %q is not a time; write 21:30, \"2026-03-02 21:30\", or in how long, such as 90m", flag, text)
}
