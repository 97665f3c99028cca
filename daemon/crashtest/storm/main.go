// Command storm kills a daemon and its drivers again and again, with clients that ask all the time, and says whether
// anything acknowledged was lost or any machine started twice.
//
//	go run ./daemon/crashtest/storm -kills 500
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"time"

	"tandem/daemon/crashtest"
)

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, "storm:", err)
		os.Exit(1)
	}
}

func run() (err error) {
	kills := flag.Int("kills", 500, "how many processes to kill")
	clients := flag.Int("clients", 6, "how many clients ask at the same time")
	seed := flag.Uint64("seed", uint64(time.Now().UnixNano()), "of the moments and victims")
	pace := flag.Duration("pace", 1500*time.Millisecond, "longest time between a start and the next kill")
	scale := flag.Float64("time-scale", 1500, "how much faster than the wall clock the floor's clock runs")
	floor := flag.String("floor", "testdata/floors/harbour.yaml", "floor file")
	race := flag.Bool("race", false, "build the daemon with the race detector")
	keep := flag.String("dir", "", "folder for logs and data, kept (default: a temporary one, removed unless something is wrong)")
	flag.Parse()

	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	dir := *keep
	if dir == "" {
		if dir, err = os.MkdirTemp("", "tandem-storm-"); err != nil {
			return err
		}
		defer func() {
			if err == nil {
				err = os.RemoveAll(dir)
			} else {
				err = fmt.Errorf("%w\nlogs and data are in %s", err, dir)
			}
		}()
	}
	program, err := crashtest.Build(ctx, dir, *race)
	if err != nil {
		return err
	}
	shop, err := crashtest.Open(crashtest.Config{
		Program: program, Floor: *floor, Dir: dir, External: []string{"printer-north", "cutter-1", "rack-east"}, TimeScale: *scale,
		Flags: []string{"--space-ballast", "1MiB", "--log-level", "warn"},
	})
	if err != nil {
		return err
	}
	defer shop.Close()
	began := time.Now()
	report, err := crashtest.Storm(ctx, shop, crashtest.StormOptions{
		Kills: *kills, Clients: *clients, Seed: *seed, Pace: *pace, Audit: 50,
		Tell: func(format string, args ...any) {
			fmt.Printf("%v: "+format+"\n", append([]any{time.Since(began).Round(time.Second)}, args...)...)
		},
	})
	if err != nil {
		return fmt.Errorf("seed %d: %w", *seed, err)
	}
	fmt.Printf("%v in %v\n", report, time.Since(began).Round(time.Second))
	return nil
}
