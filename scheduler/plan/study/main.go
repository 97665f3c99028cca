// Study plays jobs that arrive at random on a shop, through the floor and the dispatcher as they are, and prints how late the
// jobs are under several ways of choosing what goes next.
//
//	go run ./scheduler/plan/study [-loads 0.70,0.85,0.95] [-seeds 10] [-first 1] [-jobs 200] [-ways first-free,rule]
package main

import (
	"flag"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"tandem/scheduler/dispatch"
	"tandem/scheduler/simulate"
)

// way is a way of choosing what goes next.
type way struct {
	name    string
	rule    dispatch.Rule
	planned bool
}

func ways() []way {
	return []way{{"first-free", dispatch.FirstFree, false}, {"rule", dispatch.EarliestCompletion, false}, {"plan", dispatch.EarliestCompletion, true}}
}

func main() {
	loads := flag.String("loads", "0.70,0.85,0.95", "nominal loads")
	seeds := flag.Int("seeds", 10, "seeds")
	first := flag.Int("first", 1, "first seed")
	n := flag.Int("jobs", 200, "jobs")
	only := flag.String("ways", "", "ways of choosing; all if empty")
	flag.Parse()
	if err := table(*loads, *only, *first, *seeds, *n); err != nil {
		fmt.Fprintln(os.Stderr, "study:", err)
		os.Exit(1)
	}
}

func table(loads, only string, first, seeds, n int) error {
	fmt.Printf("%-5s %-12s %10s %8s %7s %9s %9s %8s\n", "load", "way", "tardiness", "share", "late", "set-ups", "slowest", "time")
	for text := range strings.SplitSeq(loads, ",") {
		load, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return fmt.Errorf("load %q: %w", text, err)
		}
		measure := 0.0
		for _, w := range ways() {
			if only != "" && !strings.Contains(","+only+",", ","+w.name+",") {
				continue
			}
			began := time.Now()
			f, err := mean(w, load, first, seeds, n)
			if err != nil {
				return fmt.Errorf("%s at load %s: %w", w.name, text, err)
			}
			if w.name == "first-free" {
				measure = f.tardiness
			}
			share, slowest := "-", "-"
			if measure > 0 {
				share = fmt.Sprintf("%.1f%%", 100*f.tardiness/measure)
			}
			if w.planned {
				slowest = f.slowest.Round(time.Millisecond).String()
			}
			fmt.Printf("%-5s %-12s %10.1f %8s %6.1f%% %9.2f %9s %7.1fs\n", text, w.name, f.tardiness, share, 100*f.late, f.setups, slowest, time.Since(began).Seconds())
		}
	}
	return nil
}

// mean plays every seed.
func mean(w way, load float64, first, seeds, n int) (figures, error) {
	var sum figures
	for i := range seeds {
		arrivals, orders := jobs(load, n, uint64(first+i))
		var p planner
		opt := simulate.Options{Start: opening, Rule: w.rule}
		if w.planned {
			opt.Plan = p.plan
		}
		r, err := simulate.Run(shop(), arrivals, opt)
		if err != nil {
			return sum, err
		}
		f, err := judge(r, orders)
		if err != nil {
			return sum, err
		}
		sum.tardiness += f.tardiness / float64(seeds)
		sum.late += f.late / float64(seeds)
		sum.setups += f.setups / float64(seeds)
		sum.slowest = max(sum.slowest, p.slowest)
	}
	return sum, nil
}
