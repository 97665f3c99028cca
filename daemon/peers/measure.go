package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"text/tabwriter"
	"time"
)

// figure is what one measurement of one side gave.
type figure struct {
	rate     float64 // per second
	p50, p99 time.Duration
}

// drive lets callers do something again and again for a while. What is under way when the time is over is waited for and
// counted, and so is the time it takes.
func drive(ctx context.Context, callers int, d time.Duration, do func(ctx context.Context, n int64) error) (figure, error) {
	var next atomic.Int64
	var mu sync.Mutex
	var took []time.Duration
	var failed error
	var all sync.WaitGroup
	begin := time.Now()
	for range callers {
		all.Go(func() {
			var own []time.Duration
			var err error
			for err == nil && ctx.Err() == nil && time.Since(begin) < d {
				at := time.Now()
				if err = do(ctx, next.Add(1)); err == nil {
					own = append(own, time.Since(at))
				}
			}
			mu.Lock()
			defer mu.Unlock()
			took = append(took, own...)
			if err != nil && failed == nil {
				failed = err
			}
		})
	}
	all.Wait()
	if failed == nil {
		failed = ctx.Err()
	}
	if failed != nil || len(took) == 0 {
		return figure{}, fmt.Errorf("nothing measured: %w", failed)
	}
	f := summary(took)
	f.rate = float64(len(took)) / time.Since(begin).Seconds()
	return f, nil
}

func summary(took []time.Duration) figure {
	slices.Sort(took)
	return figure{p50: took[len(took)/2], p99: took[len(took)*99/100]}
}

// medianOf returns the median of each member by itself.
func medianOf(list []figure) figure {
	get := func(of func(figure) float64) float64 {
		var v []float64
		for _, f := range list {
			v = append(v, of(f))
		}
		return median(v)
	}
	return figure{
		rate: get(func(f figure) float64 { return f.rate }),
		p50:  time.Duration(get(func(f figure) float64 { return float64(f.p50) })),
		p99:  time.Duration(get(func(f figure) float64 { return float64(f.p99) })),
	}
}

func median(v []float64) float64 {
	v = slices.Clone(v)
	slices.Sort(v)
	return v[len(v)/2]
}

// ratios divides round by round, so that a quiet minute helps both sides, and returns the median.
func ratios(a, b []figure, of func(figure) float64) float64 {
	var v []float64
	for i := range a {
		v = append(v, of(a[i])/of(b[i]))
	}
	return median(v)
}

func rate(f figure) float64 { return f.rate }
func p50(f figure) float64  { return float64(f.p50) }
func p99(f figure) float64  { return float64(f.p99) }

// table prints columns.
type table struct{ *tabwriter.Writer }

func newTable(title string, columns ...string) table {
	fmt.Printf("\n%s\n", title)
	t := table{tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)}
	t.row(columns...)
	return t
}

func (t table) row(cells ...string) { fmt.Fprintln(t, "  "+strings.Join(cells, "\t")) }

func ms(d time.Duration) string { return fmt.Sprintf("%.2f ms", float64(d)/1e6) }

func times(v float64) string { return fmt.Sprintf("%.2fx", v) }

// disk is the limit: a file that is appended to and flushed, as many callers share a flush as wait.
type disk struct {
	file    *os.File
	size    int
	waiting chan chan error
	done    chan struct{}
}

// appendBytes is about what a job of four steps takes in the daemon's ledger.
const appendBytes = 768

func newDisk(dir string) (*disk, error) {
	f, err := os.CreateTemp(dir, "append-")
	if err != nil {
		return nil, err
	}
	d := &disk{file: f, size: appendBytes, waiting: make(chan chan error, 256), done: make(chan struct{})}
	go d.run()
	return d, nil
}

func (d *disk) run() {
	defer close(d.done)
	for first := range d.waiting {
		batch := []chan error{first}
	gather:
		for len(batch) < cap(d.waiting) {
			select {
			case more, ok := <-d.waiting:
				if !ok {
					break gather
				}
				batch = append(batch, more)
			default:
				break gather
			}
		}
		_, err := d.file.Write(make([]byte, d.size*len(batch)))
		if err == nil {
			err = fdatasync(d.file)
		}
		for _, c := range batch {
			c <- err
		}
	}
}

func (d *disk) append(context.Context, int64) error {
	c := make(chan error, 1)
	d.waiting <- c
	return <-c
}

func (d *disk) close() {
	close(d.waiting)
	<-d.done
	_ = d.file.Close()
}

// flush measures one write and flush at a time.
func (b *bench) flush(ctx context.Context) (figure, error) {
	f, err := os.Create(filepath.Join(b.dir, "flush"))
	if err != nil {
		return figure{}, err
	}
	defer f.Close()
	return drive(ctx, 1, min(b.set.measure, time.Second), func(context.Context, int64) error {
		if _, err := f.Write(make([]byte, 256)); err != nil {
			return err
		}
		return fdatasync(f)
	})
}
