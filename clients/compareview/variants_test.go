package compareview

import (
	"strings"
	"testing"

	tandemv1 "tandem/proto/tandem/v1"
)

func workshop() *tandemv1.FloorFile {
	return &tandemv1.FloorFile{
		Devices: []*tandemv1.Device{{Id: "cutter-1", Price: 7}, {Id: "bench"}},
		Shifts:  []*tandemv1.Shift{{Id: "early"}, {Id: "late", Operators: 2}},
	}
}

func TestVariants(t *testing.T) {
	tests := []struct {
		name    string
		change  func(f *tandemv1.FloorFile) (string, error)
		words   string // or a part of the error
		devices string
	}{
		{"like another", func(f *tandemv1.FloorFile) (string, error) { return AddDevice(f, "it", "cutter-2", "cutter-1") }, "+ a second cutter-1", "cutter-1 cutter-2 bench"},
		{"not an id", func(f *tandemv1.FloorFile) (string, error) { return AddDevice(f, "it", "Cutter", "cutter-1") }, "cannot be an id", "cutter-1 bench"},
		{"there already", func(f *tandemv1.FloorFile) (string, error) { return AddDevice(f, "it", "bench", "cutter-1") }, "has a device bench already", "cutter-1 bench"},
		{"like none", func(f *tandemv1.FloorFile) (string, error) { return AddDevice(f, "it", "cutter-2", "press") }, "use cutter-1, bench", "cutter-1 bench"},
		{"taken out", func(f *tandemv1.FloorFile) (string, error) { return WithoutDevice(f, "it", "cutter-1") }, "without cutter-1", "bench"},
		{"out of none", func(f *tandemv1.FloorFile) (string, error) { return WithoutDevice(f, "it", "press") }, "it has no device", "cutter-1 bench"},
		{"an operator", func(f *tandemv1.FloorFile) (string, error) { return AddOperator(f, "it") }, "+ an operator in every shift", "cutter-1 bench"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := workshop()
			words, err := tt.change(f)
			if err != nil {
				words = err.Error()
			}
			var ids []string
			for _, d := range f.GetDevices() {
				ids = append(ids, d.GetId())
			}
			if !strings.Contains(words, tt.words) || strings.Join(ids, " ") != tt.devices {
				t.Errorf("%q and devices %v, want %q and %s", words, ids, tt.words, tt.devices)
			}
		})
	}
	f := workshop()
	if _, err := AddOperator(f, "it"); err != nil || f.GetShifts()[0].GetOperators() != 2 || f.GetShifts()[1].GetOperators() != 3 {
		t.Errorf("operators %v, %v", f.GetShifts(), err)
	}
	if _, err := AddOperator(&tandemv1.FloorFile{}, "it"); err == nil || !strings.Contains(err.Error(), "no shifts") {
		t.Errorf("an operator without shifts: %v", err)
	}
}
