package main

// ofDrivers are bugs of the drivers' host: the last fence before a machine.
var ofDrivers = []mutant{
	{
		name: "old-fence", breaks: "a driver takes no grant that is older than the last one it has seen", file: "drivers/orders.go",
		old: `case d.env.Capacity == 1 && g.GetFence() <= seen:`,
		new: `case d.env.Capacity == 1 && g.GetFence() <= seen && !MUTANT:`,
	},
	{
		name: "least-fence", breaks: "a driver takes no grant with a fence below that of its welcome", file: "drivers/orders.go",
		old: `case g.GetFence() < d.minFence:`,
		new: `case g.GetFence() < d.minFence && !MUTANT:`,
	},
	{
		name: "old-epoch-order", breaks: "an order for a driver's life before is refused", file: "drivers/orders.go",
		old: `if o.GetEpoch() != d.epoch {`,
		new: `if o.GetEpoch() != d.epoch && !MUTANT {`,
	},
	{
		name: "old-term", breaks: "a driver refuses the order of a daemon that no longer leads", file: "drivers/orders.go",
		old: `if d.old(o.GetTerm()) {`,
		new: `if d.old(o.GetTerm()) && !MUTANT {`,
	},
	{
		name: "old-leader-welcomes", breaks: "the welcome of a daemon that no longer leads counts for nothing", file: "drivers/talk.go",
		old: `case t.desk.overruled(g.welcome.GetTerm()):`,
		new: `case t.desk.overruled(g.welcome.GetTerm()) && !MUTANT:`,
	},
	{
		name: "driver-overfull", breaks: "a driver takes no more runs than its device holds", file: "drivers/orders.go",
		old: `case live >= d.env.Capacity:`,
		new: `case live >= d.env.Capacity && !MUTANT:`,
	},
	{
		name: "unwelcome-grant", breaks: "a driver takes no grant before its hello has been answered", file: "drivers/orders.go",
		old: `if !d.welcomed {`,
		new: `if !d.welcomed && !MUTANT {`,
	},
	{
		name: "settled-comes-back", breaks: "a run that is settled is not taken again", file: "drivers/orders.go",
		old: `d.gone.add(s.GetRun(), settled)`,
		new: `if !MUTANT { d.gone.add(s.GetRun(), settled) }`,
	},
	{
		name: "stopped-comes-back", breaks: "a run that was stopped before it came is not taken when it comes", file: "drivers/orders.go",
		old: `d.gone.add(s.GetRun(), never)
		return final(RefusedNotInHand, "%s", text)`,
		new: `if !MUTANT { d.gone.add(s.GetRun(), never) }
		return final(RefusedNotInHand, "%s", text)`,
	},
	{
		name: "stop-lost", breaks: "a stop that a driver has taken reaches its machine", file: "drivers/orders.go",
		old: `case !h.stop:`,
		new: `case !h.stop && !MUTANT:`,
	},
	{
		name: "start-after-stop", breaks: "a run whose stop has come is not begun", file: "drivers/errand.go",
		old: `e.held.heldBack || e.held.stop ||`,
		new: `e.held.heldBack || e.held.stop && !MUTANT ||`,
	},
	{
		name: "start-survives-loss", breaks: "a start that was given before a device was lost is no start after it", file: "drivers/desk.go",
		old: `h.heldBack = !d.manual`,
		new: `h.heldBack = !d.manual && !MUTANT`,
	},
	{
		name: "loss-untold", breaks: "what a lost device may have begun has an unknown outcome", file: "drivers/desk.go",
		old: `if h.ended() || !h.mayHaveBegun() {`,
		new: `if h.ended() || !h.mayHaveBegun() || MUTANT {`,
	},
	{
		name: "reset-keeps-work", breaks: "a device that was switched off has nothing in hand that it had begun", file: "drivers/desk.go",
		old: `if !h.ended() && h.mayHaveBegun() {`,
		new: `if !h.ended() && h.mayHaveBegun() && !MUTANT {`,
	},
	{
		name: "held-runs-forgotten", breaks: "a driver that starts anew tells of the runs that its device has in hand", file: "drivers/report.go",
		old: `h := &held{run: r.GetRun(), fence: r.GetFence(), status:`,
		new: `if MUTANT { return nil }
	h := &held{run: r.GetRun(), fence: r.GetFence(), status:`,
	},
}
