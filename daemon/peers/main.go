// Command peers measures the daemon beside what a shop might build on instead, all in one run on one machine and one disk:
// a queue in PostgreSQL (River), one in Redis (asynq), a JetStream work queue, and the disk itself. It starts every server as
// a process of its own in a temporary folder on loopback and with every acknowledged write on disk, prints one table of
// ratios, and removes what it made.
//
// It is a module of its own, so that the product does not depend on its peers. It never decides whether anything is good
// enough: the table names the bar beside each figure.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"time"
)

// settings are what a person may choose.
type settings struct {
	dir     string        // where everything is written
	rounds  int           // the table shows the median
	measure time.Duration // of one side in one round
	devices int           // for grants
	waiting int           // steps that wait while grants are measured
	grants  int           // samples in a round
	events  int           // in the ledger that is replayed
	only    string        // parts, with commas
}

func main() {
	if len(os.Args) > 1 && os.Args[1] == natsCommand {
		if err := serveNATS(os.Args[2:]); err != nil {
			fmt.Fprintln(os.Stderr, "peers nats:", err)
			os.Exit(1)
		}
		return
	}
	set := settings{}
	short := flag.Bool("short", false, "about 20 s, to see that it runs; the figures mean nothing")
	flag.StringVar(&set.dir, "dir", "", "folder on the disk to be measured (default: the system's temporary folder)")
	flag.IntVar(&set.rounds, "rounds", 5, "rounds; the table shows the median")
	flag.DurationVar(&set.measure, "measure", 2*time.Second, "how long each side is measured in a round")
	flag.IntVar(&set.devices, "devices", 1000, "devices while grants are measured")
	flag.IntVar(&set.waiting, "waiting", 100_000, "steps that wait while grants are measured")
	flag.IntVar(&set.grants, "grants", 1000, "grants measured in a round")
	flag.IntVar(&set.events, "events", 1_000_000, "events of the ledger that is replayed")
	flag.StringVar(&set.only, "only", "submit,chain,grant,restart", "parts to run")
	flag.Parse()
	if *short {
		set.rounds, set.measure, set.devices, set.waiting, set.grants, set.events = 1, 300*time.Millisecond, 50, 1000, 50, 20_000
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := run(ctx, set); err != nil {
		fmt.Fprintln(os.Stderr, "peers:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, set settings) (err error) {
	dir, err := os.MkdirTemp(set.dir, "tandem-peers-")
	if err != nil {
		return err
	}
	if err := os.Chmod(dir, 0o755); err != nil { // PostgreSQL's own user has to reach its folder
		return err
	}
	b := &bench{set: set, dir: dir, began: time.Now()}
	defer func() {
		b.stopAll()
		_ = os.RemoveAll(dir)
	}()
	fmt.Printf("%d rounds, %v for each side in each, sides in turn; %d cores, load %s at the start, everything in %s\n",
		set.rounds, set.measure, runtime.NumCPU(), load(), filepath.Dir(dir))
	if b.tandemd, err = buildTandemd(ctx, dir); err != nil {
		return err
	}
	parts := []struct {
		name string
		run  func(context.Context) error
	}{{"submit", b.submits}, {"chain", b.chains}, {"grant", b.grantsAndIsolation}, {"restart", b.restarts}}
	for _, p := range parts {
		if !strings.Contains(","+set.only+",", ","+p.name+",") {
			continue
		}
		b.dir = filepath.Join(dir, p.name)
		if err := os.Mkdir(b.dir, 0o755); err != nil {
			return err
		}
		if err := p.run(ctx); err != nil {
			return fmt.Errorf("%s: %w", p.name, err)
		}
		b.stopAll()
		_ = os.RemoveAll(b.dir)
	}
	fmt.Printf("load %s at the end, %v in all\n", load(), time.Since(b.began).Round(time.Second))
	return nil
}

func load() string {
	data, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	return strings.Fields(string(data))[0]
}
