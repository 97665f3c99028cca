package main

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
)

func TestLengthOf(t *testing.T) {
	for text, want := range map[string]int64{"50m": 50_000_000, "4200mm": 4_200_000, "0m": 0, "12.345 m": 12_345_000, "1e2m": 100_000_000} {
		if got, err := lengthOf("LENGTH", text); err != nil || got != want {
			t.Errorf("%q = %d, %v, want %d", text, got, err, want)
		}
	}
	for _, text := range []string{"", "50", "m", "mm", "-1m", "NaNm", "infm", "50cm", "1e12m", "0x10m "} {
		if got, err := lengthOf("LENGTH", text); err == nil || !strings.Contains(err.Error(), "such as 50m or 4200mm") {
			t.Errorf("%q = %d, %v, want an error that shows the form", text, got, err)
		}
	}
}

// What cannot be right is not asked.
func TestLotsUsage(t *testing.T) {
	for _, args := range [][]string{
		{"lots", "receive"},
		{"lots", "receive", "vinyl", "--length", "50"},
		{"lots", "measure", "lot-7"},
		{"lots", "measure", "lot-7", "much"},
		{"load", "cutter-1"},
		{"lots", "everything"},
	} {
		f := newFake(t)
		code, _, stderr := f.tandem(t, args...)
		if code != exitUsage || stderr == "" {
			t.Errorf("%v: exit %d, %q, want %d and a reason", args, code, stderr, exitUsage)
		}
	}
}

// A device shows the roll and the blade on it, and what each change and run loses.
func TestDeviceShowsMaterial(t *testing.T) {
	f := newFake(t)
	d := f.devices[1]
	d.LoadedLot, d.LoadedRemainingUm, d.LoadedReservedUm, d.Blade, d.BladeUsedUm = "lot-7", 12_345_000, 6_500_000, "b-45", 312_000_000
	d.StateReasons = []string{"x-blade-worn-warning"}
	a := d.GetAbilities()[0]
	a.WebUpUm, a.RunWasteUm, a.BladeLifeUm, a.BladeChangeover = 1_000_000, 500_000, 300_000_000, durationpb.New(5*time.Minute)
	_, one, _ := f.tandem(t, "devices", "cutter-1")
	_, all, _ := f.tandem(t, "devices")
	_, loaded, _ := f.tandem(t, "load", "cutter-1", "--lot", "lot-7")
	golden(t, "devices-material", one+"\n"+all+"\n"+loaded)
}

// A device without a blade shows none, though what people do on it goes along a knife path.
func TestOnlyDevicesThatCutShowABlade(t *testing.T) {
	f := newFake(t)
	d := f.devices[1]
	d.BladeUsedUm = 312_000_000
	for operation, want := range map[string]bool{"cut": true, "weed": false} {
		d.GetAbilities()[0].Operation = operation
		if _, out, _ := f.tandem(t, "devices", "cutter-1"); strings.Contains(out, "since it was put in") != want {
			t.Errorf("a device that can %s, want a blade %t:\n%s", operation, want, out)
		}
	}
}

// A job shows which roll its runs were made from, and on whose word one began with other media.
func TestJobShowsMaterial(t *testing.T) {
	f := newFake(t)
	f.jobs = append(f.jobs, &tandemv1.Job{
		Id: "van-set", Code: "J2091", State: tandemv1.JobState_JOB_STATE_PROCESSING, CreateTime: after(-60),
		Panels: []*tandemv1.Panel{{Id: "p1", Code: "P0015", Pieces: 60, PiecesGood: 60}},
		Steps: []*tandemv1.Step{{
			Id: "print", Operation: "print", Media: "vinyl-white", LengthUm: 6_000_000, State: tandemv1.JobState_JOB_STATE_PROCESSING, PiecesGood: 26, PiecesLeft: 34,
			Runs: []*tandemv1.Run{
				{
					Id: "r21", Device: "printer-1", Step: "print", Pieces: 60, PiecesGood: 20, PiecesSpoiled: 1, State: tandemv1.JobState_JOB_STATE_ABORTED,
					StateReasons: []string{"media-jam-error"}, StartTime: after(-30), EndTime: after(-8), Lot: "lot-7", LotLengthUm: 3_100_000,
				},
				{
					Id: "r22", Device: "printer-1", Step: "print", Pieces: 40, PiecesGood: 6, State: tandemv1.JobState_JOB_STATE_PROCESSING, StartTime: after(-7),
					EarlierLots: []*tandemv1.LotUse{{Pieces: 2}, {Lot: "lot-9", LengthUm: 400_000, Pieces: 4}}, Lot: "lot-11", LotLengthUm: 4_400_000,
					OverrideNote: "anna: customer agreed to \x1b[31mgloss",
				},
			},
		}},
	})
	code, stdout, stderr := f.tandem(t, "jobs", "van-set")
	if code != exitOK || stderr != "" {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	if strings.Contains(stdout, "\x1b") {
		t.Errorf("foreign text reaches the terminal: %q", stdout)
	}
	golden(t, "jobs-material", stdout)
}

// A length that the roll cannot well have is booked, as a person may know better, and asked about.
func TestMeasureMoreThanReceived(t *testing.T) {
	f := newFake(t)
	for length, want := range map[string]string{
		"50m": "", "55m": "",
		"55.1m": "lot-7 was received with 50 m: if 55.1 m is a slip, measure it again\n",
		"420m":  "lot-7 was received with 50 m: if 420 m is a slip, measure it again\n",
	} {
		if code, _, stderr := f.tandem(t, "lots", "measure", "lot-7", length); code != exitOK || stderr != want {
			t.Errorf("%s: exit %d, talk %q, want %q", length, code, stderr, want)
		}
	}
}
