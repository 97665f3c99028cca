package main

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

// fileDifference says where the floor file of this daemon differs from the one in force, which is that of the daemon that leads or
// led last; empty: nowhere. The daemon that takes over puts its own in force, and a device that is not in it begins nothing more.
func fileDifference(inForce, own *tandemv1.FloorFile) string {
	there, here := withoutCodes(inForce), withoutCodes(own)
	var gone, changed, added []string
	for _, d := range there.GetDevices() {
		switch i := slices.IndexFunc(here.GetDevices(), func(o *tandemv1.Device) bool { return o.GetId() == d.GetId() }); {
		case i < 0:
			gone = append(gone, d.GetId())
		case !proto.Equal(d, here.GetDevices()[i]):
			changed = append(changed, d.GetId())
		}
	}
	for _, d := range here.GetDevices() {
		if !slices.ContainsFunc(there.GetDevices(), func(o *tandemv1.Device) bool { return o.GetId() == d.GetId() }) {
			added = append(added, d.GetId())
		}
	}
	var parts []string
	for _, list := range []struct {
		what string
		ids  []string
	}{{"without ", gone}, {"with other settings of ", changed}, {"with the new ", added}} {
		if len(list.ids) > 0 {
			parts = append(parts, list.what+strings.Join(list.ids, ", "))
		}
	}
	there.Devices, here.Devices = nil, nil
	if !proto.Equal(there, here) {
		parts = append(parts, "with other media, people, shifts or rules")
	}
	return strings.Join(parts, "; ")
}

// withoutCodes is a copy of a floor file without what the floor adds to it.
func withoutCodes(file *tandemv1.FloorFile) *tandemv1.FloorFile {
	out := proto.CloneOf(file)
	for _, d := range out.GetDevices() {
		d.Code = ""
	}
	for _, p := range out.GetPeople() {
		p.Code = ""
	}
	return out
}
