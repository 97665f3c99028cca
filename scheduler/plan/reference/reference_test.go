//go:build reference

package reference

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"tandem/scheduler/plan"
	"tandem/scheduler/plan/instance"
	"tandem/scheduler/plan/problem"
)

// model writes a problem in MiniZinc. Changeovers must obey the triangle inequality: they are stated for every pair of operations on a
// machine, not only for neighbours.
func model(p *problem.Problem, horizon problem.Time) string {
	var b strings.Builder
	fmt.Fprintf(&b, "int: h = %d;\n", horizon)
	for o, op := range p.Ops {
		fmt.Fprintf(&b, "var %d..h: s%d;\n", op.Release, o)
		var one, length []string
		for i, m := range op.Modes {
			k := &p.Machines[m.Machine]
			fmt.Fprintf(&b, "var 0..1: x%d_%d;\n", o, i)
			one = append(one, fmt.Sprintf("x%d_%d", o, i))
			length = append(length, fmt.Sprintf("%d*x%d_%d", m.Duration, o, i))
			first := k.Places[0]
			if k.Setup != nil && k.Initial >= 0 {
				first += k.Setup[k.Initial][op.Family]
			}
			fmt.Fprintf(&b, "constraint x%d_%d = 1 -> s%d >= %d;\n", o, i, o, first)
		}
		fmt.Fprintf(&b, "constraint %s = 1;\nvar 0..h: e%d;\nconstraint e%d = s%d + %s;\n", strings.Join(one, " + "), o, o, o, strings.Join(length, " + "))
	}
	for o, op := range p.Ops {
		for _, a := range op.Before {
			fmt.Fprintf(&b, "constraint s%d >= e%d + %d;\n", o, a.Op, a.Lag)
		}
		for q := range o {
			for i, m := range op.Modes {
				for j, n := range p.Ops[q].Modes {
					if m.Machine != n.Machine {
						continue
					}
					var there, back problem.Time
					if table := p.Machines[m.Machine].Setup; table != nil {
						there, back = table[p.Ops[q].Family][op.Family], table[op.Family][p.Ops[q].Family]
					}
					fmt.Fprintf(&b, "constraint (x%d_%d = 1 /\\ x%d_%d = 1) -> (s%d >= e%d + %d \\/ s%d >= e%d + %d);\n", o, i, q, j, o, q, there, q, o, back)
				}
			}
		}
	}
	cost := "c"
	if p.Objective == problem.Makespan {
		b.WriteString("var 0..h: c;\n")
		for o := range p.Ops {
			fmt.Fprintf(&b, "constraint c >= e%d;\n", o)
		}
	} else {
		var terms []string
		for j, job := range p.Jobs {
			fmt.Fprintf(&b, "var 0..h: t%d;\n", j)
			for o, op := range p.Ops {
				if op.Job == j && job.Due != problem.Never {
					fmt.Fprintf(&b, "constraint t%d >= e%d - %d;\n", j, o, job.Due)
				}
			}
			terms = append(terms, fmt.Sprintf("%d*t%d", int(job.Weight), j))
		}
		cost = strings.Join(terms, " + ")
	}
	fmt.Fprintf(&b, "solve minimize %s;\noutput [\"cost=\\(%s)", cost, cost)
	for o, op := range p.Ops {
		fmt.Fprintf(&b, " s%d=\\(s%d)", o, o)
		for i := range op.Modes {
			fmt.Fprintf(&b, " x%d_%d=\\(x%d_%d)", o, i, o, i)
		}
	}
	b.WriteString("\\n\"];\n")
	return b.String()
}

// solve asks Chuffed.
func solve(t *testing.T, models []string) []string {
	t.Helper()
	if _, err := os.Stat(filepath.Join("node_modules", "minizinc")); err != nil {
		t.Fatal("the solver is not here: run npm ci --prefix scheduler/plan/reference")
	}
	in, err := json.Marshal(models)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), "node", "solve.cjs")
	var complaints bytes.Buffer
	cmd.Stdin, cmd.Stderr = bytes.NewReader(in), &complaints
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("node: %v\n%s", err, complaints.String())
	}
	var texts []string
	lines := bufio.NewScanner(bytes.NewReader(out))
	lines.Buffer(nil, 1<<24)
	for lines.Scan() {
		var answer struct{ Text string }
		if err := json.Unmarshal(lines.Bytes(), &answer); err != nil {
			t.Fatal(err)
		}
		texts = append(texts, answer.Text)
	}
	if len(texts) != len(models) {
		t.Fatalf("%d answers to %d models", len(texts), len(models))
	}
	return texts
}

// answer reads the last schedule that was printed, and whether it was proved to be best.
func answer(t *testing.T, p *problem.Problem, text string) (cost float64, s problem.Schedule, proved bool) {
	t.Helper()
	s = problem.Schedule{Mode: make([]int, len(p.Ops)), Start: make([]problem.Time, len(p.Ops))}
	cost = -1
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "==========") {
			proved = true
		}
		if !strings.HasPrefix(line, "cost=") {
			continue
		}
		for _, word := range strings.Fields(line) {
			name, value, _ := strings.Cut(word, "=")
			v, err := strconv.ParseInt(value, 10, 64)
			if err != nil {
				t.Fatalf("%q: %v", word, err)
			}
			op, mode, isMode := strings.Cut(name[1:], "_")
			switch {
			case name == "cost":
				cost = float64(v)
			case isMode && v == 1:
				o, _ := strconv.Atoi(op)
				s.Mode[o], _ = strconv.Atoi(mode)
			case name[0] == 's':
				o, _ := strconv.Atoi(op)
				s.Start[o] = v
			}
		}
	}
	return cost, s, proved
}

// shopOf makes a small shop at random: jobs that are chains or DAGs, several machines for some operations, lags, releases, machines that
// are not free at once, and changeovers that are distances, so that a way round is never shorter.
func shopOf(r *rand.Rand) *problem.Problem {
	p := &problem.Problem{Objective: problem.Objective(r.IntN(2))}
	const families = 3
	for range 2 + r.IntN(2) {
		m := problem.Machine{Places: []problem.Time{problem.Time(r.IntN(5))}, Initial: -1}
		if r.IntN(3) > 0 {
			var at [families]int
			for i := range at {
				at[i] = r.IntN(8)
			}
			for a := range families {
				var row []problem.Time
				for b := range families {
					row = append(row, problem.Time(max(at[a]-at[b], at[b]-at[a])))
				}
				m.Setup = append(m.Setup, row)
			}
			m.Initial = r.IntN(families+1) - 1
		}
		p.Machines = append(p.Machines, m)
	}
	for j := range 2 + r.IntN(2) {
		p.Jobs = append(p.Jobs, problem.Job{Due: problem.Time(5 + r.IntN(25)), Weight: float64(1 + r.IntN(4))})
		first := len(p.Ops)
		for range 2 + r.IntN(3) {
			o := problem.Op{Job: j, Family: r.IntN(families), Release: problem.Time(r.IntN(2) * r.IntN(6))}
			for _, k := range r.Perm(len(p.Machines))[:1+r.IntN(len(p.Machines))] {
				o.Modes = append(o.Modes, problem.Mode{Machine: k, Duration: problem.Time(1 + r.IntN(9)), Attended: problem.None})
			}
			for b := first; b < len(p.Ops); b++ {
				if r.IntN(2) == 0 {
					o.Before = append(o.Before, problem.Arc{Op: b, Lag: problem.Time(r.IntN(2) * r.IntN(7)), MaxLag: problem.Never})
				}
			}
			p.Ops = append(p.Ops, o)
		}
	}
	return p
}

// Where Chuffed proves an optimum, ours equals it, and Chuffed's own schedule passes our checker at the cost it names.
func TestAgainstChuffed(t *testing.T) {
	type one struct {
		name string
		p    *problem.Problem
		ours float64
	}
	var all []one
	for seed := range uint64(60) {
		all = append(all, one{name: fmt.Sprintf("shop %d", seed), p: shopOf(rand.New(rand.NewPCG(seed, 3)))})
	}
	for format, names := range map[string][]string{"fajsp": {"dafjs01.txt", "yfjs01.txt"}, "fjsp": {"k1.txt"}} {
		for _, name := range names {
			text, err := os.ReadFile(filepath.Join("..", "instance", "testdata", name))
			if err != nil {
				t.Fatal(err)
			}
			p, err := instance.Read(format, text)
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, one{name: name, p: p})
		}
	}
	var models []string
	for i := range all {
		p := all[i].p
		s, _, err := plan.Search(p, nil, problem.Budget{Evaluations: 50_000}, 1)
		if err != nil {
			t.Fatalf("%s: %v", all[i].name, err)
		}
		c := problem.CostOf(p, s)
		all[i].ours = c.Value(p)
		horizon := c.Makespan
		if p.Objective == problem.WeightedTardiness {
			horizon *= 2 // a schedule that is less late may end later
		}
		models = append(models, model(p, horizon))
	}
	proofs := 0
	for i, text := range solve(t, models) {
		p := all[i].p
		cost, s, proved := answer(t, p, text)
		if cost < 0 {
			t.Errorf("%s: no schedule: %s", all[i].name, text)
			continue
		}
		if err := problem.Check(p, s); err != nil {
			t.Errorf("%s: Chuffed's schedule: %v", all[i].name, err)
		} else if got := problem.CostOf(p, s).Value(p); got != cost {
			t.Errorf("%s: Chuffed's schedule costs %v, it says %v", all[i].name, got, cost)
		}
		if proved {
			proofs++
			if all[i].ours != cost {
				t.Errorf("%s: ours %v, the optimum is %v", all[i].name, all[i].ours, cost)
			}
		} else if all[i].ours > cost {
			t.Errorf("%s: ours %v, Chuffed found %v", all[i].name, all[i].ours, cost)
		}
	}
	t.Logf("%d problems, %d optima proved", len(all), proofs)
	if proofs < 40 {
		t.Errorf("only %d proofs", proofs)
	}
}
