package main

import (
	"testing"

	tandemv1 "tandem/proto/tandem/v1"
)

// Two daemons of a cluster with files that differ are told where: at a takeover the other file counts.
func TestFileDifference(t *testing.T) {
	device := func(id string, capacity int32) *tandemv1.Device { return &tandemv1.Device{Id: id, Capacity: capacity} }
	people := []*tandemv1.Person{{Id: "marit"}}
	inForce := &tandemv1.FloorFile{Devices: []*tandemv1.Device{{Id: "printer-1", Code: "D001C"}, device("printer-2", 1)}, People: []*tandemv1.Person{{Id: "marit", Code: "W001X"}}}
	for _, c := range []struct {
		own  *tandemv1.FloorFile
		want string
	}{
		{&tandemv1.FloorFile{Devices: []*tandemv1.Device{device("printer-1", 0), device("printer-2", 1)}, People: people}, ""},
		{&tandemv1.FloorFile{Devices: []*tandemv1.Device{device("printer-1", 0)}, People: people}, "without printer-2"},
		{
			&tandemv1.FloorFile{Devices: []*tandemv1.Device{device("printer-2", 2), device("printer-9", 0)}},
			"without printer-1; with other settings of printer-2; with the new printer-9; with other media, people, shifts or rules",
		},
	} {
		if got := fileDifference(inForce, c.own); got != c.want {
			t.Errorf("it differs %q, want %q", got, c.want)
		}
	}
	if inForce.GetDevices()[0].GetCode() == "" {
		t.Error("the file in force was changed")
	}
}
