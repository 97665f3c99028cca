package floor

import (
	"fmt"
	"slices"
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
)

// Class is what steps have in common that ask the same of a device. Which devices fit is worked out once for a class, not
// for each of a hundred thousand steps. Widths are told apart only as far as a device of the floor tells them apart, so
// that there are few classes however many widths are ordered.
type Class struct {
	Key       string
	Operation string
	Fits      []*Device // in the order of the floor file
	floor     *Floor
}

func (f *Floor) classOf(spec *tandemv1.Step) *Class {
	key := f.classKey(spec)
	if c, ok := f.classes[key]; ok {
		return c
	}
	c := &Class{Key: key, Operation: spec.GetOperation(), floor: f}
	for _, d := range f.Devices {
		if ok, _ := d.Fits(spec); ok {
			c.Fits = append(c.Fits, d)
		}
	}
	f.classes[key] = c
	return c
}

// reclass sorts the open steps anew, after the floor file has changed.
func (f *Floor) reclass() {
	f.widths = nil
	for _, d := range f.Devices {
		for _, a := range d.Spec.GetAbilities() {
			f.widths = append(f.widths, a.GetMaxWidthUm())
		}
	}
	slices.Sort(f.widths)
	f.widths = slices.Compact(f.widths)
	f.classes = map[string]*Class{}
	for _, j := range f.Jobs {
		for _, s := range j.Steps {
			if s.Open() {
				s.Class = f.classOf(s.Spec)
			}
		}
	}
}

func (f *Floor) classKey(s *tandemv1.Step) string {
	var b strings.Builder
	narrower, _ := slices.BinarySearch(f.widths, s.GetWidthUm()) // how many limits the step is wider than
	fmt.Fprintf(&b, "%q %q %q %q %q %q %d", s.GetOperation(), s.GetMedia(), s.GetInk(), s.GetMode(), s.GetFilm(), s.GetBlade(), narrower)
	for _, k := range sortedKeys(s.GetRequires()) {
		fmt.Fprintf(&b, " %q=%q", k, s.GetRequires()[k])
	}
	devices := slices.Clone(s.GetDevices())
	slices.Sort(devices)
	fmt.Fprintf(&b, " %q", devices)
	return b.String()
}
