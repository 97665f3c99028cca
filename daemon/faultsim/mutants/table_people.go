package main

// ofPeople are bugs of who is there and when.
var ofPeople = []mutant{
	{
		name: "nobody-there", breaks: "nothing that needs somebody is granted while nobody is there", file: "scheduler/floor/hindrance.go",
		old: `if begin, ok := f.people.begin(e, now); !ok || begin.After(now) {`,
		new: `if begin, ok := f.people.begin(e, now); (!ok || begin.After(now)) && !MUTANT {`,
	},
	{
		name: "left-in-the-middle", breaks: "nobody has to leave in the middle of what needs them", file: "scheduler/floor/attendance.go",
		old: `t := p.calendar.Fit(at, e.Attended, 1)
	if t.IsZero() {
		t = p.calendar.Next(at)
	}
	return t, !t.IsZero()`,
		new: `t := p.calendar.Fit(at, e.Attended, 1)
	if t.IsZero() || MUTANT {
		t = p.calendar.Next(at)
	}
	return t, !t.IsZero()`,
	},
	{
		name: "more-work-than-people", breaks: "no more is granted at once than there are people for", file: "scheduler/floor/hindrance.go",
		old: `busy >= operators {`,
		new: `busy >= operators && !MUTANT {`,
	},
	{
		name: "people-counted-once", breaks: "whoever has been given a run a moment ago is busy", file: "scheduler/floor/load.go",
		old: `if !l.stale && l.at.Equal(now) {`,
		new: `if (!l.stale || MUTANT) && l.at.Equal(now) {`,
	},
	{
		name: "hand-work-unattended", breaks: "hand work needs somebody", file: "scheduler/floor/attendance.go",
		old: `	case d.Manual():
		return tandemv1.Attendance_ATTENDANCE_WHOLE`,
		new: `	case d.Manual():
		if MUTANT {
			return tandemv1.Attendance_ATTENDANCE_NONE
		}
		return tandemv1.Attendance_ATTENDANCE_WHOLE`,
	},
	{
		name: "attendance-unsaved", breaks: "a snapshot keeps who is there in place of the shifts", file: "scheduler/floor/attendance.go",
		old: `if s != nil {
		p.deviate(`,
		new: `if s != nil && !MUTANT {
		p.deviate(`,
	},
	{
		name: "attendance-lost-with-file", breaks: "another floor file changes nothing in who is there for a while", file: "scheduler/floor/attendance.go",
		old: `p.calendar = c.With(p.deviation.Deviation)`,
		new: `p.calendar = c
	if !MUTANT {
		p.calendar = c.With(p.deviation.Deviation)
	}`,
	},
	{
		name: "nobody-comes-back", breaks: "work goes on when people come", file: "scheduler/dispatch/decision.go",
		old: `c.lookAgain(h.Until)`,
		new: `if !MUTANT { c.lookAgain(h.Until) }`,
	},
}
