// Package config reads what a shop writes for its daemon: the floor file (devices, media, people) and the daemon's own
// settings. It checks both in whole and names every problem with its place and remedy.
//
// The package starts nothing, listens nowhere and knows no driver by name: what it must know about kinds of drivers comes
// as a [Kinds].
package config

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// Kinds finds a kind of driver by its name. The error of an unknown one says which there are.
type Kinds func(name string) (Kind, error)

// Kind is what must be known about a kind of driver to check a device that uses it.
type Kind struct {
	// Manual is for devices without a data port: people's scans are their reports, and nothing moves by an order.
	Manual bool
	// CheckDevice checks the device's driver settings and whether the driver can serve it. Errors that are joined count
	// one by one. Nil: nothing to check.
	CheckDevice func(*tandemv1.Device) error
	// CheckWatch checks whether a watcher of this kind can watch the device with its settings. Nil: nothing to check.
	CheckWatch func(*tandemv1.Device, *tandemv1.Watch) error
}

// LoadFloor reads, checks and normalises the floor file at path: as JSON if its name ends in .json, else as YAML. What is
// wrong with the content is a *yamlfile.Error with every problem and its line.
func LoadFloor(path string, kinds Kinds) (*tandemv1.FloorFile, error) {
	f := new(tandemv1.FloorFile)
	lines, err := yamlfile.ReadLines(path, f)
	if err != nil {
		return nil, fmt.Errorf("read floor file: %w", err)
	}
	var problems []*yamlfile.Error
	for _, p := range CheckFloor(f, kinds) {
		problems = append(problems, &yamlfile.Error{File: path, Line: lines.At(p.Field), Field: p.Field, Problem: p.Problem})
	}
	if len(problems) > 0 {
		return nil, fmt.Errorf("check floor file: %w", yamlfile.Join(problems))
	}
	return Normalise(f, kinds), nil
}

// Normalise returns a copy of a floor that CheckFloor has passed, with its inputs only, the default capacity, and what the
// kind of each driver says about its device filled in.
func Normalise(f *tandemv1.FloorFile, kinds Kinds) *tandemv1.FloorFile {
	f = proto.CloneOf(f)
	out := &tandemv1.FloorFile{
		DisplayName: f.GetDisplayName(), Media: f.GetMedia(), Rules: f.GetRules(), Money: f.GetMoney(),
		Shifts: f.GetShifts(), ClosedDays: f.GetClosedDays(), TimeZone: f.GetTimeZone(),
	}
	for _, d := range f.GetDevices() {
		kind, _ := kinds(d.GetDriver().GetKind()) // the zero Kind for an external driver that is not known here
		out.Devices = append(out.Devices, &tandemv1.Device{
			Id: d.GetId(), DisplayName: d.GetDisplayName(), Abilities: d.GetAbilities(), Capacity: max(d.GetCapacity(), 1),
			Capabilities: d.GetCapabilities(), LoadedMedia: d.GetLoadedMedia(),
			Price: d.GetPrice(), RunningHour: d.GetRunningHour(), Watch: d.GetWatch(), Slots: d.GetSlots(),
			Driver: &tandemv1.Driver{
				Kind: d.GetDriver().GetKind(), Settings: d.GetDriver().GetSettings(),
				External: d.GetDriver().GetExternal(), Manual: kind.Manual,
			},
		})
	}
	for _, p := range f.GetPeople() {
		out.People = append(out.People, &tandemv1.Person{Id: p.GetId(), DisplayName: p.GetDisplayName(), Supervisor: p.GetSupervisor()})
	}
	return out
}
