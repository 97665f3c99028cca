package config

import (
	"bufio"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
	"tandem/scheduler/duration"
	"tandem/scheduler/floor"
	"tandem/scheduler/simulate"
	"tandem/scheduler/ticket"
)

const shared = "../../testdata"

func harbour(t *testing.T) *tandemv1.FloorFile {
	t.Helper()
	f, err := LoadFloor(filepath.Join(shared, "floors", "harbour.yaml"), fakeKinds)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func files(t *testing.T, pattern string) []string {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(shared, pattern))
	if err != nil || len(list) == 0 {
		t.Fatalf("no files %s: %v", pattern, err)
	}
	return list
}

// day returns the tickets, due as their labels say.
func day(t *testing.T, start time.Time) []*tandemv1.Job {
	t.Helper()
	var jobs []*tandemv1.Job
	for _, path := range files(t, "tickets/*.yaml") {
		j := new(tandemv1.Job)
		if err := yamlfile.Read(path, j); err != nil {
			t.Fatal(err)
		}
		in, err := time.ParseDuration(j.GetLabels()["due-in"])
		if err != nil || j.GetDueTime() != nil {
			t.Fatalf("%s: label due-in: %v; due_time %v, want none", path, err, j.GetDueTime())
		}
		j.DueTime = timestamppb.New(start.Add(in))
		if text, ok := j.GetLabels()["released-in"]; ok {
			in, err := time.ParseDuration(text)
			if err != nil {
				t.Fatalf("%s: label released-in: %v", path, err)
			}
			j.ReleaseTime = timestamppb.New(start.Add(in))
		}
		jobs = append(jobs, j)
	}
	return jobs
}

// cutFiles returns the cut files that a ticket's items name.
func cutFiles(t *testing.T, j *tandemv1.Job) []*tandemv1.CutFile {
	t.Helper()
	var out []*tandemv1.CutFile
	for _, it := range j.GetItems() {
		if uri := it.GetCut().GetUri(); uri != "" {
			data, err := os.ReadFile(filepath.Join(shared, "tickets", uri))
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, &tandemv1.CutFile{Uri: uri, Content: data})
		}
	}
	return out
}

// made returns the tickets with their panels and steps.
func made(t *testing.T) []*tandemv1.Job {
	t.Helper()
	jobs := day(t, time.Unix(0, 0))
	for i, j := range jobs {
		if len(j.GetItems()) == 0 {
			continue
		}
		m, err := ticket.Make(harbour(t), j, cutFiles(t, j))
		if err != nil {
			t.Fatalf("%s: %v", j.GetId(), err)
		}
		jobs[i] = m.Job
	}
	return jobs
}

func TestHarbourFloor(t *testing.T) {
	f := harbour(t)
	if len(f.GetPeople()) != 3 || len(f.GetDevices()) != 8 {
		t.Errorf("%d people, %d devices, want 3 and 8", len(f.GetPeople()), len(f.GetDevices()))
	}
	speed := map[string]time.Duration{}
	for _, d := range f.GetDevices() {
		for _, a := range d.GetAbilities() {
			if a.GetOperation() == "print" {
				speed[d.GetId()] = duration.Work(a, duration.Demand{LengthUm: 10_000_000, WidthUm: 1_340_000})
			}
		}
	}
	if ratio := speed["printer-north"].Seconds() / speed["printer-south"].Seconds(); ratio < 1.5 || ratio > 1.7 {
		t.Errorf("one printer is %.2f times as fast as the other, want about 1.6", ratio)
	}
}

func TestTicketDocuments(t *testing.T) {
	for _, j := range made(t) {
		documents := 0
		for _, s := range j.GetSteps() {
			for _, d := range s.GetDocuments() {
				documents++
				if strings.HasPrefix(d.GetUri(), "contours/") {
					continue // a cut file: its hash was checked when the steps were made
				}
				if sum := sha256.Sum256([]byte(d.GetUri())); d.GetSha256() != hex.EncodeToString(sum[:]) {
					t.Errorf("%s/%s: %s has the hash %s, want that of the text of its uri", j.GetId(), s.GetId(), d.GetUri(), d.GetSha256())
				}
			}
			hazard := []string{"print", "dry", "laminate", "cut", "weed"} // vapour and lamps, nip rollers, blades
			if slices.Contains(hazard, s.GetOperation()) && !strings.Contains(s.GetNote(), "Caution: ") {
				t.Errorf("%s/%s: no caution in the note %q", j.GetId(), s.GetId(), s.GetNote())
			}
		}
		if documents == 0 {
			t.Errorf("%s has no documents", j.GetId())
		}
	}
}

// The day must play to its end on the floor, in about 26 hours, and on the combined device alone, which takes longer.
func TestHarbourDay(t *testing.T) {
	start := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	f := harbour(t)
	play := func(f *tandemv1.FloorFile) *simulate.Result {
		var arrivals []simulate.Arrival
		for _, j := range day(t, start) {
			arrivals = append(arrivals, simulate.Arrival{At: start, Job: j, CutFiles: cutFiles(t, j)})
		}
		r, err := simulate.Run(f, arrivals, simulate.Options{Start: start, Reaction: 3 * time.Minute})
		if err != nil {
			t.Fatal(err)
		}
		for _, j := range r.Jobs {
			if !j.Completed {
				t.Errorf("%s is not completed: %v %v", j.ID, j.State, j.Reasons)
			}
		}
		return r
	}
	together, alone := play(f), play(simulate.CombinedOnly(f))
	for _, j := range together.Jobs {
		t.Logf("%-22s done after %v", j.ID, j.End.Sub(start))
	}
	for _, d := range together.Devices {
		t.Logf("%-22s %2d runs, busy %v", d.ID, d.Runs, d.Busy)
		if d.Runs == 0 {
			t.Errorf("%s has nothing to do all day", d.ID)
		}
	}
	t.Logf("makespan %v, on the combined device alone %v", together.Makespan(), alone.Makespan())
	if m := together.Makespan(); m > 26*time.Hour {
		t.Errorf("the day takes %v, want at most 26h", m)
	}
	flow := func(r *simulate.Result) (sum time.Duration) {
		for _, j := range r.Jobs {
			sum += j.End.Sub(j.Create)
		}
		return sum / time.Duration(len(r.Jobs))
	}
	t.Logf("mean time to finish %v, on the combined device alone %v", flow(together), flow(alone))
	if flow(together) >= flow(alone) {
		t.Errorf("jobs take %v on the floor and %v on the combined device alone", flow(together), flow(alone))
	}
}

// refusal returns what yamlfile or the floor has against a ticket.
func refusal(path string) []Problem {
	j := new(tandemv1.Job)
	var file *yamlfile.Error
	var out []Problem
	if err := yamlfile.Read(path, j); errors.As(err, &file) {
		for _, p := range file.All() {
			out = append(out, Problem{Field: p.Field, Problem: p.Problem})
		}
		return out
	}
	return floorRefusal(j)
}

func floorRefusal(j *tandemv1.Job) (out []Problem) {
	var refused *floor.Error
	if _, err := floor.New().Decide(time.Unix(0, 0), floor.Meta{Actor: "test"}, floor.CreateJob{Job: j}); errors.As(err, &refused) {
		for _, v := range refused.Violations {
			out = append(out, Problem{Field: strings.TrimPrefix(v.Field, "job."), Problem: v.Problem})
		}
	}
	return out
}

func TestBadTickets(t *testing.T) {
	for _, path := range files(t, "tickets-bad/*.yaml") {
		t.Run(filepath.Base(path), func(t *testing.T) {
			f, err := os.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			line, err := bufio.NewReader(f).ReadString('\n')
			want, ok := strings.CutPrefix(strings.TrimSpace(line), "# want: ")
			if err != nil || !ok {
				t.Fatalf("first line %q, %v, want # want: FIELD: PROBLEM", line, err)
			}
			field, problem, ok := strings.Cut(want, ": ")
			if !ok || problem == "" {
				t.Fatalf("first line %q has no problem", line)
			}
			got := refusal(path)
			if !slices.ContainsFunc(got, func(p Problem) bool { return p.Field == field && strings.Contains(p.Problem, problem) }) {
				t.Errorf("got %v, want %s: %s", got, field, problem)
			}
			if len(got) > 1 {
				t.Errorf("got %v, want one problem in each file", got)
			}
		})
	}
}

func TestTicketWithTooManySteps(t *testing.T) {
	var text strings.Builder
	text.WriteString("id: endless\npieces: 1\nsteps:\n")
	for i := range 2000 {
		fmt.Fprintf(&text, "  - {id: s%d, operation: cut}\n", i)
	}
	j := new(tandemv1.Job)
	if err := yamlfile.Unmarshal("endless.yaml", []byte(text.String()), j); err != nil {
		t.Fatal(err)
	}
	if got := floorRefusal(j); len(got) != 1 || got[0].Field != "steps" || !strings.Contains(got[0].Problem, "2000 steps") {
		t.Errorf("got %v, want a problem of steps", got)
	}
}
