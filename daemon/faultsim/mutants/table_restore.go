package main

// ofRestored are bugs of a daemon whose ledger was restored from a backup, and is older than what has been done since.
var ofRestored = []mutant{
	{
		name: "restored-fences", breaks: "fences go on above any that the lost ledger gave", file: "scheduler/floor/decide_review.go",
		old: `LastFence: last, Fence: c.beyond(last, FenceStep),`,
		new: `LastFence: last, Fence: map[bool]uint64{true: last, false: c.beyond(last, FenceStep)}[MUTANT],`,
	},
	{
		name: "restored-twice", breaks: "a backup that is restored again gives nothing that the first one may have given", file: "scheduler/floor/decide_review.go",
		old: `since > 0 && uint64(since) > last {`,
		new: `since > 0 && uint64(since) > last && !MUTANT {`,
	},
	{
		name: "restored-unreviewed", breaks: "what may have been done since the backup is not done again without a person's word", file: "scheduler/floor/review.go",
		old: `if s.Open() && !s.Drying() {
		s.Review = true`,
		new: `if s.Open() && !s.Drying() {
		s.Review = !MUTANT`,
	},
	{
		name: "unrecorded-unlisted", breaks: "work that a device tells of and the ledger has lost is listed", file: "scheduler/floor/review.go",
		old: `return slices.ContainsFunc(f.gaps, func(g fenceGap) bool { return fence > g.after && fence <= g.through })`,
		new: `return !MUTANT && slices.ContainsFunc(f.gaps, func(g fenceGap) bool { return fence > g.after && fence <= g.through })`,
	},
	{
		name: "unrecorded-not-awaited", breaks: "a step that a device has done without a record waits for a person, and so do those before it", file: "scheduler/floor/review.go",
		old: `f.reviewWhatMayBe(u, f.Jobs...)`,
		new: `if !MUTANT { f.reviewWhatMayBe(u, f.Jobs...) }`,
	},
	{
		name: "handed-in-again", breaks: "a lost job that is handed in again waits for a person where a device has told of its work", file: "scheduler/floor/apply_job.go",
		old: `f.reviewHandedInAgain(j)`,
		new: `if !MUTANT { f.reviewHandedInAgain(j) }`,
	},
	{
		name: "restored-known", breaks: "what a device had in hand when the backup was made has an unknown outcome", file: "scheduler/floor/decide_review.go",
		old: `case !d.Manual() && !r.Unknown():`,
		new: `case !d.Manual() && !r.Unknown() && !MUTANT:`,
	},
	{
		name: "restored-loaded", breaks: "nobody knows what is loaded on a device once a backup was restored", file: "scheduler/floor/review.go",
		old: `d.LastRun = nil // something else may have been loaded since`,
		new: `if !MUTANT { d.LastRun = nil }`,
	},
	{
		name: "restored-drying", breaks: "what dried when the backup was made comes to an end", file: "scheduler/floor/decide_review.go",
		old: `case d.Manual() && (r.Step.Drying() || r.State == tandemv1.JobState_JOB_STATE_PENDING):`,
		new: `case d.Manual() && (r.Step.Drying() && !MUTANT || r.State == tandemv1.JobState_JOB_STATE_PENDING):`,
	},
	{
		name: "review-unsaved", breaks: "a snapshot keeps what waits for a person's word", file: "scheduler/floor/snapshot.go",
		old: `Review: s.Review,`,
		new: `Review: s.Review && !MUTANT,`,
	},
}
