package duration

import (
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/physics"
)

// Changeover returns the time to get from what is on a device to what a step wants there: its changeovers where one
// matches, else media_changeover, mode_changeover and blade_changeover. Nothing is known of an empty mode or blade on the
// device, and nothing is charged for it.
func Changeover(a *tandemv1.Ability, from, to physics.Loaded) time.Duration {
	if from.Mode == "" {
		to.Mode = ""
	}
	if from.Blade == "" {
		to.Blade = ""
	}
	if len(a.GetChangeovers()) == 0 {
		return plain(a, from, to)
	}
	changes := changeoversOf(a)
	_, done, err := changes.Time(from, to)
	if err != nil { // a floor file that was checked gives none
		return 0
	}
	var sum, longest time.Duration
	for _, d := range done {
		t := d.Time
		if d.Rule < 0 {
			t = standard(a, d.Aspect)
		}
		sum += t
		longest = max(longest, t)
	}
	if changes.Parallel {
		return longest
	}
	return sum
}

// plain is Changeover for an ability that names no changeovers of its own, as most do: it is asked all the time.
func plain(a *tandemv1.Ability, from, to physics.Loaded) time.Duration {
	var sum, longest time.Duration
	add := func(from, to string, d *durationpb.Duration) {
		if to != "" && to != from {
			sum += d.AsDuration()
			longest = max(longest, d.AsDuration())
		}
	}
	add(from.Media, to.Media, a.GetMediaChangeover())
	add(from.Film, to.Film, a.GetMediaChangeover())
	add(from.Mode, to.Mode, a.GetModeChangeover())
	add(from.Blade, to.Blade, a.GetBladeChangeover())
	if a.GetChangeoversOverlap() {
		return longest
	}
	return sum
}

func standard(a *tandemv1.Ability, aspect physics.Aspect) time.Duration {
	switch aspect {
	case physics.Media, physics.Film:
		return a.GetMediaChangeover().AsDuration()
	case physics.Mode:
		return a.GetModeChangeover().AsDuration()
	case physics.Blade:
		return a.GetBladeChangeover().AsDuration()
	}
	return 0
}

func changeoversOf(a *tandemv1.Ability) physics.Changeovers {
	out := physics.Changeovers{Parallel: a.GetChangeoversOverlap()}
	for _, c := range a.GetChangeovers() {
		change := physics.Change{Aspect: physics.Aspect(c.GetKind()), From: c.GetFrom(), To: c.GetTo(), Both: c.GetBothWays(), Time: c.GetDuration().AsDuration()}
		if change.From == "" {
			change.From = physics.Any
		}
		if change.To == "" {
			change.To = physics.Any
		}
		out.Changes = append(out.Changes, change)
	}
	return out
}

// CheckChangeovers returns what is wrong with an ability's changeovers; an *physics.Error names the entry.
func CheckChangeovers(a *tandemv1.Ability) error { return changeoversOf(a).Check() }

// LongestChangeover returns the longest changeover of an ability: the scale by which others are judged.
func LongestChangeover(a *tandemv1.Ability) time.Duration {
	longest := max(a.GetMediaChangeover().AsDuration(), a.GetModeChangeover().AsDuration(), a.GetBladeChangeover().AsDuration())
	for _, c := range a.GetChangeovers() {
		longest = max(longest, c.GetDuration().AsDuration())
	}
	return longest
}
