package main

import (
	"context"
	"encoding/json"
	"time"

	"github.com/hibiken/asynq"
	"github.com/redis/go-redis/v9"
)

// asynqPeer is a queue in Redis: the next step is enqueued and then the present one acknowledged, which is not one
// transaction.
type asynqPeer struct {
	client *asynq.Client
	done   waiters
}

const asynqNote = "asynq: appendfsync always, 64 workers, TaskCheckInterval 1 ms (default 1 s), no retention"

func pingRedis(ctx context.Context, address string) error {
	c := redis.NewClient(&redis.Options{Addr: address})
	defer c.Close()
	return c.Ping(ctx).Err()
}

// quietLog drops what asynq tells of its ordinary life.
type quietLog struct{}

func (quietLog) Debug(...any) {}
func (quietLog) Info(...any)  {}
func (quietLog) Warn(...any)  {}
func (quietLog) Error(...any) {}
func (quietLog) Fatal(...any) {}

func newAsynqPeer(ctx context.Context, b *bench) (*asynqPeer, error) {
	address, err := b.redis(ctx)
	if err != nil {
		return nil, err
	}
	at := asynq.RedisClientOpt{Addr: address, PoolSize: 128}
	p := &asynqPeer{client: asynq.NewClient(at)}
	server := asynq.NewServer(at, asynq.Config{Concurrency: 64, TaskCheckInterval: time.Millisecond, Queues: map[string]int{"chains": 1}, Logger: quietLog{}})
	if err := server.Start(asynq.HandlerFunc(p.work)); err != nil {
		return nil, err
	}
	b.later(func() {
		server.Shutdown()
		_ = p.client.Close()
	})
	return p, nil
}

func (p *asynqPeer) submit(ctx context.Context, n int64) error {
	_, err := p.client.EnqueueContext(ctx, asynq.NewTask("submit", body(n, 0)), asynq.Queue("submits"), asynq.TaskID(p.done.unique("s", n)))
	return err
}

func (p *asynqPeer) chain(ctx context.Context, n int64) error {
	id := p.done.unique("c", n)
	done := p.done.add(id)
	if err := p.enqueue(ctx, chainTask{ID: id}); err != nil {
		return err
	}
	return wait(ctx, done)
}

func (p *asynqPeer) enqueue(ctx context.Context, t chainTask) error {
	payload, err := json.Marshal(t)
	if err != nil {
		return err
	}
	_, err = p.client.EnqueueContext(ctx, asynq.NewTask("chain", payload), asynq.Queue("chains"))
	return err
}

// work does nothing and lets the next step be done. Its own is acknowledged when it has returned, so a chain counts as
// finished one write too early.
func (p *asynqPeer) work(ctx context.Context, t *asynq.Task) error {
	var c chainTask
	if err := json.Unmarshal(t.Payload(), &c); err != nil {
		return err
	}
	if c.Step == lastStep {
		p.done.finish(c.ID)
		return nil
	}
	c.Step++
	return p.enqueue(ctx, c)
}
