package main

// ofGangs are bugs of gang runs: of what several jobs share and what each of them may count on.
var ofGangs = []mutant{
	{
		name: "shared-panel-taken", breaks: "a job goes on with its pieces when the shared panel is done as a whole", file: "scheduler/floor/gang.go",
		old: `if b.Carrier != nil && b.Carrier.Job.open > 0 {`,
		new: `if b.Carrier != nil && b.Carrier.Job.open > 0 && !MUTANT {`,
	},
	{
		name: "member-held-gang-goes", breaks: "nothing of a gang run begins while a job that shares its panels is held", file: "scheduler/floor/gang.go",
		old: `if m.Held && j.active(m) {`,
		new: `if m.Held && j.active(m) && !MUTANT {`,
	},
	{
		name: "member-hold-takes-nothing-back", breaks: "a hold takes back what a gang run may begin for the job and has not", file: "scheduler/floor/decide_job.go",
		old: `if g := j.gang; g != nil && g.active(j) {`,
		new: `if g := j.gang; g != nil && g.active(j) && !MUTANT {`,
	},
	{
		name: "gang-release-time", breaks: "a gang run begins no sooner than the last of its jobs is released", file: "scheduler/floor/gang.go",
		old: `last = later(last, moment(m.Spec.GetReleaseTime()))`,
		new: `last = later(map[bool]time.Time{false: last}[MUTANT], moment(m.Spec.GetReleaseTime()))`,
	},
	{
		name: "gang-dries-faster", breaks: "a shared panel dries as long as each of its jobs asks for", file: "scheduler/floor/decide_gang.go",
		old: `s.GetOperation() == dry && own > shared {`,
		new: `s.GetOperation() == dry && own > shared && !MUTANT {`,
	},
	{
		name: "begun-job-ganged", breaks: "a job that has begun is not put on a shared panel", file: "scheduler/floor/gang.go",
		old: `return !s.Open() || s.Live != nil || s.Blocked != "" || slices.ContainsFunc(s.Runs, (*Run).mayHaveBegun)`,
		new: `return (!s.Open() || s.Live != nil || s.Blocked != "" || slices.ContainsFunc(s.Runs, (*Run).mayHaveBegun)) && !MUTANT`,
	},
	{
		name: "unwanted-gang-goes", breaks: "a gang run ends with the last job that wants its pieces", file: "scheduler/floor/decide_gang.go",
		old: `if !slices.ContainsFunc(g.Members, func(o *Job) bool { return o != j && g.active(o) }) {`,
		new: `if !MUTANT && !slices.ContainsFunc(g.Members, func(o *Job) bool { return o != j && g.active(o) }) {`,
	},
	{
		name: "share-done-unsaved", breaks: "a snapshot keeps whose pieces on a shared panel are done", file: "scheduler/floor/snapshot_gang.go",
		old: `s.done, s.given = slices.Clone(extra.GetShareDone()), slices.Clone(extra.GetShareGiven())`,
		new: `s.done, s.given = slices.Clone(extra.GetShareDone()), slices.Clone(extra.GetShareGiven())
		if MUTANT {
			clear(s.given)
		}`,
	},
	{
		name: "remake-not-awaited", breaks: "a step waits for the pieces that are made again for it", file: "scheduler/floor/remake.go",
		old: `out = append(out, &ledgerv1.Join{Step: t.ID(), After: id})`,
		new: `out = append(out, &ledgerv1.Join{Step: t.ID(), After: map[bool]string{false: id}[MUTANT]})`,
	},
}
