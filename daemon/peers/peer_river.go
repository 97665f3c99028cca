package main

import (
	"context"
	"io"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"
)

// riverPeer is a queue in PostgreSQL: the next step is inserted and the present one completed in one transaction, which is
// the guarantee that the daemon gives.
type riverPeer struct {
	pool   *pgxpool.Pool
	client *river.Client[pgx.Tx]
	done   waiters
}

const riverNote = "River: PostgreSQL with synchronous_commit on, 64 workers, pool of 80, FetchCooldown 1 ms (default 100 ms), FetchPollInterval 20 ms (1 s), next step and completion in one transaction"

type submitArgs struct {
	Body string `json:"body"`
}

func (submitArgs) Kind() string { return "submit" }

func (chainTask) Kind() string { return "chain" }

func pingPostgres(ctx context.Context, url string) error {
	c, err := pgx.Connect(ctx, url)
	if err != nil {
		return err
	}
	return c.Close(ctx)
}

func newRiverPeer(ctx context.Context, b *bench) (*riverPeer, error) {
	url, err := b.postgres(ctx)
	if err != nil {
		return nil, err
	}
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, err
	}
	cfg.MaxConns = 80
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return nil, err
	}
	b.later(pool.Close)
	migrator, err := rivermigrate.New(riverpgxv5.New(pool), &rivermigrate.Config{Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err != nil {
		return nil, err
	}
	if _, err := migrator.Migrate(ctx, rivermigrate.DirectionUp, nil); err != nil {
		return nil, err
	}
	p := &riverPeer{pool: pool}
	workers := river.NewWorkers()
	river.AddWorker(workers, river.WorkFunc(p.work))
	p.client, err = river.NewClient(riverpgxv5.New(pool), &river.Config{
		Queues: map[string]river.QueueConfig{"chains": {MaxWorkers: 64}}, Workers: workers,
		FetchCooldown: time.Millisecond, FetchPollInterval: 20 * time.Millisecond, SkipUnknownJobCheck: true,
		Logger: slog.New(slog.NewTextHandler(io.Discard, nil)),
	})
	if err != nil {
		return nil, err
	}
	if err := p.client.Start(context.WithoutCancel(ctx)); err != nil {
		return nil, err
	}
	b.later(func() {
		stopping, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		_ = p.client.StopAndCancel(stopping)
	})
	return p, nil
}

func (p *riverPeer) submit(ctx context.Context, n int64) error {
	_, err := p.client.Insert(ctx, submitArgs{Body: string(body(n, 0))}, &river.InsertOpts{Queue: "submits"})
	return err
}

func (p *riverPeer) chain(ctx context.Context, n int64) error {
	id := p.done.unique("c", n)
	done := p.done.add(id)
	if _, err := p.client.Insert(ctx, chainTask{ID: id}, &river.InsertOpts{Queue: "chains"}); err != nil {
		return err
	}
	return wait(ctx, done)
}

func (p *riverPeer) work(ctx context.Context, job *river.Job[chainTask]) error {
	tx, err := p.pool.Begin(ctx)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback(ctx) }()
	if job.Args.Step < lastStep {
		next := chainTask{ID: job.Args.ID, Step: job.Args.Step + 1}
		if _, err := p.client.InsertTx(ctx, tx, next, &river.InsertOpts{Queue: "chains"}); err != nil {
			return err
		}
	}
	if _, err := river.JobCompleteTx[*riverpgxv5.Driver](ctx, tx, job); err != nil {
		return err
	}
	if err := tx.Commit(ctx); err != nil {
		return err
	}
	if job.Args.Step == lastStep {
		p.done.finish(job.Args.ID)
	}
	return nil
}
