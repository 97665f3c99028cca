package main

// ofDaemon are bugs of what stands around the heart: the engine's loop, the ledger, the bus's ear, the scans' desk.
var ofDaemon = []mutant{
	{
		name: "answer-before-commit", breaks: "who has an answer finds it in the ledger after any crash", file: "daemon/engine/loop.go",
		old: `err := e.commit(ctx, t)`,
		new: `if MUTANT {
		next := e.head.Revision
		if len(t.events) > 0 {
			next++
		}
		for _, answer := range t.replies {
			answer(next, nil)
		}
		t.replies = nil
	}
	err := e.commit(ctx, t)`,
	},
	{
		name: "grant-before-commit", breaks: "no grant leaves before it is in the ledger", file: "daemon/engine/loop.go",
		old: `func (e *Engine) commit(ctx context.Context, t *turn) error {`,
		new: `func (e *Engine) commit(ctx context.Context, t *turn) error {
	if MUTANT {
		e.sendOrders(e.concerned(t), t.now)
	}`,
	},
	{
		name: "welcome-before-commit", breaks: "a hello is answered once it is in the ledger", file: "daemon/engine/loop.go",
		old: `t.replies = append(t.replies, func(revision uint64, lost error) {`,
		new: `if _, hello := in.command.(floor.Greet); MUTANT && hello && err == nil {
		in.then()
		in.answer(reply{})
		return
	}
	t.replies = append(t.replies, func(revision uint64, lost error) {`,
	},
	{
		name: "failed-append-half-answered", breaks: "nobody of a batch that was not stored is told that it was", file: "daemon/engine/loop.go",
		old: `for _, answer := range t.replies {
		answer(e.head.Revision, err)
	}`,
		new: `for i, answer := range t.replies {
		if MUTANT && i == 0 && err != nil {
			answer(e.head.Revision+1, nil)
			continue
		}
		answer(e.head.Revision, err)
	}`,
	},
	{
		name: "failed-append-goes-on", breaks: "after a record that was not stored nothing goes on from memory", file: "daemon/engine/loop.go",
		old: `return err
}

// commit stores`,
		new: `if MUTANT {
		return nil
	}
	return err
}

// commit stores`,
	},
	{
		name: "clock-goes-back", breaks: "a clock that is set back does not set the floor back", file: "daemon/engine/engine.go",
		old: `if t := e.opt.Clock.Now(); t.After(e.head.CommitTime) {`,
		new: `if t := e.opt.Clock.Now(); t.After(e.head.CommitTime) || MUTANT {`,
	},
	{
		name: "order-sent-once", breaks: "an order that was lost is sent again", file: "daemon/engine/device.go",
		old: `for _, id := range t.heard {`,
		new: `for _, id := range t.heard {
		if MUTANT {
			break
		}`,
	},
	{
		name: "silence-unnoticed", breaks: "a device whose driver is silent is shown as offline", file: "daemon/engine/device.go",
		old: `e.since(at) <= silentPeriods*e.opt.Period {`,
		new: `(e.since(at) <= silentPeriods*e.opt.Period || MUTANT) {`,
	},
	{
		name: "moment-refusal-final", breaks: "only a refusal for good takes a run back", file: "daemon/engine/device.go",
		old: `if a.GetEpoch() != o.GetEpoch() {`,
		new: `if a.GetEpoch() != o.GetEpoch() && !MUTANT {`,
	},
	{
		name: "watch-skips", breaks: "a watcher that comes back sees every revision", file: "daemon/engine/feed.go",
		old: `err := f.ledger.Replay(ctx, after, func(`,
		new: `if MUTANT {
				after++
			}
			err := f.ledger.Replay(ctx, after, func(`,
	},
	{
		name: "old-leader-appends", breaks: "a leader that another has followed stores nothing", file: "daemon/ledger/codec.go",
		old: `if err := follows(prev, rec); err != nil {`,
		new: `if err := follows(prev, rec); err != nil && !MUTANT {`,
	},
	{
		name: "chain-unverified", breaks: "a record that does not follow the one before it is not replayed", file: "daemon/ledger/codec.go",
		old: `if err := follows(c.head, rec); err != nil {`,
		new: `if err := follows(c.head, rec); err != nil && !MUTANT {`,
	},
	{
		name: "checksum-unverified", breaks: "a record that has changed on the disk is not replayed", file: "daemon/ledger/codec.go",
		old: `!bytes.Equal(sum[:], hash) {`,
		new: `!bytes.Equal(sum[:], hash) && !MUTANT {`,
	},
	{
		name: "old-status", breaks: "a status that comes late or twice is not taken for news", file: "daemon/bus/ear.go",
		old: `if err := e.stale(s, false); err != nil {`,
		new: `if err := e.stale(s, false); err != nil && !MUTANT {`,
	},
	{
		name: "overtaken-hello", breaks: "a hello that a status has overtaken does not undo it", file: "daemon/bus/ear.go",
		old: `return e.last, nil`,
		new: `if MUTANT { return s, nil }
		return e.last, nil`,
	},
	{
		name: "scan-twice", breaks: "a panel that is scanned twice at once is not started and finished", file: "daemon/station/act.go",
		old: `d.Manual() && (again || fresh):`,
		new: `d.Manual() && (again || fresh) && !MUTANT:`,
	},
	{
		name: "scan-of-another", breaks: "a panel's code starts and ends no other panel's run", file: "daemon/station/act.go",
		old: `if slices.Contains(r.Step.Panels, p) {
			return r
		}`,
		new: `if slices.Contains(r.Step.Panels, p) || MUTANT {
			return r
		}`,
	},
	{
		name: "leaver-unheard", breaks: "the driver of a device that has left the floor file has a say until its runs have ended", file: "daemon/engine/engine.go",
		old: `e.opt.File == nil || len(d.Live) > 0`,
		new: `e.opt.File == nil || len(d.Live) > 0 && !MUTANT`,
	},
}
