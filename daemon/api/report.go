package api

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	"tandem/daemon/history"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
	"tandem/scheduler/kpi"
)

// Reports is the history that reports are made from.
type Reports interface {
	// Past returns what is known of a time. The error is history.ErrNotReady while its tables are made anew.
	Past(ctx context.Context, from, to time.Time) (kpi.Past, error)
	// Kept returns the last revision in it.
	Kept() uint64
	// Job returns a job that has ended, by its id or code. The error is history.ErrNoJob if it knows none.
	Job(ctx context.Context, idOrCode string) (*tandemv1.Job, error)
}

const (
	// longestReport bounds what one report reads.
	longestReport = 400 * 24 * time.Hour
	// mostReportRows keeps an answer below the size that clients take.
	mostReportRows = 1000
	// historyWithin is how long a report waits for the history to hold what the ledger held when it was asked for.
	historyWithin = 2 * time.Second
	// shortNight is what a morning report is about where there are no shifts.
	shortNight = 12 * time.Hour
	// mostReportDevices bounds a list of names.
	mostReportDevices = 1000
)

// ask is what a report is asked for, checked.
type ask struct {
	interval kpi.Interval
	division kpi.Division
	devices  []string
	past     kpi.Past
	parts    []kpi.Part
	source   *tandemv1.ReportSource
}

// report makes one report: it reads the past of what is asked for, and lets make turn it into an answer.
func (s *Server) report(ctx context.Context, period *tandemv1.Period, division tandemv1.Division, devices []string, night bool, build func(*ask) error) error {
	if s.opt.Reports == nil {
		return withInfo(codes.Unimplemented, "NO_REPORTS", "this daemon keeps no history, so it makes no reports", nil)
	}
	select {
	case s.reporting <- struct{}{}:
		defer func() { <-s.reporting }()
	case <-ctx.Done():
		return ctx.Err()
	}
	a := &ask{}
	var err error
	var present *tandemv1.FloorFile
	if a.division, err = divisionOf(division); err != nil {
		return err
	}
	if len(devices) > mostReportDevices {
		return badField("devices", "names %d devices, at most %d are taken", len(devices), mostReportDevices)
	}
	var now time.Time
	var head uint64
	var unknown []string
	if err := s.engine.View(ctx, func(st engine.State) {
		now, head, present = st.Now, st.Head.Revision, st.Floor.File()
		for _, id := range devices {
			if d, ok := st.Floor.Device(id); ok {
				id = d.ID
			} else {
				unknown = append(unknown, id)
			}
			a.devices = append(a.devices, id)
		}
	}); err != nil {
		return err
	}
	s.awaitHistory(ctx, head)
	if err := s.interval(ctx, a, period, now, night); err != nil {
		return err
	}
	if a.past, err = s.past(ctx, a.interval); err != nil {
		return err
	}
	if len(a.past.Floors) == 0 { // before the first one, the shop's clock hangs where it does now
		a.past.Floors = []kpi.Floor{{From: now, File: present}}
	}
	for _, id := range unknown { // it may have left the floor file since
		if !slices.ContainsFunc(a.past.Devices, func(d kpi.Device) bool { return d.ID == id }) {
			return floor.Missing("device", id)
		}
	}
	if a.parts, err = a.past.Parts(a.division); err != nil {
		return badField("division", "shifts are asked for, and %v: ask for days, or add shifts to it", err)
	}
	a.source = &tandemv1.ReportSource{
		Period: periodOf(a.interval), Revision: a.past.Revision, Now: timestamppb.New(now), TimeZone: a.past.Zone().String(),
	}
	return build(a)
}

func divisionOf(d tandemv1.Division) (kpi.Division, error) {
	switch d {
	case tandemv1.Division_DIVISION_UNSPECIFIED:
		return kpi.Whole, nil
	case tandemv1.Division_DIVISION_DAY:
		return kpi.Days, nil
	case tandemv1.Division_DIVISION_WEEK:
		return kpi.Weeks, nil
	case tandemv1.Division_DIVISION_SHIFT:
		return kpi.Shifts, nil
	}
	return kpi.Whole, badField("division", "is %d; it must be day, week, shift or absent", int32(d))
}

// interval works out the period. What is still to come is cut off.
func (s *Server) interval(ctx context.Context, a *ask, period *tandemv1.Period, now time.Time, night bool) error {
	for _, f := range []struct {
		name string
		time *timestamppb.Timestamp
	}{{"period.from_time", period.GetFromTime()}, {"period.to_time", period.GetToTime()}} {
		if f.time == nil {
			continue
		}
		if err := f.time.CheckValid(); err != nil {
			return badField(f.name, "is no time: %v", err)
		}
	}
	from, to := period.GetFromTime(), period.GetToTime()
	a.interval.To = now
	if to != nil && to.AsTime().Before(now) {
		a.interval.To = to.AsTime()
	}
	switch {
	case from != nil:
		a.interval.From = from.AsTime()
	case night && to == nil:
		if err := s.lastNight(ctx, a, now); err != nil {
			return err
		}
	default:
		held, err := s.past(ctx, kpi.Interval{From: a.interval.To, To: a.interval.To})
		if err != nil {
			return err
		}
		t := a.interval.To.In(held.Zone())
		a.interval.From = time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, t.Location()).UTC()
	}
	// The history keeps microseconds.
	a.interval.From, a.interval.To = a.interval.From.Truncate(time.Microsecond), a.interval.To.Truncate(time.Microsecond)
	switch long := a.interval.Length(); {
	case !a.interval.From.Before(now):
		return badField("period.from_time", "is %s, and it is %s now: give a time that has passed", a.interval.From.Format(time.RFC3339), now.UTC().Format(time.RFC3339))
	case long <= 0:
		return badField("period.to_time", "is %s, which is not after period.from_time, %s", a.interval.To.Format(time.RFC3339), a.interval.From.Format(time.RFC3339))
	case long > longestReport:
		return badField("period", "is %d days long, at most %d are taken: ask for less", int(long.Hours()/24), int(longestReport.Hours()/24))
	}
	return nil
}

// lastNight takes the last time in which nobody was to be there.
func (s *Server) lastNight(ctx context.Context, a *ask, now time.Time) error {
	held, err := s.past(ctx, kpi.Interval{From: now.Add(-8 * 24 * time.Hour), To: now})
	if err != nil {
		return err
	}
	a.interval = kpi.Interval{From: now.Add(-shortNight), To: now}
	if len(held.Floors) == 0 {
		return nil
	}
	if night, ok := kpi.Night(held.Floors[len(held.Floors)-1].File, held.People, now); ok {
		a.interval = night
	}
	return nil
}

func (s *Server) past(ctx context.Context, i kpi.Interval) (kpi.Past, error) {
	p, err := s.opt.Reports.Past(ctx, i.From, i.To)
	if errors.Is(err, history.ErrNotReady) {
		return p, withInfo(codes.Unavailable, "REPORTS_NOT_READY", err.Error()+"; ask again in a moment", nil)
	}
	return p, err
}

// awaitHistory waits until the history holds a revision. A report of a history that is behind says so by its revision.
func (s *Server) awaitHistory(ctx context.Context, revision uint64) {
	ctx, cancel := context.WithTimeout(ctx, historyWithin)
	defer cancel()
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	for s.opt.Reports.Kept() < revision {
		select {
		case <-again.C:
		case <-ctx.Done():
			return
		}
	}
}

// GetDeviceReport implements ReportService.
func (s *Server) GetDeviceReport(ctx context.Context, req *tandemv1.GetDeviceReportRequest) (*tandemv1.DeviceReport, error) {
	out := &tandemv1.DeviceReport{}
	return out, s.report(ctx, req.GetPeriod(), req.GetDivision(), req.GetDevices(), false, func(a *ask) error {
		devices := len(a.devices)
		if devices == 0 {
			devices = len(a.past.Devices)
		}
		if err := a.small("division", devices); err != nil {
			return err
		}
		parts, err := a.past.DeviceParts(a.parts, a.devices)
		if err != nil {
			return fmt.Errorf("report of devices: %w", err)
		}
		out.Source = a.source
		for i := range parts {
			out.Periods = append(out.Periods, devicePeriod(&parts[i]))
		}
		return nil
	})
}

// small refuses what would be too long an answer.
func (a *ask) small(field string, each int) error {
	if rows := len(a.parts) * max(each, 1); rows > mostReportRows {
		return badField(field, "gives %d rows, at most %d are told: ask for longer parts, a shorter period or fewer devices", rows, mostReportRows)
	}
	return nil
}

// GetJobReport implements ReportService.
func (s *Server) GetJobReport(ctx context.Context, req *tandemv1.GetJobReportRequest) (*tandemv1.JobReport, error) {
	out := &tandemv1.JobReport{}
	return out, s.report(ctx, req.GetPeriod(), req.GetDivision(), nil, false, func(a *ask) error {
		if err := a.small("division", 1); err != nil {
			return err
		}
		out.Source = a.source
		for _, v := range a.past.JobParts(a.parts) {
			out.Periods = append(out.Periods, jobPeriod(&v))
		}
		return nil
	})
}

// GetWasteReport implements ReportService.
func (s *Server) GetWasteReport(ctx context.Context, req *tandemv1.GetWasteReportRequest) (*tandemv1.WasteReport, error) {
	out := &tandemv1.WasteReport{}
	return out, s.report(ctx, req.GetPeriod(), req.GetDivision(), req.GetDevices(), false, func(a *ask) error {
		if err := a.small("division", 1); err != nil {
			return err
		}
		out.Source = a.source
		for _, v := range a.past.Of(a.devices).WasteParts(a.parts) {
			out.Periods = append(out.Periods, wastePeriod(&v))
		}
		return nil
	})
}

// GetNightReport implements ReportService.
func (s *Server) GetNightReport(ctx context.Context, req *tandemv1.GetNightReportRequest) (*tandemv1.NightReport, error) {
	out := &tandemv1.NightReport{}
	return out, s.report(ctx, req.GetPeriod(), tandemv1.Division_DIVISION_UNSPECIFIED, req.GetDevices(), true, func(a *ask) error {
		watch, err := a.past.Watch(a.devices)
		if err != nil {
			return fmt.Errorf("report of a night: %w", err)
		}
		nightReport(out, &watch)
		out.Source = a.source
		return s.engine.View(ctx, func(st engine.State) {
			out.Waiting, out.Drying = waitingWork(st, a.devices), dryPanels(st, a.interval.From, a.devices)
		})
	})
}
