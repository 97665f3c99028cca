package main

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"tandem/clients/compareview"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// changes are what is changed on the first floor, each to make one more floor.
type changes struct {
	addDevices     []string
	withoutDevices []string
	addOperator    bool
	addShift       string
}

// shiftAfter stands for a shift that follows the last one.
const shiftAfter = "after the last"

// variants returns a floor for each change, in the order of the flags in the help, named by what was changed.
func (c *changes) variants(file string, base *tandemv1.FloorVariant) ([]*tandemv1.FloorVariant, error) {
	var out []*tandemv1.FloorVariant
	add := func(name string, change func(f *tandemv1.FloorFile) (words string, err error)) error {
		floor := proto.CloneOf(base.GetFloor())
		words, err := change(floor)
		if err != nil {
			return usagef("%s: %w", name, err)
		}
		v := &tandemv1.FloorVariant{Name: base.GetName() + " " + words, Floor: floor}
		if slices.ContainsFunc(out, func(o *tandemv1.FloorVariant) bool { return o.GetName() == v.GetName() }) {
			v.Name += fmt.Sprintf(" (%d)", len(out)+1)
		}
		out = append(out, v)
		return nil
	}
	for _, text := range c.addDevices {
		if err := add("--add-device "+text, func(f *tandemv1.FloorFile) (string, error) { return addDevice(f, file, text) }); err != nil {
			return nil, err
		}
	}
	for _, id := range c.withoutDevices {
		if err := add("--without-device "+id, func(f *tandemv1.FloorFile) (string, error) { return compareview.WithoutDevice(f, file, id) }); err != nil {
			return nil, err
		}
	}
	if c.addOperator {
		if err := add("--add-operator", func(f *tandemv1.FloorFile) (string, error) { return compareview.AddOperator(f, file) }); err != nil {
			return nil, err
		}
	}
	if c.addShift != "" {
		if err := add("--add-shift", func(f *tandemv1.FloorFile) (string, error) { return addShift(f, file, c.addShift) }); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// addDevice puts a copy of a device behind it, as ID=LIKE says.
func addDevice(f *tandemv1.FloorFile, file, text string) (string, error) {
	id, like, ok := strings.Cut(text, "=")
	if !ok || id == "" || like == "" {
		return "", fmt.Errorf("give the id of the new device and of one that it is like, such as cutter-9=cutter-1")
	}
	return compareview.AddDevice(f, file, id, like)
}

// addShift adds a shift on the days and with the people of the one that it follows.
func addShift(f *tandemv1.FloorFile, file, text string) (string, error) {
	if len(f.GetShifts()) == 0 {
		return "", compareview.NoShifts(file)
	}
	last, free, err := longestGap(f.GetShifts())
	if err != nil {
		return "", fmt.Errorf("%s: %w", file, err)
	}
	shift, day := proto.CloneOf(f.GetShifts()[last]), ""
	if text == shiftAfter {
		if free == 0 {
			return "", fmt.Errorf("the shifts of %s leave no hour of the day: say from when to when, such as --add-shift=22:00-06:00", file)
		}
		from, to := shiftMinutes(shift)
		shift.From, shift.To = clockOf(to%dayMinutes), clockOf((to-1)%dayMinutes+1+min(to-from, free))
		if to >= dayMinutes {
			shift.Days, day = nextDays(shift.GetDays()), " of the next day"
		}
	} else {
		from, to, ok := strings.Cut(text, "-")
		shift.From, shift.To = strings.TrimSpace(from), strings.TrimSpace(to)
		_, errFrom := minuteOfDay(shift.GetFrom())
		_, errTo := minuteOfDay(shift.GetTo())
		if !ok || errFrom != nil || errTo != nil {
			return "", fmt.Errorf("%q is not a time of the day: give from when to when, such as --add-shift=14:00-22:00", text)
		}
	}
	for n := len(f.GetShifts()) + 1; ; n++ {
		shift.Id = "added-" + strconv.Itoa(n)
		if !slices.ContainsFunc(f.GetShifts(), func(s *tandemv1.Shift) bool { return s.GetId() == shift.GetId() }) {
			break
		}
	}
	f.Shifts = append(f.Shifts, shift)
	return fmt.Sprintf("+ a shift %s to %s%s", shift.GetFrom(), shift.GetTo(), day), nil
}

// longestGap finds the shift after which nobody is there for the longest time of a day, and for how many minutes.
func longestGap(shifts []*tandemv1.Shift) (after, free int, err error) {
	var manned [dayMinutes]bool
	for i, s := range shifts {
		_, errFrom := minuteOfDay(s.GetFrom())
		_, errTo := minuteOfDay(s.GetTo())
		if err := cmp.Or(errFrom, errTo); err != nil {
			return 0, 0, fmt.Errorf("shifts[%d]: %w", i, err)
		}
		from, to := shiftMinutes(s)
		for m := from; m < to; m++ {
			manned[m%dayMinutes] = true
		}
	}
	for i, s := range shifts {
		_, to := shiftMinutes(s)
		gap := 0
		for gap < dayMinutes && !manned[(to+gap)%dayMinutes] {
			gap++
		}
		if gap > free {
			after, free = i, gap
		}
	}
	return after, free, nil
}

// shiftMinutes are when a shift begins and ends, in minutes from the beginning of its day; its times are good.
func shiftMinutes(s *tandemv1.Shift) (from, to int) {
	from, _ = minuteOfDay(s.GetFrom())
	to, _ = minuteOfDay(s.GetTo())
	if to <= from {
		to += dayMinutes
	}
	return from, to
}

const dayMinutes = 24 * 60

// minuteOfDay reads HH:MM, up to 24:00.
func minuteOfDay(text string) (int, error) {
	h, m, ok := strings.Cut(text, ":")
	hour, errHour := strconv.ParseUint(h, 10, 8)
	minute, errMinute := strconv.ParseUint(m, 10, 8)
	if !ok || len(h) != 2 || len(m) != 2 || errHour != nil || errMinute != nil || minute > 59 || hour*60+minute > dayMinutes {
		return 0, fmt.Errorf("%s is not a time of the day: write HH:MM, such as 07:30", yamlfile.Quote(text))
	}
	return int(hour*60 + minute), nil
}

// nextDays are the days after those of a shift, as the floor file names them.
func nextDays(days []string) []string {
	week := []string{"mon", "tue", "wed", "thu", "fri", "sat", "sun"}
	if len(days) == 0 {
		days = week[:5]
	}
	var out []string
	for _, d := range days {
		if i := slices.Index(week, d); i >= 0 {
			d = week[(i+1)%len(week)]
		}
		out = append(out, d)
	}
	return out
}

// clockOf writes a minute of this day or of the next as HH:MM; midnight is the end of a day.
func clockOf(minute int) string {
	if minute > dayMinutes {
		minute -= dayMinutes
	}
	return fmt.Sprintf("%02d:%02d", minute/60, minute%60)
}
