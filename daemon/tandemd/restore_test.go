package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// twoMachines run in processes of their own, so that they go on whatever becomes of the daemon.
const twoMachines = `
devices:
  - id: printer-1
    driver: {kind: sim, external: true}
    abilities:
      - {operation: print, per_piece: 10s, unattended_start: {allowed_by: Marit, allow_time: "2026-03-01T00:00:00Z"}}
  - id: cutter-1
    driver: {kind: sim, external: true}
    abilities:
      - {operation: cut, per_piece: 10s}
people:
  - {id: marit, display_name: Marit, supervisor: true}
`

// plant is a floor whose daemon can be lost and restored elsewhere.
type plant struct {
	t                        *testing.T
	bin, client, folder      string
	floorPath, address, busA string
	c                        clients
	daemon                   *process
}

func newPlant(t *testing.T) *plant {
	t.Helper()
	p := &plant{t: t, bin: build(t), folder: t.TempDir(), address: freeAddress(t), busA: freeAddress(t)}
	p.client = filepath.Join(t.TempDir(), "tandem")
	if out, err := exec.Command("go", "build", "-o", p.client, "../../clients/tandem").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	p.floorPath = filepath.Join(p.folder, "floor.yaml")
	if err := os.WriteFile(p.floorPath, []byte(twoMachines), 0o600); err != nil {
		t.Fatal(err)
	}
	return p
}

// serve starts the daemon on a data folder.
func (p *plant) serve(data string) {
	p.t.Helper()
	p.daemon = start(p.t, p.bin, "serve", "--data-dir", data, "--floor", p.floorPath, "--listen", p.address, "--bus-listen", p.busA, "--time-scale", "400", "--plan-search=off")
	p.c = dialDaemon(p.t, p.address)
}

// command runs a program to its end and returns what it printed.
func (p *plant) command(bin string, args ...string) (string, error) {
	cmd := exec.CommandContext(p.t.Context(), bin, args...)
	out, err := cmd.CombinedOutput()
	return string(out), err
}

func (p *plant) must(bin string, args ...string) string {
	p.t.Helper()
	out, err := p.command(bin, args...)
	if err != nil {
		p.t.Fatalf("%s %v: %v\n%s", filepath.Base(bin), args, err, out)
	}
	p.t.Logf("$ %s %s\n%s", filepath.Base(bin), strings.Join(args, " "), out)
	return out
}

func (p *plant) submit(id string) {
	p.t.Helper()
	job := &tandemv1.Job{Id: id, Pieces: 60, Steps: []*tandemv1.Step{{Id: "print", Operation: "print"}, {Id: "cut", Operation: "cut", After: []string{"print"}}}}
	if _, err := p.c.jobs.CreateJob(p.t.Context(), &tandemv1.CreateJobRequest{Job: job, RequestId: "create-" + id}); err != nil {
		p.t.Fatal(err)
	}
}

// look returns all jobs, once the person at the cutter has started what waits for it.
func (p *plant) look() map[string]*tandemv1.Job {
	p.t.Helper()
	list, err := p.c.jobs.ListJobs(p.t.Context(), &tandemv1.ListJobsRequest{PageSize: 1000})
	if err != nil {
		p.t.Fatal(err)
	}
	out := map[string]*tandemv1.Job{}
	for _, j := range list.GetJobs() {
		out[j.GetId()] = j
		for _, s := range j.GetSteps() {
			n := len(s.GetRuns())
			if n == 0 || s.GetState() != tandemv1.JobState_JOB_STATE_PENDING || s.GetRuns()[n-1].GetMayStart() {
				continue
			}
			run := s.GetRuns()[n-1].GetId()
			_, err := p.c.devices.StartRun(p.t.Context(), &tandemv1.StartRunRequest{Run: run, RequestId: "start-" + run, Actor: "marit"})
			if err != nil && status.Code(err) != codes.FailedPrecondition {
				p.t.Fatal(err)
			}
		}
	}
	return out
}

func (p *plant) until(what string, ok func(jobs map[string]*tandemv1.Job) bool) map[string]*tandemv1.Job {
	p.t.Helper()
	for deadline := time.Now().Add(90 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		jobs := p.look()
		if ok(jobs) {
			return jobs
		}
		if time.Now().After(deadline) {
			p.t.Fatalf("not within 90 s: %s; the jobs are %v", what, jobs)
		}
	}
}

func stateOf(j *tandemv1.Job, step string) tandemv1.JobState {
	for _, s := range j.GetSteps() {
		if s.GetId() == step {
			return s.GetState()
		}
	}
	return tandemv1.JobState_JOB_STATE_UNSPECIFIED
}

const (
	processing = tandemv1.JobState_JOB_STATE_PROCESSING
	completed  = tandemv1.JobState_JOB_STATE_COMPLETED
)

// A day at high speed: a backup is made while jobs run, the daemon is killed hard, and the backup is restored elsewhere while the
// machines go on. Every job that was acknowledged before the backup is there; what the machines did since is listed and not counted;
// nothing is done twice; and once a person has said what was done, the day goes on to its end.
func TestRestoredElsewhereTheDayGoesOn(t *testing.T) {
	p := newPlant(t)
	first, second := filepath.Join(p.folder, "first"), filepath.Join(p.folder, "second")
	p.serve(first)
	for _, device := range []string{"printer-1", "cutter-1"} {
		start(t, p.bin, "drive", "--floor", p.floorPath, "--device", device, "--bus", "nats://"+p.busA,
			"--token-file", filepath.Join(first, "bus", "driver-token"), "--data-dir", filepath.Join(p.folder, device))
	}
	before := []string{"a", "b", "c", "d"}
	for _, id := range before {
		p.submit(id)
	}
	p.until("b is printed and is being cut", func(jobs map[string]*tandemv1.Job) bool { return stateOf(jobs["b"], "cut") == processing })
	file := filepath.Join(p.folder, "day.tgz")
	p.must(p.client, "--address", p.address, "backup", file)

	// The day goes on after the backup: c is printed and is being cut, and another job is handed in.
	p.submit("late")
	p.until("c is being cut", func(jobs map[string]*tandemv1.Job) bool {
		return stateOf(jobs["b"], "cut") == completed && stateOf(jobs["c"], "cut") == processing
	})
	truth := p.look()
	p.daemon.kill()

	p.must(p.bin, "backup", "verify", file)
	p.must(p.bin, "restore", file, "--data-dir", second, "--actor", "marit")
	if out, err := p.command(p.bin, "restore", file, "--data-dir", second, "--actor", "marit"); err == nil || !strings.Contains(out, "is not empty") {
		t.Errorf("restored again into the same folder: %v\n%s", err, out)
	}
	// The machines' drivers have the token of the old place.
	token, err := os.ReadFile(filepath.Join(first, "bus", "driver-token"))
	if err == nil {
		err = os.WriteFile(filepath.Join(second, "bus", "driver-token"), token, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	p.serve(second)
	counted := map[string]int32{} // of c, as the backup has it: a slow start was first heard of when some were done
	for _, s := range p.look()["c"].GetSteps() {
		if counted[s.GetId()] = s.GetPiecesGood(); s.GetPiecesGood() == 60 {
			t.Errorf("%s of c is counted as done", s.GetId())
		}
	}
	review := func() *tandemv1.Review {
		r, err := p.c.admin.GetReview(t.Context(), &tandemv1.GetReviewRequest{})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	unrecorded := func(device string) *tandemv1.UnrecordedRun {
		runs := review().GetRuns()
		if i := slices.IndexFunc(runs, func(u *tandemv1.UnrecordedRun) bool { return u.GetDevice() == device }); i >= 0 {
			return runs[i]
		}
		return nil
	}
	jobs := p.until("the cutter has told of its work", func(map[string]*tandemv1.Job) bool { return unrecorded("cutter-1") != nil })
	for _, id := range before {
		if jobs[id] == nil {
			t.Errorf("job %s, acknowledged before the backup, is not there", id)
		}
	}
	if jobs["late"] != nil {
		t.Error("a job handed in after the backup is there")
	}
	u := unrecorded("cutter-1")
	if u.GetJob() != "c" || u.GetStep() != "cut" || !u.GetStepKnown() {
		t.Errorf("unrecorded work: %v", u)
	}
	told := p.must(p.client, "--address", p.address, "status")
	for _, want := range []string{"unrecorded work on cutter-1: run " + u.GetRun() + " of c/cut", "may have been done after the backup"} {
		if !strings.Contains(told, want) {
			t.Errorf("tandem status does not say %q", want)
		}
	}
	p.must(p.client, "--address", p.address, "review")

	// Nothing that may have been done is given out, whatever time passes.
	p.until("the machines have ended", func(map[string]*tandemv1.Job) bool {
		return !slices.ContainsFunc(review().GetRuns(), func(u *tandemv1.UnrecordedRun) bool {
			return u.GetState() != completed || u.GetPiecesGood() != 60
		})
	})
	for id, j := range p.look() {
		for _, s := range j.GetSteps() {
			if n := len(s.GetRuns()); n > 0 && s.GetRuns()[n-1].GetFence() > floor.FenceStep {
				t.Errorf("%s of %s was given out before anybody had looked: %v", s.GetId(), id, s)
			}
			if id == "c" && s.GetPiecesGood() != counted[s.GetId()] {
				t.Errorf("%s of c counts %d pieces that nobody has confirmed", s.GetId(), s.GetPiecesGood())
			}
		}
	}

	doneUnseen := map[string]bool{} // begun after the old daemon was last looked at
	for _, u := range review().GetRuns() {
		doneUnseen[u.GetJob()+"/"+u.GetStep()] = true
	}
	p.sayWhatWasDone(truth)
	// Work on the job that the ledger has never heard of, if the printer came so far: a person takes note.
	for _, u := range review().GetRuns() {
		if u.GetStepKnown() {
			t.Errorf("still listed although its step was reviewed: %v", u)
		}
		p.must(p.client, "--address", p.address, "--actor", "marit", "review", "--run", u.GetRun())
	}
	p.submit("late") // handed in again
	end := p.until("everything is done", func(jobs map[string]*tandemv1.Job) bool {
		open := slices.ContainsFunc(append(before, "late"), func(id string) bool { return jobs[id].GetState() != completed })
		return !open
	})
	for id, j := range end {
		for _, s := range j.GetSteps() {
			if s.GetPiecesGood() != 60 {
				t.Errorf("%s of %s has %d good pieces, want 60", s.GetId(), id, s.GetPiecesGood())
			}
			if id == "late" { // printed or not in its first life, it was handed in anew
				continue
			}
			old, since := begun(truth[id], s.GetId(), 0), begun(j, s.GetId(), floor.FenceStep)
			if old+since > 1 || old+since == 0 && !doneUnseen[id+"/"+s.GetId()] {
				t.Errorf("%s of %s began %d times before and %d times after, want once: %v", s.GetId(), id, old, since, s.GetRuns())
			}
		}
	}
	if r := review(); len(r.GetRuns())+len(r.GetSteps()) > 0 {
		t.Errorf("still to be reviewed: %v", r)
	}
	p.daemon.kill()
	out := p.must(p.bin, "ledger", "verify", "--data-dir", second)
	if !strings.Contains(out, "the ledger is good") {
		t.Error(out)
	}
}

// begun counts the runs of a step that a machine began, of those with a fence above the one given.
func begun(j *tandemv1.Job, step string, above uint64) int {
	n := 0
	for _, s := range j.GetSteps() {
		for _, r := range s.GetRuns() {
			if s.GetId() == step && r.GetFence() > above && r.GetStartTime() != nil {
				n++
			}
		}
	}
	return n
}

// sayWhatWasDone is the person who walks along the machines: the truth is what the old daemon knew last.
// What machines report on top of that has ended by then.
func (p *plant) sayWhatWasDone(truth map[string]*tandemv1.Job) {
	p.t.Helper()
	as := []string{"--address", p.address, "--actor", "marit"}
	say := func(args ...string) { p.must(p.client, append(slices.Clone(as), args...)...) }
	for id, j := range p.look() {
		for _, s := range j.GetSteps() {
			n := len(s.GetRuns())
			if n == 0 || !slices.Contains(s.GetStateReasons(), "x-outcome-unknown") {
				continue
			}
			word := "again"
			if stateOf(truth[id], s.GetId()) == completed {
				word = "done"
			}
			say("resolve", s.GetRuns()[n-1].GetId(), word)
		}
	}
	left, err := p.c.admin.GetReview(p.t.Context(), &tandemv1.GetReviewRequest{})
	if err != nil {
		p.t.Fatal(err)
	}
	for _, s := range left.GetSteps() {
		word := "not-done"
		reported := slices.ContainsFunc(left.GetRuns(), func(u *tandemv1.UnrecordedRun) bool { return u.GetJob() == s.GetJob() && u.GetStep() == s.GetStep() })
		if stateOf(truth[s.GetJob()], s.GetStep()) == completed || reported {
			word = "done"
		}
		say("review", s.GetJob(), s.GetStep(), word)
	}
}

// A backup is consistent and the floor does not stand still for it: grants are committed while it is made.
func TestBackupWhileServing(t *testing.T) {
	p := newPlant(t)
	p.serve(filepath.Join(p.folder, "data"))
	ctx, cancel := context.WithCancel(t.Context())
	submitted := make(chan int, 1)
	go func() {
		n := 0
		for ; ctx.Err() == nil; n++ {
			job := &tandemv1.Job{Id: fmt.Sprintf("job-%d", n), Pieces: 1, Steps: []*tandemv1.Step{{Id: "print", Operation: "print"}}}
			if _, err := p.c.jobs.CreateJob(ctx, &tandemv1.CreateJobRequest{Job: job, RequestId: job.GetId()}); err != nil && ctx.Err() == nil {
				t.Error(err)
				break
			}
		}
		submitted <- n
	}()
	for i := range 5 {
		file := filepath.Join(p.folder, fmt.Sprintf("%d.tgz", i))
		p.must(p.client, "--address", p.address, "backup", file)
		info, err := os.Stat(file)
		if err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("the file has mode %v: %v", info.Mode(), err)
		}
		p.must(p.bin, "backup", "verify", file)
	}
	cancel()
	if n := <-submitted; n < 10 {
		t.Errorf("only %d jobs were taken in meanwhile", n)
	}
	if parts, _ := filepath.Glob(filepath.Join(p.folder, ".*part*")); len(parts) > 0 {
		t.Errorf("left behind: %v", parts)
	}
	if out, err := p.command(p.client, "--address", p.address, "backup", filepath.Join(p.folder, "0.tgz")); err == nil || !strings.Contains(out, "is there already") {
		t.Errorf("over a file that is there: %v\n%s", err, out)
	}
	if out, err := p.command(p.bin, "ledger", "verify", "--data-dir", filepath.Join(p.folder, "data")); err == nil || !strings.Contains(out, "a daemon runs here") {
		t.Errorf("verified under a running daemon: %v\n%s", err, out)
	}
}

// The ledger's store is lost, the history is left: the daemon does not begin with nothing, and says what to do.
func TestLostLedgerIsMadeAnew(t *testing.T) {
	p := newPlant(t)
	data := filepath.Join(p.folder, "data")
	p.serve(data)
	p.submit("a")
	p.submit("b")
	var head string
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(300 * time.Millisecond) { // the history keeps up
		st, err := p.c.admin.GetStatus(t.Context(), &tandemv1.GetStatusRequest{})
		if err != nil {
			t.Fatal(err)
		}
		if head == st.GetLedgerHead() {
			break
		}
		if head = st.GetLedgerHead(); time.Now().After(deadline) {
			t.Fatal("the ledger does not come to rest")
		}
	}
	p.daemon.kill()
	if err := os.RemoveAll(filepath.Join(data, "bus", "jetstream")); err != nil {
		t.Fatal(err)
	}
	out, err := p.command(p.bin, "serve", "--data-dir", data, "--floor", p.floorPath, "--listen", p.address, "--bus-listen", "")
	if err == nil || !strings.Contains(out, "tandemd ledger rebuild --data-dir") {
		t.Fatalf("a daemon without its ledger starts, or does not say what to do: %v\n%s", err, out)
	}
	if exit, ok := errors.AsType[*exec.ExitError](err); !ok || exit.ExitCode() != exitUsage {
		t.Errorf("it ends with %v, want %d: whoever starts it again and again brings nothing back", err, exitUsage)
	}
	rebuilt := p.must(p.bin, "ledger", "rebuild", "--data-dir", data)
	if !strings.Contains(rebuilt, head) {
		t.Errorf("the ledger made anew does not end with %s", head)
	}
	p.serve(data)
	if jobs := p.look(); len(jobs) != 2 {
		t.Errorf("%d jobs, want 2", len(jobs))
	}
}

// The ledger's store is lost and the history is damaged: nobody begins with nothing before a person has said so, however often the
// daemon is started.
func TestNothingLeftIsNotABeginning(t *testing.T) {
	p := newPlant(t)
	data := filepath.Join(p.folder, "data")
	p.serve(data)
	p.submit("a")
	p.daemon.kill()
	if err := os.RemoveAll(filepath.Join(data, "bus")); err != nil {
		t.Fatal(err)
	}
	past := filepath.Join(data, "history.db")
	for _, tail := range []string{"-wal", "-shm"} {
		if err := os.Remove(past + tail); err != nil && !errors.Is(err, os.ErrNotExist) {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(past, []byte(strings.Repeat("not a database. ", 1000)), 0o600); err != nil {
		t.Fatal(err)
	}
	for start := range 2 {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second) // one that starts after all is ended
		out, err := exec.CommandContext(ctx, p.bin, "serve", "--data-dir", data, "--floor", p.floorPath, "--listen", p.address, "--bus-listen", "").CombinedOutput()
		cancel()
		if exit, ok := errors.AsType[*exec.ExitError](err); !ok || exit.ExitCode() != exitUsage || !strings.Contains(string(out), "remove "+past+".damaged-") {
			t.Fatalf("start %d ends with %v, want %d and what to do:\n%s", start+1, err, exitUsage, out)
		}
	}
	aside, err := filepath.Glob(past + ".damaged-*")
	if err != nil || len(aside) != 1 {
		t.Fatalf("kept aside: %v %v", aside, err)
	}
	if err := os.Remove(aside[0]); err != nil {
		t.Fatal(err)
	}
	p.serve(data)
	if jobs := p.look(); len(jobs) != 0 {
		t.Errorf("%d jobs in a new ledger", len(jobs))
	}
}
