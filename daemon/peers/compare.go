package main

import (
	"context"
	"fmt"
	"time"
)

// side is one of those compared: its name and what it does.
type side struct {
	name string
	do   func(ctx context.Context, n int64) error
}

// results are the figures of each side, round by round.
type results map[string][]figure

// inTurn measures each side in each round, beginning with another one each time.
func (b *bench) inTurn(ctx context.Context, callers int, sides []side) (results, error) {
	out := results{}
	for _, s := range sides { // connections are opened, statements prepared
		if _, err := drive(ctx, callers, b.set.measure/4, s.do); err != nil {
			return nil, fmt.Errorf("%s with %d callers: %w", s.name, callers, err)
		}
	}
	for round := range b.set.rounds {
		for i := range sides {
			s := sides[(i+round)%len(sides)]
			f, err := drive(ctx, callers, b.set.measure, s.do)
			if err != nil {
				return nil, fmt.Errorf("%s with %d callers: %w", s.name, callers, err)
			}
			out[s.name] = append(out[s.name], f)
		}
	}
	return out, nil
}

func (b *bench) flushes(ctx context.Context) ([]figure, error) {
	var out []figure
	for range b.set.rounds {
		f, err := b.flush(ctx)
		if err != nil {
			return nil, err
		}
		out = append(out, f)
	}
	return out, nil
}

// peers are all the queues.
type peers struct {
	tandem    *tandemPeer
	river     *riverPeer
	asynq     *asynqPeer
	jetstream *jetstreamPeer
}

func (b *bench) startPeers(ctx context.Context) (p peers, err error) {
	if p.tandem, err = newTandemPeer(ctx, b); err != nil {
		return p, err
	}
	if p.river, err = newRiverPeer(ctx, b); err != nil {
		return p, err
	}
	if p.asynq, err = newAsynqPeer(ctx, b); err != nil {
		return p, err
	}
	p.jetstream, err = newJetStreamPeer(ctx, b)
	return p, err
}

const (
	tandemName = "tandem"
	riverName  = "River"
	asynqName  = "asynq"
	jetName    = "JetStream"
	fileName   = "group-commit file"
)

// submits measures how quickly a job is taken in and on disk.
func (b *bench) submits(ctx context.Context) error {
	p, err := b.startPeers(ctx)
	if err != nil {
		return err
	}
	file, err := newDisk(b.dir)
	if err != nil {
		return err
	}
	b.later(file.close)
	sides := []side{
		{tandemName, p.tandem.submit},
		{riverName, p.river.submit},
		{asynqName, p.asynq.submit},
		{jetName, p.jetstream.submit},
		{fileName, file.append},
	}
	many, err := b.inTurn(ctx, 64, sides)
	if err != nil {
		return err
	}
	one, err := b.inTurn(ctx, 1, sides)
	if err != nil {
		return err
	}
	flush, err := b.flushes(ctx)
	if err != nil {
		return err
	}
	t := newTable("Durable submit of a job (tandem: 4 steps; peers: 200 bytes; file: "+fmt.Sprint(appendBytes)+" bytes)",
		"", "64 callers: jobs/s", "tandem / it", "p50", "p99", "1 caller: jobs/s", "p50", "p99", "p50 / fdatasync")
	for _, s := range sides {
		m, o := medianOf(many[s.name]), medianOf(one[s.name])
		t.row(s.name, fmt.Sprintf("%.0f", m.rate), times(ratios(many[tandemName], many[s.name], rate)), ms(m.p50), ms(m.p99),
			fmt.Sprintf("%.0f", o.rate), ms(o.p50), ms(o.p99), times(ratios(one[s.name], flush, p50)))
	}
	f := medianOf(flush)
	t.row("fdatasync of 256 bytes", "", "", "", "", fmt.Sprintf("%.0f", f.rate), ms(f.p50), ms(f.p99), "1.00x")
	_ = t.Flush()
	fmt.Println("  bars: tandem / file >= 0.15x, tandem / River >= 4x at 64 callers")
	b.notes(tandemNote, riverNote, asynqNote, jetstreamNote)
	return nil
}

func (b *bench) notes(list ...string) {
	for _, n := range list {
		fmt.Println("  " + n)
	}
}

// chains measures jobs of four steps from the hand-in to the recorded end of the last, with workers that take no time.
func (b *bench) chains(ctx context.Context) error {
	p, err := b.startPeers(ctx)
	if err != nil {
		return err
	}
	sides := []side{
		{tandemName, p.tandem.chain},
		{riverName, p.river.chain},
		{asynqName, p.asynq.chain},
		{jetName, p.jetstream.chain},
	}
	many, err := b.inTurn(ctx, 64, sides)
	if err != nil {
		return err
	}
	one, err := b.inTurn(ctx, 1, sides)
	if err != nil {
		return err
	}
	flush, err := b.flushes(ctx)
	if err != nil {
		return err
	}
	t := newTable("Chains of 4 steps, workers that take no time", "",
		"64 in flight: chains/s", "tandem / it", "p50", "p99", "1 in flight: chains/s", "p50", "p99", "p50 / fdatasync")
	for _, s := range sides {
		m, o := medianOf(many[s.name]), medianOf(one[s.name])
		t.row(s.name, fmt.Sprintf("%.0f", m.rate), times(ratios(many[tandemName], many[s.name], rate)), ms(m.p50), ms(m.p99),
			fmt.Sprintf("%.0f", o.rate), ms(o.p50), ms(o.p99), times(ratios(one[s.name], flush, p50)))
	}
	f := medianOf(flush)
	t.row("fdatasync of 256 bytes", "", "", "", "", "", ms(f.p50), ms(f.p99), "1.00x")
	_ = t.Flush()
	fmt.Println("  bars: tandem / best peer >= 4x at 64 in flight; p50 of one chain alone <= 7x fdatasync p50")
	b.notes(tandemNote, riverNote, asynqNote, jetstreamNote,
		"a chain of tandem ends when its driver hears that the end is recorded; of asynq when its last handler returns, before that is recorded",
		fmt.Sprintf("clients and workers of all sides are in one process beside the servers; each figure is %v in each of %d rounds", b.set.measure.Round(time.Millisecond), b.set.rounds))
	return nil
}
