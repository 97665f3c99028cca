package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// longest bounds the days of one mutant, which may loop for ever; wall time.
const longest = time.Hour

// hunter plays days with the program that has the mutants.
type hunter struct {
	program string
	workers int
}

// result is what a hunt has found.
type result struct {
	seed uint64 // the first broken day; 0: none was
	says string // what the simulation says of it, in one line
	days int
	cpu  time.Duration
}

func (r result) String() string {
	if r.seed == 0 {
		return fmt.Sprintf("all %d days hold  %6.1f s", r.days, r.cpu.Seconds())
	}
	return fmt.Sprintf("seed %4d  %6.1f s  %s", r.seed, r.cpu.Seconds(), r.says)
}

var (
	brokenLine  = regexp.MustCompile(`(?m)^seed (\d+): (.*)$`)
	summaryLine = regexp.MustCompile(`(?m)^(\d+) days, (\d+) broken: `)
)

// hunt plays the days of seeds from 1 until the first that breaks. The empty name is the product as it is.
func (h hunter) hunt(ctx context.Context, name string, seeds int) (result, error) {
	ctx, cancel := context.WithTimeout(ctx, longest)
	defer cancel()
	cmd := exec.CommandContext(ctx, h.program, "-from", "1", "-seeds", strconv.Itoa(seeds), "-most", "1", "-workers", strconv.Itoa(h.workers)) //nolint:gosec // built by us
	cmd.Env = append(os.Environ(), variable+"="+name)
	cmd.WaitDelay = time.Second
	text, err := cmd.CombinedOutput()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		return result{}, fmt.Errorf("hunt for %q: %w", name, err)
	}
	r := result{cpu: cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()}
	if err := r.read(string(text)); err != nil {
		return result{}, fmt.Errorf("hunt for %q: %w", name, errors.Join(err, ctx.Err()))
	}
	return r, nil
}

// read takes what the program has printed.
func (r *result) read(text string) error {
	last := summaryLine.FindStringSubmatch(text)
	if last == nil {
		return fmt.Errorf("the program has not come to its end: %s", text[max(0, len(text)-2000):])
	}
	r.days, _ = strconv.Atoi(last[1])
	for _, broken := range brokenLine.FindAllStringSubmatch(text, -1) {
		seed, err := strconv.ParseUint(broken[1], 10, 64)
		if err != nil {
			return fmt.Errorf("read the seed of a broken day: %w", err)
		}
		if r.seed == 0 || seed < r.seed {
			r.seed, r.says = seed, shortened(broken[2])
		}
	}
	if (r.seed != 0) != (last[2] != "0") {
		return fmt.Errorf("the program tells of %s broken days and names seed %d", last[2], r.seed)
	}
	return nil
}

// shortened keeps a line of a table to a line.
func shortened(s string) string {
	s = strings.TrimSpace(s)
	if r := []rune(s); len(r) > 150 {
		return string(r[:147]) + "..."
	}
	return s
}
