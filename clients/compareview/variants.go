package compareview

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

// AddDevice puts a copy of a device behind it and says in words what has changed. file names the floor in errors.
func AddDevice(f *tandemv1.FloorFile, file, id, like string) (string, error) {
	if !tandemv1.ValidID(id) {
		return "", fmt.Errorf("%q cannot be an id: %s", id, tandemv1.IDRule)
	}
	if indexOfDevice(f, id) >= 0 {
		return "", fmt.Errorf("%s has a device %s already: choose another id", file, id)
	}
	at := indexOfDevice(f, like)
	if at < 0 {
		return "", noDevice(f, file, like)
	}
	device := proto.CloneOf(f.GetDevices()[at])
	device.Id = id
	f.Devices = slices.Insert(f.GetDevices(), at+1, device)
	return "+ a second " + like, nil
}

// WithoutDevice takes a device out and says in words what has changed.
func WithoutDevice(f *tandemv1.FloorFile, file, id string) (string, error) {
	at := indexOfDevice(f, id)
	if at < 0 {
		return "", noDevice(f, file, id)
	}
	if len(f.GetDevices()) == 1 {
		return "", fmt.Errorf("it is the only device of %s", file)
	}
	f.Devices = slices.Delete(f.GetDevices(), at, at+1)
	return "without " + id, nil
}

func indexOfDevice(f *tandemv1.FloorFile, id string) int {
	return slices.IndexFunc(f.GetDevices(), func(d *tandemv1.Device) bool { return d.GetId() == id })
}

func noDevice(f *tandemv1.FloorFile, file, id string) error {
	var ids []string
	for _, d := range f.GetDevices() {
		ids = append(ids, d.GetId())
	}
	const most = 20
	more := ""
	if n := len(ids) - most; n > 0 {
		ids, more = ids[:most], fmt.Sprintf(" or one of %d more", n)
	}
	return fmt.Errorf("%s has no device %q: use %s%s", file, id, strings.Join(ids, ", "), more)
}

// NoShifts is the error of a change that needs shifts on a floor that has none.
func NoShifts(file string) error {
	return fmt.Errorf("%s has no shifts, so people are always there, as many as are needed: give it shifts first", file)
}

// AddOperator puts one more operator into every shift.
func AddOperator(f *tandemv1.FloorFile, file string) (string, error) {
	if len(f.GetShifts()) == 0 {
		return "", NoShifts(file)
	}
	for _, s := range f.GetShifts() {
		s.Operators = max(s.GetOperators(), 1) + 1
	}
	if len(f.GetShifts()) > 1 {
		return "+ an operator in every shift", nil
	}
	return "+ an operator", nil
}
