package faultsim

import (
	"slices"
	"strings"
	"time"
	"unicode"
)

// Shrink returns a smaller plan that breaks the same promise, and what becomes of it: with fewer acts and fewer troubles of the
// bus. It leaves out ever smaller groups of acts (Zeller and Hildebrandt, Simplifying and isolating failure-inducing input, IEEE
// TSE 28(2), 2002) and plays at most so many days.
func Shrink(failed Outcome, most int) Outcome {
	best := failed
	try := func(p Plan) bool {
		if most--; most < 0 {
			return false
		}
		o := Play(p, nil)
		if sort(o.Violation) != sort(failed.Violation) {
			return false
		}
		best = o
		return true
	}
	for _, calmer := range []func(*Plan){
		func(p *Plan) { p.Loss, p.Twice, p.Straggle, p.Fast, p.Delay = 0, 0, 0, 0, time.Millisecond },
		func(p *Plan) { p.Loss = 0 }, func(p *Plan) { p.Twice = 0 }, func(p *Plan) { p.Straggle = 0 }, func(p *Plan) { p.Fast = 0 },
	} {
		p := best.Plan
		calmer(&p)
		try(p)
	}
	for size := len(best.Plan.Acts) / 2; size > 0; {
		left := false
		for from := 0; from < len(best.Plan.Acts); {
			p := best.Plan
			p.Acts = slices.Delete(slices.Clone(p.Acts), from, min(from+size, len(p.Acts)))
			if try(p) {
				left = true
			} else {
				from += size
			}
		}
		if !left || size > len(best.Plan.Acts) {
			size /= 2
		}
	}
	return best
}

// sort is what kind of violation a text tells of: its words without names and numbers.
func sort(text string) string {
	line, _, _ := strings.Cut(text, "\n")
	line, _, _ = strings.Cut(line, ":")
	var words []string
	for _, word := range strings.Fields(line) {
		if !strings.ContainsFunc(word, unicode.IsDigit) {
			words = append(words, word)
		}
	}
	return strings.Join(words, " ")
}
