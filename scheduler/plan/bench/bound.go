package main

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"

	"tandem/scheduler/plan/problem"
)

// bounds of the objective, as published; upper 0: none.
type bounds struct{ lower, upper float64 }

// readBounds reads lines of "set,instance,jobs,machines,lb,ub,...", with a head line, into "set/instance".
func readBounds(r io.Reader) (map[string]bounds, error) {
	lines := csv.NewReader(r)
	rows, err := lines.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("reading bounds: %w", err)
	}
	known := make(map[string]bounds)
	for i, row := range rows {
		if i == 0 {
			continue
		}
		if len(row) < 6 {
			return nil, fmt.Errorf("bounds, line %d: %d columns, need set,instance,jobs,machines,lb,ub", i+1, len(row))
		}
		var b bounds
		for _, c := range []struct {
			name, text string
			to         *float64
		}{{"lb", row[4], &b.lower}, {"ub", row[5], &b.upper}} {
			if c.text == "" {
				continue
			}
			if *c.to, err = strconv.ParseFloat(c.text, 64); err != nil {
				return nil, fmt.Errorf("bounds, line %d, %s: %w", i+1, c.name, err)
			}
		}
		known[row[0]+"/"+row[1]] = b
	}
	return known, nil
}

// simpleBound is below every makespan: the longest way through a job on its fastest machines, and all fastest work spread evenly.
func simpleBound(p *problem.Problem) float64 {
	ends := make([]problem.Time, len(p.Ops))
	known := make([]bool, len(p.Ops))
	var end func(o int) problem.Time
	end = func(o int) problem.Time {
		if known[o] {
			return ends[o]
		}
		start := p.Ops[o].Release
		for _, a := range p.Ops[o].Before {
			start = max(start, end(a.Op)+a.Lag)
		}
		known[o], ends[o] = true, start+fastest(&p.Ops[o])
		return ends[o]
	}
	var work, path, places problem.Time
	for o := range p.Ops {
		work += fastest(&p.Ops[o])
		path = max(path, end(o))
	}
	for _, m := range p.Machines {
		places += problem.Time(len(m.Places))
	}
	if p.Objective == problem.WeightedTardiness || places == 0 {
		return 0
	}
	return float64(max(path, (work+places-1)/places))
}

func fastest(op *problem.Op) problem.Time {
	t := op.Modes[0].Duration
	for _, m := range op.Modes {
		t = min(t, m.Duration)
	}
	return t
}
