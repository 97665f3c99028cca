// Package ticket turns what a customer ordered ("120 of this decal, laminated, kiss cut") into panels and a graph of steps,
// by the rules of the floor file, and says what that would take. It reads cut files that it is handed; it never fetches one,
// reads no clock and changes no floor.
package ticket

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// Made is a job with its panels and steps, and how its pieces lie.
type Made struct {
	Job     *tandemv1.Job // items with their contours, panels and steps filled in
	Layouts []*tandemv1.Layout
	Notes   []string // assumptions that a person should know
}

// Limits of a ticket with items. They are far beyond what a shop does.
const (
	mostItems    = 200
	mostHandWork = 8
	mostNotes    = 50
	mostSize     = int64(20) * 1_000_000 // 20 m, in micrometres
)

// Make returns the job with panels and steps made from its items. Cut files are found by the uri of an item's cut document;
// their hash is checked, and filled in where the item names none. Errors are of type *floor.Error and name every bad field.
func Make(file *tandemv1.FloorFile, in *tandemv1.Job, cutFiles []*tandemv1.CutFile) (*Made, error) {
	m := &maker{file: file, rules: rulesOf(file), job: proto.CloneOf(in)}
	switch {
	case len(in.GetItems()) == 0:
		m.add("job.items", "is empty: say what is to be made, or give panels and steps")
	case len(in.GetItems()) > mostItems:
		m.add("job.items", "has %d items, at most %d are taken: hand in more jobs", len(in.GetItems()), mostItems)
	case len(in.GetSteps()) > 0 || len(in.GetPanels()) > 0 || in.GetPieces() != 0:
		m.add("job.items", "are given together with pieces, panels or steps: leave one or the other out")
	}
	if m.err() != nil {
		return nil, m.err()
	}
	m.job.Panels, m.job.Steps = nil, nil
	m.readItems(cutFiles)
	if m.err() != nil {
		return nil, m.err()
	}
	for i, g := range m.groups() {
		m.make(g, i)
	}
	m.packs()
	m.feasible()
	if m.err() != nil {
		return nil, m.err()
	}
	return &Made{Job: m.job, Layouts: m.layouts, Notes: m.notes}, nil
}

// maker collects what is made and what is wrong.
type maker struct {
	file    *tandemv1.FloorFile
	rules   rules
	job     *tandemv1.Job
	items   []*item
	layouts []*tandemv1.Layout
	ends    []end // of the groups, before what the whole job has in common
	notes   []string

	violations []floor.Violation
}

// end is a step after which nothing more is made of a group, and the items it leaves behind.
type end struct {
	step   string
	panels []string
	items  []*item
}

func (m *maker) add(field, format string, args ...any) {
	const most = 50
	if len(m.violations) < most {
		m.violations = append(m.violations, floor.Violation{Field: field, Problem: fmt.Sprintf(format, args...)})
	}
}

func (m *maker) note(format string, args ...any) {
	if len(m.notes) < mostNotes {
		m.notes = append(m.notes, fmt.Sprintf(format, args...))
	}
}

func (m *maker) err() error {
	if len(m.violations) == 0 {
		return nil
	}
	return &floor.Error{Kind: floor.Invalid, Reason: "INVALID_JOB", Message: "the job cannot be made", Violations: m.violations}
}

func (m *maker) media(id string) *tandemv1.Media {
	for _, x := range m.file.GetMedia() {
		if x.GetId() == id {
			return x
		}
	}
	return nil
}

// feasible says of every step that no device of the floor can do why not.
func (m *maker) feasible() {
	for _, s := range m.job.GetSteps() {
		var why string
		possible := false
		for _, spec := range m.file.GetDevices() {
			d := floor.Device{ID: spec.GetId(), Spec: spec}
			if d.Ability(s.GetOperation()) == nil {
				continue
			}
			ok, reason := d.Fits(s)
			if possible = ok; ok {
				break
			}
			if why != "" {
				why += "; "
			}
			why += d.ID + " " + reason
		}
		switch {
		case possible:
		case why == "":
			m.add(m.source(s), "no device of this floor can %s", s.GetOperation())
		default:
			m.add(m.source(s), "no device of this floor can %s it: %s", s.GetOperation(), why)
		}
	}
}

// source returns the field of the ticket that a step comes from.
func (m *maker) source(s *tandemv1.Step) string {
	for i, it := range m.items {
		for _, p := range s.GetPanels() {
			if it.panels[p] {
				return fmt.Sprintf("job.items[%d].%s", i, sourceField(s.GetOperation()))
			}
		}
	}
	return "job.items"
}

func sourceField(operation string) string {
	switch operation {
	case opPrint, opDry:
		return "ink"
	case opLaminate:
		return "film"
	case opCut:
		return "cut_kind"
	}
	return "hand_work"
}
