package kpi

import (
	"slices"
	"strings"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// Watch is what happened on the floor in a time when nobody was looking.
type Watch struct {
	Interval
	Devices  []NightDevice
	Standing []NightStand // in the order of time
	Ended    []NightJob   // jobs that ended, in that order
}

// NightDevice is what a device did.
type NightDevice struct {
	Device    string
	Account   Account
	Completed int // runs
	Failed    int // runs canceled or aborted
	Good      int64
	Spoiled   int64
	AreaM2    float64
	LastWork  time.Time // until when it worked last; zero: it did not work
}

// NightStand is a time in which a device stood still or was silent.
type NightStand struct {
	Span
	Device string
	Run    string // that was under way; empty: none was
	Job    string
	Step   string
	Open   bool // it goes on at the end
}

// NightJob is a job that ended.
type NightJob struct {
	Job, Code, Name string
	At              time.Time
	State           tandemv1.JobState
	Pieces          int64
}

// Watch tells what happened in the period. Drying racks and hand work are devices like others.
func (p *Past) Watch(only []string) (Watch, error) {
	out := Watch{Interval: p.Interval}
	parts, err := p.DeviceParts([]Part{{Interval: p.Interval}}, only)
	if err != nil {
		return out, err
	}
	for _, v := range parts {
		runs := p.runsOf(v.Device)
		d := NightDevice{Device: v.Device, Account: v.Account, Failed: v.Failed, Completed: v.Runs - v.Failed, AreaM2: v.AreaM2}
		for i := range runs {
			if r := &runs[i]; out.holds(r.Ended) {
				d.Good += r.Good
				d.Spoiled += r.Spoiled
			}
		}
		spans := Spans(p.Interval, p.changesOf(v.Device), runs)
		for i, s := range spans {
			switch {
			case s.Class.Work():
				d.LastWork = s.To
			case s.trifle():
			case s.Class == Delay || s.Class == Down || s.Class == Paused || s.Class == Maintenance || s.Class.Silent():
				out.Standing = append(out.Standing, p.stand(s, v.Device, runs, i == len(spans)-1))
			}
		}
		out.Devices = append(out.Devices, d)
	}
	slices.SortStableFunc(out.Standing, func(a, b NightStand) int { return a.From.Compare(b.From) })
	for _, j := range p.Jobs {
		if out.holds(j.Finished) && !j.Gang {
			out.Ended = append(out.Ended, NightJob{Job: j.ID, Code: j.Code, Name: j.Name, At: j.Finished, State: j.State, Pieces: j.Good})
		}
	}
	slices.SortStableFunc(out.Ended, func(a, b NightJob) int { return a.At.Compare(b.At) })
	return out, nil
}

// stand tells a time in which a device stood still, with the run that was under way when it began.
func (p *Past) stand(s Span, device string, runs []Run, open bool) NightStand {
	n := NightStand{Span: s, Device: device, Open: open}
	for i := range runs {
		r := &runs[i]
		if r.Started.IsZero() || r.Started.After(s.From) || !r.Ended.IsZero() && r.Ended.Before(s.From) {
			continue
		}
		n.Run, n.Job, n.Step = r.ID, r.Job, r.Step
		if n.Why == "" && r.State != tandemv1.JobState_JOB_STATE_COMPLETED {
			n.Why = strings.Join(r.Reasons, " ")
		}
	}
	return n
}

func (p *Past) runsOf(device string) []Run {
	var out []Run
	for _, r := range p.Runs {
		if r.Device == device {
			out = append(out, r)
		}
	}
	return out
}

func (p *Past) changesOf(device string) []Change {
	for _, d := range p.Devices {
		if d.ID == device {
			return d.Changes
		}
	}
	return nil
}
