package floor

import (
	"slices"
	"strconv"

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
	var room [128]byte
	raw := f.appendClassKey(room[:0], spec)
	if c, ok := f.classes[string(raw)]; ok {
		return c
	}
	key := string(raw)
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

// appendClassKey appends what tells a step's class from others. It is made for every step that comes in, so it is not for
// reading: each text is preceded by its length.
func (f *Floor) appendClassKey(b []byte, s *tandemv1.Step) []byte {
	for _, text := range [...]string{s.GetOperation(), s.GetMedia(), s.GetInk(), s.GetMode(), s.GetFilm(), s.GetBlade()} {
		b = appendText(b, text)
	}
	narrower, _ := slices.BinarySearch(f.widths, s.GetWidthUm()) // how many limits the step is wider than
	b = append(strconv.AppendInt(b, int64(narrower), 10), ';')
	b = append(strconv.AppendInt(b, int64(len(s.GetRequires())), 10), ';')
	for _, k := range sortedKeys(s.GetRequires()) {
		b = appendText(appendText(b, k), s.GetRequires()[k])
	}
	devices := s.GetDevices()
	if len(devices) > 1 {
		devices = slices.Sorted(slices.Values(devices))
	}
	for _, d := range devices {
		b = appendText(b, d)
	}
	return b
}

func appendText(b []byte, s string) []byte {
	return append(append(strconv.AppendInt(b, int64(len(s)), 10), ':'), s...)
}
