// Command mutants proves that the fault simulation finds bugs: it breaks the product on purpose, in one place at a time, and counts
// how many days have to be played until the simulation says so. A bug that it does not see in so many days is an error, and so is
// a broken day of the product as it is.
//
// The product's sources stay as they are. All mutants are built into one program by way of an overlay of the go command, and the
// environment of that program says which of them is in force. Each names the text that it changes; where that is no longer
// there exactly once, nothing is built, so that no mutant stays behind when the product goes on.
//
//	go run ./daemon/faultsim/mutants                       # each mutant over the days of seeds 1 to 2000, as far as it needs
//	go run ./daemon/faultsim/mutants -list                 # what there is
//	go run ./daemon/faultsim/mutants -only 'fence|term'    # those whose name matches
//	go run ./daemon/faultsim/mutants -keep mutated -only x # build the program and leave it; then one day of one mutant:
//	FAULTSIM_MUTANT=old-term ./mutated -from 12 -trace
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"strings"
	"text/tabwriter"
	"time"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, os.Args[1:], os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "mutants:", err)
		stop()
		os.Exit(1) //nolint:gocritic // stop has been called
	}
}

// errSurvived means that the simulation did not see what it must.
var errSurvived = errors.New("the fault simulation has not told the product from its mutants")

func run(ctx context.Context, args []string, out io.Writer) error {
	flags := flag.NewFlagSet("mutants", flag.ContinueOnError)
	var (
		seeds   = flags.Int("seeds", 2000, "days within which each mutant must be found")
		control = flags.Int("control", 500, "days of the product as it is, none of which may break")
		only    = flags.String("only", "", "regular expression for the names of the mutants")
		list    = flags.Bool("list", false, "print the mutants and play nothing")
		workers = flags.Int("workers", 1, "days played side by side; with more than one, the seed found is not always the first")
		keep    = flags.String("keep", "", "leave the program with the mutants in this file")
	)
	if err := flags.Parse(args); err != nil {
		return err
	}
	which, err := regexp.Compile(*only)
	if err != nil {
		return fmt.Errorf("-only: %w", err)
	}
	var chosen []mutant
	for _, m := range mutants {
		if which.MatchString(m.name) {
			chosen = append(chosen, m)
		}
	}
	if *list {
		return printList(out, chosen)
	}
	root, err := moduleRoot(ctx)
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "mutants-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir) //nolint:errcheck // a directory of temporary files
	program := filepath.Join(dir, "hunt")
	if *keep != "" {
		if program, err = filepath.Abs(*keep); err != nil {
			return err
		}
	}
	if err := build(ctx, root, dir, program, mutants); err != nil {
		return err
	}
	h := hunter{program: program, workers: max(*workers, 1)}
	return h.all(ctx, out, chosen, *seeds, *control)
}

func printList(out io.Writer, chosen []mutant) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, m := range chosen {
		fmt.Fprintf(w, "%s\t%s\t%s\n", m.name, m.file, m.breaks)
	}
	return w.Flush()
}

// all plays the control and each of the mutants, and prints a line for each as soon as it is known.
func (h hunter) all(ctx context.Context, out io.Writer, chosen []mutant, seeds, control int) error {
	var survivors []string
	if control > 0 {
		r, err := h.hunt(ctx, "", control)
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "%-28s %s\n", "(the product as it is)", r)
		if r.seed != 0 {
			survivors = append(survivors, fmt.Sprintf("the product as it is breaks on the day of seed %d", r.seed))
		}
	}
	var cpu time.Duration
	found := 0
	for _, m := range chosen {
		r, err := h.hunt(ctx, m.name, seeds)
		if err != nil {
			return err
		}
		cpu += r.cpu
		fmt.Fprintf(out, "%-28s %s\n", m.name, r)
		if r.seed == 0 {
			survivors = append(survivors, m.name+" survives: "+m.breaks)
			continue
		}
		found++
	}
	fmt.Fprintf(out, "%d of %d mutants found, each within %d days; %.0f s of processor time\n", found, len(chosen), seeds, cpu.Seconds())
	if len(survivors) > 0 {
		return fmt.Errorf("%w:\n  %s", errSurvived, strings.Join(survivors, "\n  "))
	}
	return nil
}

func moduleRoot(ctx context.Context) (string, error) {
	text, err := exec.CommandContext(ctx, "go", "list", "-m", "-f", "{{.Dir}}").Output()
	if err != nil {
		return "", fmt.Errorf("ask the go command for the module: %w", err)
	}
	return strings.TrimSpace(string(text)), nil
}
