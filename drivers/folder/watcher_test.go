package folder

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap/zaptest"
	"google.golang.org/protobuf/proto"

	"tandem/drivers"
	"tandem/drivers/clock"
	"tandem/drivers/drivertest"
	"tandem/drivers/filejob/filejobtest"
	driverv1 "tandem/proto/tandem/driver/v1"
)

func TestRehearsal(t *testing.T) {
	t.Parallel()
	drivertest.Run(t, Kind())
}

// watcher is software that watches a folder until ctx ends. It takes a file some time after it first saw it, works, and
// shows that it is done.
type watcher struct {
	dir        string
	wait, work time.Duration
	take       func(name string) (taken string, err error)
	end        func(taken string) error
	inWork     string // pattern of files that it had taken before it was started anew
}

func (w *watcher) run(ctx context.Context) {
	pause := func(d time.Duration) bool {
		timer := time.NewTimer(d)
		defer timer.Stop()
		select {
		case <-timer.C:
			return true
		case <-ctx.Done():
			return false
		}
	}
	left, _ := filepath.Glob(filepath.Join(w.dir, w.inWork)) // a good pattern
	for _, taken := range left {
		if !pause(w.work) || w.end(taken) != nil {
			return
		}
	}
	for pause(time.Minute) {
		files, err := filepath.Glob(filepath.Join(w.dir, "[^.]*.plt"))
		if err != nil || len(files) == 0 {
			continue
		}
		if !pause(w.wait) {
			return
		}
		taken, err := w.take(files[0])
		if err != nil { // taken back
			continue
		}
		if !pause(w.work) || w.end(taken) != nil {
			return
		}
	}
}

// TestConformance runs the suite against software that watches a real folder, in virtual time.
func TestConformance(t *testing.T) {
	t.Parallel()
	body := []byte("IN;PU;PD;")
	for _, test := range []struct {
		name     string
		settings map[string]string
		inWork   string
		take     func(name string) (string, error)
		end      func(taken string) error
	}{
		{"returned elsewhere", map[string]string{"done-file": "done/{name}"}, "work/*.plt", moveTo("work"), func(taken string) error {
			return os.Rename(taken, filepath.Join(filepath.Dir(filepath.Dir(taken)), "done", filepath.Base(taken)))
		}},
		{"renamed", map[string]string{"done-file": "{stem}.ok"}, "*.busy", func(name string) (string, error) {
			return name + ".busy", os.Rename(name, name+".busy")
		}, func(taken string) error { return os.Rename(taken, strings.TrimSuffix(taken, ".plt.busy")+".ok") }},
		{"removed", map[string]string{"done": "removed"}, "*.none", func(name string) (string, error) { return "", os.Remove(name) }, func(string) error {
			return nil
		}},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			files := t.TempDir()
			filejobtest.Write(t, files, "gull.plt", body)
			kind := Kind()
			kind.Example = map[string]string{"folder": "/in", "files": files, "notify": "false", "poll": "2m", "pickup": "moves"}
			for name, value := range test.settings {
				kind.Example[name] = value
			}
			kind.New = func(env drivers.Env, settings map[string]string) (drivers.Driver, error) {
				dir := filepath.Join(env.StateDir, "in")
				if env.StateDir == "" {
					dir = "/in"
				} else {
					for _, sub := range []string{"done", "work"} {
						if err := os.MkdirAll(filepath.Join(dir, sub), 0o700); err != nil {
							return nil, err
						}
					}
				}
				c, err := readSettings(env.Device, settings)
				if err != nil {
					return nil, err
				}
				c.folder = dir
				d, err := newDesk(env, c, nil)
				if err != nil {
					return nil, err
				}
				return &watched{d, &watcher{dir: dir, wait: 20 * time.Minute, work: 30 * time.Minute, take: test.take, end: test.end, inWork: test.inWork}}, nil
			}
			drivertest.Run(t, kind)
		})
	}
}

func moveTo(sub string) func(name string) (string, error) {
	return func(name string) (string, error) {
		taken := filepath.Join(filepath.Dir(name), sub, filepath.Base(name))
		return taken, os.Rename(name, taken)
	}
}

// watched is a driver with software that watches its folder, and grants that have a file.
type watched struct {
	drivers.Driver
	watcher *watcher
}

func (d *watched) Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error {
	filed := make(chan *driverv1.Order)
	go d.watcher.run(ctx)
	go func() {
		for {
			select {
			case o := <-orders:
				o = proto.CloneOf(o)
				if g := o.GetGrant(); g != nil {
					g.Documents = filejobtest.Waiting("r", 0, filejobtest.Document("gull.plt", []byte("IN;PU;PD;"))).GetDocuments()
				}
				select {
				case filed <- o:
				case <-ctx.Done():
					return
				}
			case <-ctx.Done():
				return
			}
		}
	}()
	return d.Driver.Run(ctx, filed, report)
}

// bench is a driver with its folders.
type bench struct {
	t              *testing.T
	files, in, dir string
	settings       map[string]string
	share          share
}

func newBench(t *testing.T, settings map[string]string) *bench {
	t.Helper()
	b := &bench{t: t, files: t.TempDir(), in: filepath.Join(t.TempDir(), "in"), dir: t.TempDir()}
	if err := os.Mkdir(b.in, 0o700); err != nil {
		t.Fatal(err)
	}
	b.settings = map[string]string{"folder": b.in, "files": b.files, "done-file": "{stem}.ok", "poll": "100ms"}
	for name, value := range settings {
		b.settings[name] = value
	}
	return b
}

// driver makes a driver as a new process would.
func (b *bench) driver() drivers.Driver {
	b.t.Helper()
	env := drivers.Env{
		Device: "cutter-1", Operations: []string{"cut"}, Capacity: 1, Clock: clock.Wall(), StateDir: b.dir, Log: zaptest.NewLogger(b.t),
	}
	c, err := readSettings(env.Device, b.settings)
	if err != nil {
		b.t.Fatal(err)
	}
	d, err := newDesk(env, c, b.share)
	if err != nil {
		b.t.Fatal(err)
	}
	return d
}

func (b *bench) start() *filejobtest.Floor {
	b.t.Helper()
	return filejobtest.Start(b.t, b.driver())
}

// grant is a run with a file, that somebody has just started.
func (b *bench) grant(run string) *driverv1.Grant {
	b.t.Helper()
	return filejobtest.Started(run, time.Hour, filejobtest.Write(b.t, b.files, "gull.plt", []byte("IN;PU;PD;")))
}

// visible returns the names that the software sees.
func (b *bench) visible() []string {
	b.t.Helper()
	files, err := os.ReadDir(b.in)
	if err != nil {
		b.t.Fatal(err)
	}
	var out []string
	for _, f := range files {
		if !strings.HasPrefix(f.Name(), ".") {
			out = append(out, f.Name())
		}
	}
	return out
}
