package floor

import (
	"fmt"
	"slices"
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
)

// Class is what steps have in common that ask the same of a device. Which devices fit is worked out once for a class, not
// for each of a hundred thousand steps.
type Class struct {
	Key       string
	Operation string
	Fits      []*Device // in the order of the floor file
	sample    *tandemv1.Step
}

func (f *Floor) classOf(spec *tandemv1.Step) *Class {
	key := classKey(spec)
	if c, ok := f.classes[key]; ok {
		return c
	}
	c := &Class{Key: key, Operation: spec.GetOperation(), sample: spec}
	c.refit(f.Devices)
	f.classes[key] = c
	return c
}

// refit works out again which devices fit, after the floor file has changed.
func (c *Class) refit(devices []*Device) {
	c.Fits = nil
	for _, d := range devices {
		if ok, _ := d.Fits(c.sample); ok {
			c.Fits = append(c.Fits, d)
		}
	}
}

func classKey(s *tandemv1.Step) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%q %q %q %q %q %d", s.GetOperation(), s.GetMedia(), s.GetInk(), s.GetMode(), s.GetFilm(), s.GetWidthUm())
	for _, k := range sortedKeys(s.GetRequires()) {
		fmt.Fprintf(&b, " %q=%q", k, s.GetRequires()[k])
	}
	devices := slices.Clone(s.GetDevices())
	slices.Sort(devices)
	fmt.Fprintf(&b, " %q", devices)
	return b.String()
}
