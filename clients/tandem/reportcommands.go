package main

import (
	"context"
	"io"
	"time"

	"github.com/spf13/cobra"

	"tandem/clients/reportview"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) reportDevicesCommand() *cobra.Command {
	var all bool
	cmd := a.reportOf("devices [DEVICE]...", "Tell what devices did with their time, with key performance indicators of ISO 22400-2.",
		`  tandem report devices
  tandem report devices printer-1 --from 7d --period day
  tandem report devices --period shift --csv devices.csv
  tandem report devices --indicators        every indicator, and what it lacks
  tandem report devices --from 2026-03-02 --to 2026-03-07 --png devices.png`,
		`Each moment of a device has one class: production, setup, cleanup, delay (stands still in a run), waiting (has work that
nobody has begun), idle, down (stands still without a run), paused, maintenance, offline, not-reported. Together they are
the period, exactly. Silence is never counted as idle or down. Work outside the shifts widens the planned time by as long
as it lasts.`,
		false, func(r *reporting, ctx context.Context, period *tandemv1.Period) error {
			r.all = all
			return r.reportDevices(ctx, period)
		})
	cmd.Flags().BoolVar(&all, "indicators", false, "all indicators, with their formulas and what is missing for them")
	return cmd
}

func (a *app) reportJobsCommand() *cobra.Command {
	return a.reportOf("jobs", "Tell what was finished, how long it took, and what was late.",
		`  tandem report jobs --from yesterday --to today
  tandem report jobs --from 2026-03-01 --to 2026-04-01 --period week --svg jobs.svg`,
		"Gang runs are not counted: they do the work of other jobs.", false, (*reporting).reportJobs)
}

func (a *app) reportWasteCommand() *cobra.Command {
	return a.reportOf("waste [DEVICE]...", "Tell what was spoiled and why, what was made again, and where the media went.",
		`  tandem report waste --from 7d
  tandem report waste printer-1 --from 2026-03-01 --period week --csv waste.csv`,
		"What a device counts itself has no cause but its own reasons; a person who books spoiled pieces says why.", false, (*reporting).reportWaste)
}

func (a *app) reportNightCommand() *cobra.Command {
	return a.reportOf("night [DEVICE]...", "The morning report: what ran, what stood still and why, what waits for a person now, what is dry.",
		`  tandem report night
  tandem report night --from "2026-03-02 18:00" --to "2026-03-03 06:00"`,
		`Without --from and --to it is about the last time of four hours or more in which nobody was to be there, by the shifts of
the floor file; without shifts, about the last twelve hours. What waits and dries is told as it is now.`,
		true, (*reporting).reportNight)
}

func (r *reporting) reportDevices(ctx context.Context, period *tandemv1.Period) error {
	client, err := r.reports()
	if err != nil {
		return err
	}
	division, err := r.division()
	if err != nil {
		return err
	}
	m, err := bounded(ctx, r.app, func(ctx context.Context) (*tandemv1.DeviceReport, error) {
		return client.GetDeviceReport(ctx, &tandemv1.GetDeviceReportRequest{Period: period, Division: division, Devices: r.devices})
	})
	if err != nil {
		return err
	}
	return r.finish(m, devicesCSV(m), func(wording.Clock) { r.showDevices(m) }, func(zone *time.Location) error {
		return r.draw(reportview.Devices(m, func(p *tandemv1.Period, shift string) string { return partText(p, shift, zone) }))
	})
}

func (r *reporting) reportJobs(ctx context.Context, period *tandemv1.Period) error {
	client, err := r.reports()
	if err != nil {
		return err
	}
	division, err := r.division()
	if err != nil {
		return err
	}
	m, err := bounded(ctx, r.app, func(ctx context.Context) (*tandemv1.JobReport, error) {
		return client.GetJobReport(ctx, &tandemv1.GetJobReportRequest{Period: period, Division: division})
	})
	if err != nil {
		return err
	}
	return r.finish(m, jobsCSV(m), func(clock wording.Clock) { r.showJobs(m, clock) }, func(zone *time.Location) error {
		return r.draw(reportview.Jobs(m, func(p *tandemv1.Period, shift string) string { return partText(p, shift, zone) }))
	})
}

func (r *reporting) reportWaste(ctx context.Context, period *tandemv1.Period) error {
	client, err := r.reports()
	if err != nil {
		return err
	}
	division, err := r.division()
	if err != nil {
		return err
	}
	m, err := bounded(ctx, r.app, func(ctx context.Context) (*tandemv1.WasteReport, error) {
		return client.GetWasteReport(ctx, &tandemv1.GetWasteReportRequest{Period: period, Division: division, Devices: r.devices})
	})
	if err != nil {
		return err
	}
	return r.finish(m, wasteCSV(m), func(clock wording.Clock) { r.showWaste(m, clock.Zone) }, func(zone *time.Location) error {
		return r.draw(reportview.Waste(m, func(p *tandemv1.Period, shift string) string { return partText(p, shift, zone) }))
	})
}

func (r *reporting) reportNight(ctx context.Context, period *tandemv1.Period) error {
	client, err := r.reports()
	if err != nil {
		return err
	}
	m, err := bounded(ctx, r.app, func(ctx context.Context) (*tandemv1.NightReport, error) {
		return client.GetNightReport(ctx, &tandemv1.GetNightReportRequest{Period: period, Devices: r.devices})
	})
	if err != nil {
		return err
	}
	return r.finish(m, nightCSV(m), func(clock wording.Clock) { r.showNight(m, clock) }, func(zone *time.Location) error {
		return r.draw(reportview.Night(m, func(p *tandemv1.Period, shift string) string { return partText(p, shift, zone) }))
	})
}

// draw writes the plots that are wanted.
func (r *reporting) draw(p reportview.Picture) error {
	return r.pictures.write(r.app, func(w io.Writer) error { return reportview.SVG(w, p) }, func(w io.Writer) error { return reportview.PNG(w, p) })
}
