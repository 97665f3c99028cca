package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

const onePrinter = `
media:
  - {id: white, roll_length_mm: 50000, low_mm: 5000}
devices:
  - id: printer-1
    driver: {kind: sim, settings: {faults: "%s", help-after: 4m}}
    abilities:
      - operation: print
        media: [white]
        per_piece: 1s
        media_changeover: 1m
        run_waste_mm: 500
        web_up_mm: 1000
        unattended_start: {allowed_by: Marit, allow_time: 2026-03-02T07:30:00+01:00}
people:
  - {id: marit, display_name: Marit, supervisor: true}
`

// rollDay is a daemon with one simulated printer, two rolls of white, and a job of 60 pieces that take 6 m.
type rollDay struct {
	*testing.T
	bin     string
	args    []string
	address string
	daemon  *process
	clients
}

func newRollDay(t *testing.T, fault string) *rollDay {
	data := t.TempDir()
	floorPath := filepath.Join(data, "floor.yaml")
	if err := os.WriteFile(floorPath, fmt.Appendf(nil, onePrinter, fault), 0o600); err != nil {
		t.Fatal(err)
	}
	d := &rollDay{T: t, bin: build(t), address: freeAddress(t)}
	d.args = []string{"serve", "--data-dir", data, "--floor", floorPath, "--listen", d.address, "--bus-listen", "", "--time-scale", "30"}
	d.open()
	for _, lot := range []*tandemv1.Lot{{Id: "first", Media: "white", LengthUm: 10_000_000}, {Id: "second", Media: "white"}} {
		if _, err := d.material.ReceiveLot(t.Context(), &tandemv1.ReceiveLotRequest{Lot: lot, RequestId: lot.GetId(), Actor: "marit"}); err != nil {
			t.Fatal(err)
		}
	}
	d.scan("first")
	job := &tandemv1.Job{Id: "decals", Pieces: 60, Steps: []*tandemv1.Step{{Id: "print", Operation: "print", Media: "white", LengthUm: 6_000_000}}}
	if _, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: job, RequestId: "r1"}); err != nil {
		t.Fatal(err)
	}
	return d
}

func (d *rollDay) open() {
	d.daemon = start(d.T, d.bin, d.args...)
	d.clients = dialDaemon(d.T, d.address)
}

// crash kills the daemon, and the driver with it, and starts both again.
func (d *rollDay) crash() {
	d.daemon.kill()
	d.open()
}

// scan puts a roll on the printer by the two codes.
func (d *rollDay) scan(lot string) {
	d.Helper()
	device, err := d.devices.GetDevice(d.Context(), &tandemv1.GetDeviceRequest{Id: "printer-1"})
	if err != nil {
		d.Fatal(err)
	}
	var last *tandemv1.RecordScanResponse
	for _, payload := range []string{device.GetCode(), d.lot(lot).GetCode()} {
		last, err = d.scans.RecordScan(d.Context(), &tandemv1.RecordScanRequest{Station: "print-room", Payload: payload, ScanId: lot + payload})
		if err != nil {
			d.Fatal(err)
		}
	}
	if last.GetOutcome() != tandemv1.RecordScanResponse_OUTCOME_LOADED {
		d.Fatalf("scanned %s: %v", lot, last)
	}
}

func (d *rollDay) lot(id string) *tandemv1.Lot {
	d.Helper()
	list, err := d.material.ListLots(d.Context(), &tandemv1.ListLotsRequest{IncludeEmpty: true})
	if err != nil {
		d.Fatal(err)
	}
	i := slices.IndexFunc(list.GetLots(), func(l *tandemv1.Lot) bool { return l.GetId() == id })
	if i < 0 {
		d.Fatalf("no lot %s in %v", id, list)
	}
	return list.GetLots()[i]
}

// wait waits until the print step is as it should be.
func (d *rollDay) wait(what string, ok func(*tandemv1.Step) bool) *tandemv1.Step {
	d.Helper()
	for deadline := time.Now().Add(60 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		j, err := d.jobs.GetJob(d.Context(), &tandemv1.GetJobRequest{Id: "decals"})
		if err != nil {
			d.Fatal(err)
		}
		if s := j.GetSteps()[0]; ok(s) {
			return s
		} else if time.Now().After(deadline) {
			d.Fatalf("%s: not within a minute; the step is %v", what, s)
		}
	}
}

// ends checks what is left of the rolls, and that a daemon killed and started again says the same.
func (d *rollDay) ends(second int64, runs int) *tandemv1.Step {
	d.Helper()
	s := d.wait("completed", func(s *tandemv1.Step) bool { return s.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED })
	if s.GetPiecesGood() != 60 || len(s.GetRuns()) != runs {
		d.Errorf("%d pieces in %d runs, want 60 in %d", s.GetPiecesGood(), len(s.GetRuns()), runs)
	}
	before := []*tandemv1.Lot{d.lot("first"), d.lot("second")}
	for i, want := range []int64{0, second} {
		if got := before[i]; got.GetRemainingUm() != want || got.GetReservedUm() != 0 {
			d.Errorf("%v, want %d um left and none reserved", got, want)
		}
	}
	d.crash()
	for _, want := range before {
		if got := d.lot(want.GetId()); !proto.Equal(got, want) {
			d.Errorf("after a crash %v, before %v", got, want)
		}
	}
	return s
}

// The roll is out after 26 of 60 pieces and the machine stands still. The daemon dies; a new roll is scanned; the same run
// goes on and makes the other 34, from the second roll.
func TestRollRunsOutAndTheRunGoesOn(t *testing.T) {
	d := newRollDay(t, "media-empty@26")
	d.wait("stands still", func(s *tandemv1.Step) bool {
		return s.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED && slices.Contains(s.GetStateReasons(), "media-empty-error")
	})
	d.crash()
	d.scan("second")
	s := d.ends(50_000_000-1_000_000-3_400_000, 1)
	r := s.GetRuns()[0]
	if e := r.GetEarlierLots(); len(e) != 1 || e[0].GetLot() != "first" || e[0].GetPieces() != 26 || e[0].GetLengthUm() != 2_600_000+500_000+1_000_000 {
		t.Errorf("taken from earlier rolls: %v", e)
	}
	if r.GetLot() != "second" || r.GetLotLengthUm() != 4_400_000 {
		t.Errorf("the run took %d um from %s", r.GetLotLengthUm(), r.GetLot())
	}
}

// The machine gives the run up instead: 26 are kept, nobody need decide, and nothing moves until a roll is on that reaches
// for the other 34.
func TestRollRunsOutAndTheRunIsGivenUp(t *testing.T) {
	d := newRollDay(t, "media-abort@26")
	s := d.wait("waits for another roll", func(s *tandemv1.Step) bool {
		return len(s.GetRuns()) == 2 && slices.Contains(s.GetStateReasons(), "x-lot-too-short")
	})
	if s.GetPiecesGood() != 26 || s.GetPiecesLeft() != 34 || s.GetRuns()[1].GetMayStart() {
		t.Fatalf("after the roll ran out: %v", s)
	}
	d.crash()
	if s = d.wait("waits still", func(*tandemv1.Step) bool { return true }); s.GetRuns()[1].GetMayStart() || s.GetPiecesGood() != 26 {
		t.Fatalf("after a crash: %v", s)
	}
	d.scan("second")
	s = d.ends(50_000_000-1_000_000-500_000-3_400_000, 2)
	if first, second := s.GetRuns()[0], s.GetRuns()[1]; first.GetPiecesGood() != 26 || first.GetLotLengthUm() != 4_100_000 || second.GetPiecesGood() != 34 || second.GetLotLengthUm() != 4_900_000 {
		t.Errorf("two runs: %v", s.GetRuns())
	}
}
