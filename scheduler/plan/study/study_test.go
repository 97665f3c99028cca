package main

import (
	"testing"
	"time"
)

// What the generator promises, over many jobs: the load, the share of laminated jobs, and every due time in its range.
func TestTheShopIsAsStated(t *testing.T) {
	const n, load = 4000, 0.85
	arrivals, orders := jobs(load, n, 1)
	var printing, laminating float64 // minutes, jobs
	for i, a := range arrivals {
		work := 0.0
		for _, p := range a.Job.GetPanels() {
			work += float64(p.GetPieces()) / piecesPerMinute
		}
		printing += float64(a.Job.GetPanels()[0].GetPieces()) / piecesPerMinute
		if len(a.Job.GetSteps()) == 3 {
			laminating++
		}
		dry := a.Job.GetSteps()[1].GetMinWait().AsDuration()
		if dry < 30*time.Minute || dry > 120*time.Minute {
			t.Fatalf("%s dries %v", orders[i].id, dry)
		}
		ratio := orders[i].due.Sub(orders[i].at).Minutes() / (work + dry.Minutes())
		if ratio < tightest-0.01 || ratio > loosest+0.01 {
			t.Fatalf("%s is due after %.2f times its work", orders[i].id, ratio)
		}
	}
	span := orders[n-1].at.Sub(opening).Minutes()
	if got := printing / span / (2 + 1/slowness); got < load-0.04 || got > load+0.04 {
		t.Errorf("load %.3f, want %v", got, load)
	}
	if got := laminating / n; got < laminated-0.03 || got > laminated+0.03 {
		t.Errorf("%.3f of the jobs are laminated, want %v", got, laminated)
	}
}

// A slice of the table: the rule against first-free, on seeds of the table.
func TestTheRuleBeatsFirstFree(t *testing.T) {
	for _, load := range []float64{0.70, 0.85} {
		figure := map[string]figures{}
		for _, w := range ways() {
			f, err := mean(w, load, 1, 2, 200)
			if err != nil {
				t.Fatal(err)
			}
			figure[w.name] = f
		}
		free, rule := figure["first-free"], figure["rule"]
		if rule.tardiness > free.tardiness/3 {
			t.Errorf("load %v: %.1f weighted minutes late a job by the rule, %.1f first-free: want a third at most", load, rule.tardiness, free.tardiness)
		}
	}
}
