package main

import (
	"context"
	"fmt"
	"os"
	"time"

	"golang.org/x/term"

	"tandem/clients/celltext"
	"tandem/clients/floorview"
	tandemv1 "tandem/proto/tandem/v1"
)

// redraw is the time between two pictures on a terminal.
const redraw = 250 * time.Millisecond

// show draws the floor again and again on a terminal, and prints a line for each event elsewhere.
func (d *demo) show(ctx context.Context) error {
	if !d.terminal {
		return d.lines(ctx)
	}
	tick := time.NewTicker(redraw)
	defer tick.Stop()
	for {
		if err := d.draw(ctx); err != nil {
			return err
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return nil
		}
	}
}

func (d *demo) draw(ctx context.Context) error {
	status, err := d.client.admin.GetStatus(ctx, &tandemv1.GetStatusRequest{})
	if err != nil {
		return err
	}
	jobs, err := d.client.jobs.ListJobs(ctx, &tandemv1.ListJobsRequest{PageSize: 1000})
	if err != nil {
		return err
	}
	devices, err := d.client.devices.ListDevices(ctx, &tandemv1.ListDevicesRequest{})
	if err != nil {
		return err
	}
	width, height := 80, 0
	if w, h, err := term.GetSize(int(os.Stdout.Fd())); err == nil {
		width, height = w, h-1
	}
	text := floorview.Render(jobs.GetJobs(), devices.GetDevices(), floorview.Options{
		Now: status.GetNow().AsTime(), Zone: d.start.Location(), Width: width, Height: height, Colour: d.colour,
	})
	const home, clearBelow = "\x1b[H\x1b[2J", "\x1b[J"
	_, err = fmt.Fprint(d.out, home, text, clearBelow)
	return err
}

// lines prints what happens to jobs, with the floor's time.
func (d *demo) lines(ctx context.Context) error {
	stream, err := d.client.events.WatchEvents(ctx, &tandemv1.WatchEventsRequest{})
	if err != nil {
		return err
	}
	for {
		m, err := stream.Recv()
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			return err
		}
		at := m.GetCommit().GetCommitTime().AsTime().In(d.start.Location()).Format("Mon 15:04:05")
		for _, e := range m.GetCommit().GetEvents() {
			if e.GetJob() == "" {
				continue
			}
			fmt.Fprintf(d.out, "%s  %-18s %s (%s)\n", at, celltext.Clean(e.GetJob()), celltext.Clean(e.GetMessage()), celltext.Clean(e.GetActor()))
		}
	}
}
