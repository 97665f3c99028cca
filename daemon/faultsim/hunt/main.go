// Command hunt looks for days of a shop on which a promise is broken: it plays the days of many seeds, each in virtual time and
// with faults of every kind, and says which break. See package faultsim.
//
//	go run ./daemon/faultsim/hunt -seeds 2000              # the days of seeds 1 to 2000
//	go run ./daemon/faultsim/hunt -from random -seeds 500  # of 500 seeds by chance; the first is printed
//	go run ./daemon/faultsim/hunt -from 763 -trace         # one day, with all that happens
//	go run ./daemon/faultsim/hunt -from 763 -shrink        # the shortest day that breaks the same promise
package main

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/signal"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"sync"
	"syscall"
	"time"

	"tandem/daemon/faultsim"
	"tandem/scheduler/plan/bench/cputime"
)

func main() {
	var (
		from    = flag.String("from", "1", "first seed, or random")
		seeds   = flag.Int("seeds", 1, "how many seeds")
		trace   = flag.Bool("trace", false, "print all that happens")
		shrink  = flag.Bool("shrink", false, "look for the shortest day that breaks the same promise, and print what happens on it")
		workers = flag.Int("workers", runtime.GOMAXPROCS(0), "days played side by side")
		limit   = flag.Duration("time", 0, "end after this time; 0: after all seeds")
		most    = flag.Int("most", 10, "end after so many broken days")
		without = flag.String("without", "", "leave out acts of this kind, such as restore")
	)
	flag.Parse()
	debug.SetGCPercent(400) // days are short and leave much behind
	first, err := strconv.ParseUint(*from, 10, 64)
	if *from == "random" {
		first, err = rand.Uint64()>>16, nil
	}
	if err != nil || *seeds < 1 {
		fmt.Fprintln(os.Stderr, "hunt: -from is a whole number or random, -seeds is above 0")
		os.Exit(2)
	}
	var log func(string)
	if *trace {
		log = func(s string) { fmt.Println(s) }
		*workers = 1
	}
	h := &hunt{next: first, end: first + uint64(*seeds), most: *most, without: faultsim.Kind(*without), log: log}
	if *limit > 0 {
		h.deadline = time.Now().Add(*limit)
	}
	if *seeds > 1 {
		fmt.Printf("seeds from %d\n", first)
	}
	cpu := cputime.Process()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	h.run(ctx, max(*workers, 1))
	if ctx.Err() != nil {
		fmt.Printf("interrupted: go on with -from %d\n", h.next)
	}
	stop()
	h.report(cputime.Process() - cpu)
	if *shrink {
		for _, o := range h.broken {
			small := faultsim.Shrink(o, 3000)
			faultsim.Play(small.Plan, func(s string) { fmt.Println(s) })
			fmt.Printf("\nseed %d: %s\n%v", small.Plan.Seed, small.Violation, small.Plan)
		}
	}
	if len(h.broken) > 0 {
		os.Exit(1)
	}
}

// hunt is one search.
type hunt struct {
	end      uint64
	most     int
	without  faultsim.Kind // acts that are left out; empty: none
	deadline time.Time     // zero: none
	log      func(string)

	mu     sync.Mutex
	next   uint64
	played int
	floor  time.Duration
	events int
	jobs   int
	runs   int
	deaths int
	broken []faultsim.Outcome
}

// run plays days until there are no more, or somebody interrupts it: then those under way are played to their end.
func (h *hunt) run(ctx context.Context, workers int) {
	var all sync.WaitGroup
	for range workers {
		all.Go(func() {
			for ctx.Err() == nil {
				seed, ok := h.take()
				if !ok {
					return
				}
				h.add(faultsim.Play(h.plan(seed), h.log))
			}
		})
	}
	all.Wait()
}

func (h *hunt) plan(seed uint64) faultsim.Plan {
	p := faultsim.MakePlan(seed)
	p.Acts = slices.DeleteFunc(p.Acts, func(a faultsim.Act) bool { return a.Kind == h.without })
	return p
}

func (h *hunt) take() (seed uint64, ok bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.next >= h.end || len(h.broken) >= h.most || (!h.deadline.IsZero() && time.Now().After(h.deadline)) {
		return 0, false
	}
	h.next++
	return h.next - 1, true
}

func (h *hunt) add(o faultsim.Outcome) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.played++
	h.floor += o.Floor / 1000 // thousandths, lest many days be too long for a Duration
	h.events += o.Events
	h.jobs += o.Jobs
	h.runs += o.Runs
	h.deaths += o.Deaths
	if o.Violation != "" {
		h.broken = append(h.broken, o)
		fmt.Printf("seed %d: %s\n", o.Plan.Seed, o.Violation)
	}
}

func (h *hunt) report(cpu time.Duration) {
	hours := h.floor.Hours() * 1000
	fmt.Printf("%d days, %d broken: %.0f hours on the floor, %d jobs, %d runs of machines, %d restarts and changes of leader, %d events; "+
		"%.0f floor hours in a minute of processor time\n",
		h.played, len(h.broken), hours, h.jobs, h.runs, h.deaths, h.events, hours/max(cpu.Minutes(), 1e-9))
}
