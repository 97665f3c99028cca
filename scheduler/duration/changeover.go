package duration

import (
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/physics"
)

// Changeover returns the time to get from what is on a device to what a step wants there: its changeovers where one
// matches, else media_changeover, mode_changeover and blade_changeover. Nothing is known of an empty mode or blade on the
// device, and nothing is charged for it. The ability has been checked.
func Changeover(a *tandemv1.Ability, from, to physics.Loaded) time.Duration {
	if from.Mode == "" {
		to.Mode = ""
	}
	if from.Blade == "" {
		to.Blade = ""
	}
	changes := changeoversOf(a)
	var sum, longest time.Duration
	for d := range changes.Needed(from, to) {
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
