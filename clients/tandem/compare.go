package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/ganttview"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/xjdf"
)

func (a *app) compareCommand() *cobra.Command {
	c := &comparing{app: a}
	c.xjdf.Now = a.now()
	cmd := &cobra.Command{
		Use:   "compare FLOOR... --tickets DIR|--mix FILE",
		Short: "Play the same jobs on two or more floors, and say which does better and what it is worth.",
		Example: `  tandem compare harbour.yaml --tickets tickets --add-device cutter-3=cutter-1
  tandem compare harbour.yaml --mix spring.yaml --add-operator --add-shift
  tandem compare harbour.yaml larger.yaml --mix spring.yaml --invest 48000
  tandem compare harbour.yaml --tickets tickets --svg days.svg    one floor: how it does
  tandem compare a.yaml b.yaml --mix spring.yaml --replications 100 --seed 7 --json`,
		Long: `The first floor is what the others are compared with. Each of the changes --add-device, --without-device, --add-operator
and --add-shift makes one more floor: the first one with that change alone. For several changes at once write a second
floor file.

--tickets takes the tickets of a folder, or a single one; they are handed in at their release_time, else when the floor
opens. --mix takes jobs as they come in day by day: a file with the fields of tandem.v1.Mix. Cut files that items name
are sent along: relative names are looked up beside the file and below --cut-root, and nothing is read elsewhere.

The daemon only does the reckoning: its own floor and jobs neither count nor change. Behind each figure stands between
what its mean lies 95 times in 100. Figures are as good as the times in the floor file: measure before you buy.`,
		Args: cobra.MinimumNArgs(1),
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		if err := c.check(cmd); err != nil {
			return err
		}
		return c.compare(cmd.Context(), args)
	})
	flags := cmd.Flags()
	flags.StringArrayVar(&c.tickets, "tickets", nil, "folder of tickets, or a ticket (may be repeated)")
	flags.StringVar(&c.mix, "mix", "", "file with a mix of jobs")
	flags.StringArrayVar(&c.cutRoots, "cut-root", nil, "further folder of cut files (may be repeated)")
	xjdfFlags(cmd, &c.xjdf)
	flags.Int32Var(&c.replications, "replications", 0, "how often it is played (default as the daemon has it: 20)")
	flags.Uint64Var(&c.seed, "seed", 0, "seed of all that is random: the same seed gives the same answer")
	flags.BoolVar(&c.exact, "exact", false, "runs take exactly as long as expected")
	flags.StringVar(&c.start, "start", "", "when the floor opens, such as 2026-03-02T07:30:00+01:00 (default the first hand-in; with a mix the next Monday)")
	flags.DurationVar(&c.reaction, "reaction", 0, "how long it takes until a person is at a device that must be started (default 2m)")
	flags.StringArrayVar(&c.changes.addDevices, "add-device", nil, "one more floor with a copy of a device, ID=LIKE (may be repeated)")
	flags.StringArrayVar(&c.changes.withoutDevices, "without-device", nil, "one more floor without a device (may be repeated)")
	flags.BoolVar(&c.changes.addOperator, "add-operator", false, "one more floor with one more operator in every shift")
	flags.StringVar(&c.changes.addShift, "add-shift", "", "one more floor with another shift, FROM-TO such as 14:00-22:00; without a value: as long as the last one, after it")
	flags.Lookup("add-shift").NoOptDefVal = shiftAfter
	flags.StringArrayVar(&c.invest, "invest", nil, "what it costs to get from the first floor to another, AMOUNT or NUMBER=AMOUNT: the second floor is 2 (default the prices of its new devices)")
	c.pictures.flags(cmd, "one replication of each floor")
	return cmd
}

type comparing struct {
	*app
	tickets      []string
	mix          string
	cutRoots     []string
	xjdf         xjdf.Options
	replications int32
	seed         uint64
	exact        bool
	start        string
	reaction     time.Duration
	changes      changes
	invest       []string
	pictures     pictures
	reckoned     map[string]bool // lines of reckoning that were shown
}

// check refuses flags that cannot be right before a file is read.
func (c *comparing) check(cmd *cobra.Command) error {
	changed := cmd.Flags().Changed
	switch {
	case len(c.tickets) == 0 && c.mix == "":
		return usagef("which jobs? name a folder of tickets with --tickets, or a file with a mix of jobs with --mix")
	case len(c.tickets) > 0 && c.mix != "":
		return usagef("--tickets and --mix exclude each other: give one of them")
	case changed("replications") && c.replications < 1:
		return usagef("--replications is %d: give 1 or more", c.replications)
	case changed("reaction") && c.reaction <= 0:
		return usagef("--reaction is %v: give a time above zero, such as 2m", c.reaction)
	}
	if c.start != "" {
		if _, err := time.Parse(time.RFC3339, c.start); err != nil {
			return usagef("--start is %q: give a time with its offset from UTC, such as 2026-03-02T07:30:00+01:00", c.start)
		}
	}
	return c.pictures.check(cmd)
}

func (c *comparing) compare(ctx context.Context, floors []string) error {
	request, sources, err := c.request(floors)
	if err != nil {
		return err
	}
	client, err := c.plans()
	if err != nil {
		return err
	}
	comparison, err := c.play(ctx, client, request)
	if err != nil {
		return &sourcesError{sources, err}
	}
	switch {
	case c.json:
		c.message(comparison)
	case c.quiet:
		for _, sentence := range comparison.GetConclusion() {
			c.text("%s", sentence)
		}
	default:
		c.showComparison(comparison, request.GetFloors()[0].GetFloor().GetMoney().GetCurrency())
	}
	if !c.pictures.wanted() {
		return nil
	}
	return c.draw(comparison, request.GetFloors()[0].GetFloor().GetTimeZone())
}

// request reads all files and tells what is wrong with any of them.
func (c *comparing) request(files []string) (*tandemv1.CompareFloorsRequest, []source, error) {
	r := &tandemv1.CompareFloorsRequest{Replications: c.replications, Seed: c.seed, Exact: c.exact}
	if c.start != "" {
		at, err := time.Parse(time.RFC3339, c.start)
		if err != nil {
			return nil, nil, err
		}
		r.StartTime = timestamppb.New(at)
	}
	if c.reaction > 0 {
		r.Reaction = durationpb.New(c.reaction)
	}
	var sources []source
	var problems []error
	for i, file := range files {
		floor, lines, err := readFloor(file)
		if err != nil {
			problems = append(problems, err)
			continue
		}
		r.Floors = append(r.Floors, &tandemv1.FloorVariant{Name: floorName(files, i), Floor: floor})
		sources = append(sources, source{fmt.Sprintf("floors[%d].floor.", i), file, lines})
	}
	if len(problems) == 0 {
		variants, err := c.changes.variants(files[0], r.GetFloors()[0])
		if err != nil {
			return nil, nil, err
		}
		for _, v := range variants {
			sources = append(sources, source{fmt.Sprintf("floors[%d].floor.", len(r.GetFloors())), files[0], sources[0].lines})
			r.Floors = append(r.Floors, v)
		}
		if err := c.investments(r.GetFloors()); err != nil {
			return nil, nil, err
		}
	}
	more, err := c.work(r)
	if err = errors.Join(append(problems, err)...); err != nil {
		if errors.As(err, new(*usageError)) {
			return nil, nil, err
		}
		return nil, nil, &inputError{err}
	}
	return r, append(sources, more...), nil
}

// play asks for the comparison and shows on a terminal how far it is.
func (c *comparing) play(ctx context.Context, client tandemv1.PlanServiceClient, request *tandemv1.CompareFloorsRequest) (*tandemv1.Comparison, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := client.CompareFloors(ctx, request)
	if err != nil {
		return nil, err
	}
	bar := progress{printer: c.printer, on: c.errIsTerminal && !c.quiet && c.env("TERM") != "dumb"}
	defer bar.clear()
	for {
		m, err := stream.Recv()
		switch {
		case errors.Is(err, io.EOF):
			return nil, errors.New("the daemon ended without a comparison: look into its log, and try again")
		case err != nil:
			return nil, err
		case m.GetComparison() != nil:
			return m.GetComparison(), nil
		}
		bar.show(fmt.Sprintf("played %d of %s", m.GetDone(), wording.Count(int(m.GetTotal()), "time")))
	}
}

// draw makes the picture of one replication on each floor, in the zone of the first floor.
func (c *comparing) draw(comparison *tandemv1.Comparison, zone string) error {
	picture := ganttview.Picture{Title: "One replication of each floor, with the same jobs", Zone: c.zone}
	if len(comparison.GetFloors()) == 1 {
		picture.Title = "One replication"
	}
	if zone != "" {
		loaded, err := time.LoadLocation(zone)
		if err != nil {
			c.warn("time zone %s of the floor file is not known here: the picture shows local times", zone)
		} else {
			picture.Zone = loaded
		}
	} else {
		picture.Zone = time.UTC // as the floor file has it
	}
	for _, f := range comparison.GetFloors() {
		chart := ganttview.Chart{Title: f.GetName(), Runs: f.GetExample(), Attended: f.GetAttended()}
		for _, d := range f.GetDevices() {
			chart.Devices = append(chart.Devices, d.GetDevice())
		}
		picture.Charts = append(picture.Charts, chart)
	}
	return c.pictures.write(c.app,
		func(w io.Writer) error { return ganttview.SVG(w, picture) },
		func(w io.Writer) error { return ganttview.PNG(w, picture) })
}
