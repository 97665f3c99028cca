package main

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"tandem/scheduler/simulate"
)

// figures are what one way of working came to, a job on average.
type figures struct {
	tardiness float64 // weighted minutes
	late      float64 // share of jobs
	setups    float64
	slowest   time.Duration // search between two decisions
}

// judge reads the figures off a simulation.
func judge(r *simulate.Result, orders []order) (figures, error) {
	var f figures
	type stay struct {
		start  time.Time
		supply string
	}
	stays := map[string][]stay{}
	byID := map[string]order{}
	for _, o := range orders {
		byID[o.id] = o
	}
	for _, j := range r.Jobs {
		o := byID[j.ID]
		if !j.Completed {
			return f, fmt.Errorf("%s is %v %v, not completed", j.ID, j.State, j.Reasons)
		}
		if late := j.End.Sub(o.due); late > 0 {
			f.tardiness += o.weight * late.Minutes()
			f.late++
		}
		for _, l := range j.Legs {
			if s := o.supply[l.Step]; s != "" {
				stays[l.Device] = append(stays[l.Device], stay{l.Start, s})
			}
		}
	}
	for _, list := range stays {
		slices.SortFunc(list, func(a, b stay) int { return cmp.Compare(a.start.UnixNano(), b.start.UnixNano()) })
		for i, s := range list {
			if i > 0 && list[i-1].supply != s.supply {
				f.setups++
			}
		}
	}
	n := float64(len(orders))
	f.tardiness, f.late, f.setups = f.tardiness/n, f.late/n, f.setups/n
	return f, nil
}
