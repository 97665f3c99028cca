package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/encoding/protojson"

	"tandem/daemon/bus"
	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	flooder    = "flooder"
	floodEvery = 100 * time.Microsecond // 10,000 messages a second
)

// floorWithWork is a daemon with a large floor that is busy throughout, and more work than it can do.
type floorWithWork struct {
	daemon *daemon
	crew   *crew
	order  []string // device ids
	next   int
	grants map[string]chan *driverv1.Grant
}

// grantsAndIsolation measures how long a device that becomes free waits for its next order, and whether others' noise
// makes it wait longer.
func (b *bench) grantsAndIsolation(ctx context.Context) error {
	f, err := b.startFloorWithWork(ctx)
	if err != nil {
		return err
	}
	if _, err := f.sample(ctx, b.set.grants/10+1); err != nil {
		return err
	}
	var quiet, disturbed, flush []figure
	for range b.set.rounds {
		one, err := b.flush(ctx)
		if err != nil {
			return err
		}
		calm, err := f.sample(ctx, b.set.grants)
		if err != nil {
			return err
		}
		noise, err := b.disturb(ctx, f.daemon)
		if err != nil {
			return err
		}
		loud, err := f.sample(ctx, b.set.grants)
		noise()
		if err != nil {
			return err
		}
		flush, quiet, disturbed = append(flush, one), append(quiet, calm), append(disturbed, loud)
	}
	t := newTable(fmt.Sprintf("Device freed -> next grant in its driver's hands, %d devices, %d steps wait (%d grants a round, one at a time)",
		b.set.devices, b.set.waiting, b.set.grants), "", "p50", "p99", "p99 / fdatasync p50", "p99 / quiet")
	d, q, l := medianOf(flush), medianOf(quiet), medianOf(disturbed)
	over := func(list []figure) string {
		var v []float64
		for i := range list {
			v = append(v, float64(list[i].p99)/float64(flush[i].p50))
		}
		return times(median(v))
	}
	t.row("tandem", ms(q.p50), ms(q.p99), over(quiet), "1.00x")
	t.row("beside a driver that sends 10,000 statuses/s and a watcher that reads nothing", ms(l.p50), ms(l.p99), over(disturbed), times(ratios(disturbed, quiet, p99)))
	t.row("fdatasync of 256 bytes", ms(d.p50), ms(d.p99), "", "")
	_ = t.Flush()
	fmt.Println("  bars: p99 <= 10x fdatasync p50; disturbed p99 <= 3x quiet p99")
	return nil
}

func (b *bench) startFloorWithWork(ctx context.Context) (*floorWithWork, error) {
	f := &floorWithWork{grants: map[string]chan *driverv1.Grant{}}
	var list []machine
	for i := range b.set.devices {
		id := fmt.Sprintf("printer-%d", i)
		list = append(list, machine{id: id})
		f.order = append(f.order, id)
		f.grants[id] = make(chan *driverv1.Grant, 1)
	}
	var err error
	path := b.floorFile("large", append([]machine{{id: flooder, mode: "none"}}, list...))
	if f.daemon, err = b.startDaemon(ctx, path, filepath.Join(b.dir, "tandem")); err != nil {
		return nil, err
	}
	jobs := tandemv1.NewJobServiceClient(f.daemon.conn)
	perJob := chainSteps
	todo := make(chan int, b.set.waiting/perJob+1)
	for i := range cap(todo) {
		todo <- i
	}
	close(todo)
	var loading sync.WaitGroup
	failed := make(chan error, 64)
	for range 64 {
		loading.Go(func() {
			for i := range todo {
				j := &tandemv1.Job{Id: fmt.Sprint("w", i), Pieces: 60}
				for k := range perJob {
					j.Steps = append(j.Steps, &tandemv1.Step{Id: stepID(k), Operation: "print"})
				}
				if _, err := jobs.CreateJob(ctx, &tandemv1.CreateJobRequest{Job: j}); err != nil {
					failed <- err
					return
				}
			}
		})
	}
	loading.Wait()
	select {
	case err := <-failed:
		return nil, err
	default:
	}
	f.crew = newCrew(func(w *worker, g *driverv1.Grant) { f.grants[w.id] <- g }, nil)
	return f, f.crew.start(ctx, b, f.daemon, list)
}

// sample frees one device after another.
func (f *floorWithWork) sample(ctx context.Context, n int) (figure, error) {
	var took []time.Duration
	for range n {
		id := f.order[f.next%len(f.order)]
		f.next++
		g, err := f.granted(ctx, id)
		if err != nil {
			return figure{}, err
		}
		begin := time.Now()
		f.crew.workers[id].finish(g)
		if g, err = f.granted(ctx, id); err != nil {
			return figure{}, err
		}
		took = append(took, time.Since(begin))
		f.grants[id] <- g // for the next time
	}
	return summary(took), nil
}

func (f *floorWithWork) granted(ctx context.Context, id string) (*driverv1.Grant, error) {
	select {
	case g := <-f.grants[id]:
		return g, nil
	case <-time.After(30 * time.Second):
		return nil, fmt.Errorf("%s was given nothing for half a minute", id)
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// disturb makes a driver flood the bus and a watcher stall, until the returned function is called.
func (b *bench) disturb(ctx context.Context, d *daemon) (stop func(), err error) {
	ctx, cancel := context.WithCancel(ctx)
	conn, err := grpc.NewClient(d.api, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		cancel()
		return nil, err
	}
	stalled, err := tandemv1.NewEventServiceClient(conn).WatchEvents(ctx, &tandemv1.WatchEventsRequest{Revision: 1})
	if err == nil {
		_, err = stalled.Recv() // and never again
	}
	if err != nil && !errors.Is(err, io.EOF) {
		cancel()
		return nil, fmt.Errorf("watch: %w", err)
	}
	nc, err := bus.Dial("nats://"+d.bus, filepath.Join(d.data, "bus", bus.TokenFile), flooder)
	if err != nil {
		cancel()
		return nil, err
	}
	var flooding sync.WaitGroup
	flooding.Go(func() { flood(ctx, nc) })
	return func() {
		cancel()
		flooding.Wait()
		nc.Close()
		_ = conn.Close()
	}, nil
}

// flood says the same device to be idle and busy in turn, as often as it can up to 10,000 times a second.
func flood(ctx context.Context, nc *nats.Conn) {
	epoch := uint64(time.Now().UnixMilli())
	s := &driverv1.Status{Epoch: epoch, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE}
	hello, err := protojson.Marshal(&driverv1.Hello{Status: s, Kind: "flood", Operations: []string{"print"}})
	if err != nil {
		panic(err) // a message of our own
	}
	for ctx.Err() == nil {
		if _, err := nc.Request(drivers.HelloSubject(flooder), hello, time.Second); err == nil {
			break
		}
	}
	begin := time.Now()
	for n := uint64(1); ctx.Err() == nil; n++ {
		if ahead := time.Duration(n)*floodEvery - time.Since(begin); ahead > time.Millisecond {
			time.Sleep(ahead)
		}
		state := "DEVICE_STATE_IDLE"
		if n%2 == 0 {
			state = "DEVICE_STATE_PROCESSING"
		}
		body := fmt.Appendf(nil, `{"epoch":"%d","sequence":"%d","state":"%s","link":"LINK_ONLINE"}`, epoch, n, state)
		if err := nc.Publish(drivers.StatusSubject(flooder), body); err != nil {
			return
		}
	}
}
