// Command bench runs the searches on published instances and says how far from the best known values they stay.
//
//	go run ./scheduler/plan/bench -dir DIR [-set brandimarte,hfsp] [-cpu 1s] [-seeds 3] [-solver auto] [-only summary]
//
// DIR holds a folder for each format (see package instance), with sets below it, and bounds.csv. Without -dir only the sets made from
// seeds are run. Each run has its budget of processor time; every schedule passes the checker before it counts.
package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"tandem/scheduler/plan"
	"tandem/scheduler/plan/bench/cputime"
	"tandem/scheduler/plan/graph"
	"tandem/scheduler/plan/instance"
	"tandem/scheduler/plan/order"
	"tandem/scheduler/plan/problem"
)

type solver func(*problem.Problem, *problem.Schedule, problem.Budget, uint64) (problem.Schedule, problem.Stats, error)

func solvers() map[string]solver {
	return map[string]solver{"auto": plan.Search, "graph": graph.Search, "order": order.Search}
}

// trial is an instance to run.
type trial struct {
	set, name string
	problem   *problem.Problem
	known     bounds
}

func main() {
	runtime.GOMAXPROCS(1)
	if err := run(os.Args[1:], os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

func run(args []string, out io.Writer) error {
	flags := flag.NewFlagSet("bench", flag.ContinueOnError)
	dir := flags.String("dir", "", "`folder` of instances and bounds.csv")
	sets := flags.String("set", "", "run only sets whose path has one of these `names` in it, comma between")
	budget := flags.Duration("cpu", time.Second, "processor `time` of a run")
	seeds := flags.Int("seeds", 3, "`runs` of each instance")
	name := flags.String("solver", "auto", "auto, graph or order")
	only := flags.String("only", "", "summary: leave out the table of instances")
	if err := flags.Parse(args); err != nil {
		return fmt.Errorf("reading flags: %w", err)
	}
	solve := solvers()[*name]
	switch {
	case solve == nil:
		return fmt.Errorf("-solver %s: not known, use auto, graph or order", *name)
	case *seeds < 1 || *budget <= 0:
		return errors.New("-seeds and -cpu: use more than 0")
	case *only != "" && *only != "summary":
		return fmt.Errorf("-only %s: not known, use summary", *only)
	}
	trials := taillard()
	if *dir != "" {
		more, err := readFolder(*dir)
		if err != nil {
			return err
		}
		trials = append(trials, more...)
	}
	wanted := strings.Split(*sets, ",")
	trials = slices.DeleteFunc(trials, func(t trial) bool {
		return !slices.ContainsFunc(wanted, func(w string) bool { return strings.Contains(t.set, w) })
	})
	if len(trials) == 0 {
		return fmt.Errorf("-set %s: no instance in such a set", *sets)
	}
	slices.SortStableFunc(trials, func(a, b trial) int { return strings.Compare(a.set+"/"+a.name, b.set+"/"+b.name) })
	var results []result
	for _, t := range trials {
		r, err := measure(t, solve, *budget, *seeds)
		if err != nil {
			return fmt.Errorf("%s/%s: %w", t.set, t.name, err)
		}
		results = append(results, r)
	}
	return print(out, results, *only == "summary")
}

func taillard() []trial {
	var trials []trial
	for _, k := range instance.TaillardJobShops() {
		trials = append(trials, trial{"jsp/taillard", k.Name, k.Problem, bounds{float64(k.Lower), float64(k.Upper)}})
	}
	for _, k := range instance.TaillardFlowShops() {
		trials = append(trials, trial{"pfsp/taillard", k.Name, k.Problem, bounds{float64(k.Lower), float64(k.Upper)}})
	}
	return trials
}

func readFolder(dir string) ([]trial, error) {
	known := make(map[string]bounds)
	file, err := os.Open(filepath.Join(dir, "bounds.csv"))
	switch {
	case errors.Is(err, fs.ErrNotExist): // no instance has bounds
	case err != nil:
		return nil, fmt.Errorf("opening bounds: %w", err)
	default:
		defer file.Close()
		if known, err = readBounds(file); err != nil {
			return nil, err
		}
	}
	var trials []trial
	for _, format := range instance.Formats() {
		err := filepath.WalkDir(filepath.Join(dir, format), func(path string, d fs.DirEntry, err error) error {
			if errors.Is(err, fs.ErrNotExist) {
				return nil // no instances of this format
			}
			if err != nil || d.IsDir() || filepath.Ext(path) != ".txt" {
				return err
			}
			text, err := os.ReadFile(path)
			if err != nil {
				return fmt.Errorf("reading an instance: %w", err)
			}
			p, err := instance.Read(format, text)
			if err != nil {
				return fmt.Errorf("%s: %w", path, err)
			}
			set, err := filepath.Rel(dir, filepath.Dir(path))
			if err != nil {
				return fmt.Errorf("naming the set of %s: %w", path, err)
			}
			t := trial{set: filepath.ToSlash(set), name: strings.TrimSuffix(filepath.Base(path), ".txt"), problem: p}
			t.known = known[t.set+"/"+t.name]
			if t.known.lower == 0 && p.Objective == problem.Makespan {
				t.known.lower = float64(problem.LowerBound(p))
			}
			trials = append(trials, t)
			return nil
		})
		if err != nil {
			return nil, fmt.Errorf("reading instances: %w", err)
		}
	}
	return trials, nil
}

// result is what the runs of an instance came to.
type result struct {
	trial
	best, mean, worst float64
}

func measure(t trial, solve solver, budget time.Duration, seeds int) (result, error) {
	r := result{trial: t}
	for seed := range seeds {
		runtime.GC() // what the run before left is not paid by this one
		until := cputime.Process() + budget
		s, _, err := solve(t.problem, nil, problem.Budget{Stop: func() bool { return cputime.Process() >= until }}, uint64(seed+1))
		if err != nil {
			return r, err
		}
		if err := problem.Check(t.problem, s); err != nil {
			return r, fmt.Errorf("checking: %w", err)
		}
		v := problem.CostOf(t.problem, s).Value(t.problem)
		if seed == 0 || v < r.best {
			r.best = v
		}
		r.worst = max(r.worst, v)
		r.mean += v / float64(seeds)
	}
	return r, nil
}

// gap is how far v is above the best known value, in percent.
func (r result) gap(v float64) float64 {
	if r.known.upper == 0 {
		return 0
	}
	return 100 * (v - r.known.upper) / r.known.upper
}

func print(out io.Writer, results []result, summary bool) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	if !summary {
		fmt.Fprintln(w, "instance\tlb\tub\tbest\tmean\tworst\tgap % of worst\t")
		for _, r := range results {
			upper, gap := "-", "-"
			if r.known.upper > 0 {
				upper, gap = fmt.Sprint(r.known.upper), fmt.Sprintf("%.2f", r.gap(r.worst))
			}
			fmt.Fprintf(w, "%s/%s\t%v\t%s\t%v\t%.1f\t%v\t%s\t\n", r.set, r.name, r.known.lower, upper, r.best, r.mean, r.worst, gap)
		}
		fmt.Fprintln(w)
	}
	fmt.Fprintln(w, "set\tinstances\twith ub\tmean gap % best\tmean\tworst\tproved optimum known\treached\t")
	for len(results) > 0 {
		set := results[0].set
		var n, proved, reached, all int
		var best, mean, worst float64
		for all < len(results) && results[all].set == set {
			r := results[all]
			all++
			if r.known.upper == 0 {
				continue
			}
			n++
			best, mean, worst = best+r.gap(r.best), mean+r.gap(r.mean), worst+r.gap(r.worst)
			if r.known.lower == r.known.upper {
				proved++
				if r.best <= r.known.upper {
					reached++
				}
			}
		}
		d := float64(max(n, 1))
		fmt.Fprintf(w, "%s\t%d\t%d\t%.2f\t%.2f\t%.2f\t%d\t%d\t\n", set, all, n, best/d, mean/d, worst/d, proved, reached)
		results = results[all:]
	}
	if err := w.Flush(); err != nil {
		return fmt.Errorf("printing: %w", err)
	}
	return nil
}
