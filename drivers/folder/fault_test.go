package folder

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"tandem/drivers"
	"tandem/drivers/filejob"
	"tandem/drivers/filejob/filejobtest"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	pending    = tandemv1.JobState_JOB_STATE_PENDING
	processing = tandemv1.JobState_JOB_STATE_PROCESSING
	standing   = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
	completed  = tandemv1.JobState_JOB_STATE_COMPLETED
	canceled   = tandemv1.JobState_JOB_STATE_CANCELED
	aborted    = tandemv1.JobState_JOB_STATE_ABORTED
)

// dropped waits until the file of a run lies in the folder, and returns its path.
func (b *bench) dropped(f *filejobtest.Floor, run string) string {
	b.t.Helper()
	f.Run(run, processing, "")
	if got, want := b.visible(), []string{"P0015-" + run + ".plt"}; !slices.Equal(got, want) {
		b.t.Fatalf("the folder shows %v, want %v", got, want)
	}
	return filepath.Join(b.in, "P0015-"+run+".plt")
}

func rename(t *testing.T, from, to string) {
	t.Helper()
	if err := os.Rename(from, to); err != nil {
		t.Fatal(err)
	}
}

func touch(t *testing.T, name string) {
	t.Helper()
	if err := os.WriteFile(name, nil, 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestSignsOfTheEnd(t *testing.T) {
	for _, test := range []struct {
		name     string
		settings map[string]string
		show     func(t *testing.T, b *bench, name string)
		want     tandemv1.JobState
	}{
		{"renamed", nil, func(t *testing.T, b *bench, name string) { rename(t, name, filepath.Join(b.in, "P0015-r1.ok")) }, completed},
		{"returned", nil, func(t *testing.T, b *bench, _ string) { touch(t, filepath.Join(b.in, "p0015-R1.OK")) }, completed},
		{"returned to a folder made later", map[string]string{"done-file": "out/{stem}*"}, func(t *testing.T, b *bench, _ string) {
			if err := os.Mkdir(filepath.Join(b.in, "out"), 0o700); err != nil {
				t.Fatal(err)
			}
			touch(t, filepath.Join(b.in, "out", "P0015-r1 12h30.log"))
		}, completed},
		{"removed", map[string]string{"done": "removed"}, func(t *testing.T, _ *bench, name string) {
			if err := os.Remove(name); err != nil {
				t.Fatal(err)
			}
		}, completed},
		{"failed", map[string]string{"fail-file": "{stem}.err"}, func(t *testing.T, b *bench, _ string) {
			touch(t, filepath.Join(b.in, "P0015-r1.err"))
		}, aborted},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, test.settings)
			f := b.start()
			f.Grant(b.grant("r1"))
			name := b.dropped(f, "r1")
			if body, err := os.ReadFile(name); err != nil || string(body) != "IN;PU;PD;" {
				t.Errorf("dropped: %q, %v", body, err)
			}
			test.show(t, b, name)
			f.Run("r1", test.want, "")
			f.Settle("r1")
			f.Idle()
			if err := f.Stop(); err != nil {
				t.Error(err)
			}
		})
	}
}

// TestOldFiles: what lay there before is neither a sign nor written over.
func TestOldFiles(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"name": "{panel}{ext}"})
	old := filepath.Join(b.in, "P0015.ok")
	touch(t, old)
	mine := filepath.Join(b.in, "p0015.PLT")
	touch(t, mine) // the same name on many shares
	f := b.start()
	f.Grant(b.grant("r1"))
	f.Run("r1", pending, ReasonNameTaken)
	if err := os.Remove(mine); err != nil {
		t.Fatal(err)
	}
	g := b.grant("r1")
	f.Grant(g)
	f.Run("r1", processing, "")
	looks := time.NewTimer(500 * time.Millisecond)
	<-looks.C
	if r := filejobtest.Find(f.Last(), "r1"); r.GetState() != processing {
		t.Errorf("with an old sign the run is %v", r)
	}
	later := time.Now().Add(time.Minute)
	if err := os.Chtimes(old, later, later); err != nil {
		t.Fatal(err)
	}
	f.Run("r1", completed, "") // it was written anew
}

func TestStop(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"pickup": "moves", "stop-takes": "300ms"})
	f := b.start()
	f.Grant(b.grant("r1"))
	b.dropped(f, "r1")
	f.StopRun("r1")
	f.Run("r1", canceled, "job-canceled-by-operator")
	if got := b.visible(); len(got) > 0 {
		t.Errorf("after the stop the folder shows %v", got)
	}
	f.Settle("r1")
	f.Grant(b.grant("r2"))
	name := b.dropped(f, "r2")
	rename(t, name, name+".busy") // the software has it
	f.StopRun("r2")
	f.Run("r2", standing, drivers.ReasonOutcomeUnknown) // and nobody can stop it
	rename(t, name+".busy", filepath.Join(b.in, "P0015-r2.ok"))
	f.Run("r2", completed, "") // but it tells in the end
}

// TestDriverKilled kills the process of a driver whose file lies in the folder. The next one goes on watching.
func TestDriverKilled(t *testing.T) {
	if in := os.Getenv("TANDEM_TEST_IN"); in != "" {
		b := &bench{t: t, in: in, files: os.Getenv("TANDEM_TEST_FILES"), dir: os.Getenv("TANDEM_TEST_DIR")}
		b.settings = map[string]string{"folder": b.in, "files": b.files, "done-file": "{stem}.ok", "poll": "100ms"}
		f := b.start()
		f.Grant(b.grant("r1"))
		f.Run("r1", completed, "") // it is killed before
		return
	}
	t.Parallel()
	b := newBench(t, nil)
	child := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestDriverKilled$", "-test.timeout=1m")
	child.Env = append(os.Environ(), "TANDEM_TEST_IN="+b.in, "TANDEM_TEST_FILES="+b.files, "TANDEM_TEST_DIR="+b.dir)
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(b.in, "P0015-r1.plt")
	for begin := time.Now(); len(b.visible()) == 0; {
		if time.Since(begin) > 30*time.Second {
			t.Fatal("the driver drops nothing")
		}
		tick := time.NewTimer(time.Millisecond)
		<-tick.C
	}
	if err := child.Process.Kill(); err != nil {
		t.Error(err)
	}
	_ = child.Wait() // it was killed
	if err := os.Remove(name); err != nil {
		t.Fatal(err) // the software takes it meanwhile
	}
	touch(t, filepath.Join(b.in, "P0015-r1.ok"))
	f := b.start()
	f.Run("r1", completed, "")
	f.Grant(b.grant("r1"))
	f.Settle("r1")
	f.Idle()
	if got, want := b.visible(), []string{"P0015-r1.ok"}; !slices.Equal(got, want) {
		t.Errorf("the folder shows %v, want %v: the file was dropped again", got, want)
	}
}

// TestKilledBetween: what a driver finds that was killed while it gave the file its name.
func TestKilledBetween(t *testing.T) {
	for _, test := range []struct {
		name  string
		moved func(t *testing.T, temp, name string)
		want  func(t *testing.T, b *bench, f *filejobtest.Floor)
	}{
		{"before", func(*testing.T, string, string) {}, func(t *testing.T, b *bench, f *filejobtest.Floor) {
			f.Idle()
			if s := f.Last(); len(s.GetRuns()) > 0 {
				t.Errorf("in hand: %v", s.GetRuns())
			}
			g := b.grant("r1")
			g.MayStart = false // as the host hands it over again
			f.Grant(g)
			f.Run("r1", pending, drivers.ReasonAwaitingStart)
			if got := b.visible(); len(got) > 0 {
				t.Errorf("without a start the folder shows %v", got)
			}
			f.Grant(b.grant("r1"))
			b.dropped(f, "r1")
		}},
		{"after", rename, func(_ *testing.T, b *bench, f *filejobtest.Floor) { b.dropped(f, "r1") }},
		{"after and it is done", func(t *testing.T, temp, name string) {
			rename(t, temp, filepath.Join(filepath.Dir(name), "P0015-r1.ok"))
		}, func(_ *testing.T, _ *bench, f *filejobtest.Floor) { f.Run("r1", completed, "") }},
		{"after and it was taken", func(t *testing.T, temp, name string) {
			rename(t, temp, name)
			if err := os.Remove(name); err != nil {
				t.Fatal(err)
			}
		}, func(t *testing.T, b *bench, f *filejobtest.Floor) {
			f.Run("r1", standing, drivers.ReasonOutcomeUnknown)
			f.Grant(b.grant("r1"))
			f.Settle("r1")
			f.Idle()
			if got := b.visible(); len(got) > 0 {
				t.Errorf("the folder shows %v", got)
			}
		}},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, nil)
			hung := &stuck{share: disk{}, renames: make(chan struct{}), reached: make(chan struct{})}
			defer close(hung.renames)
			b.share = hung
			f := b.start()
			f.Grant(b.grant("r1"))
			<-hung.reached
			if r := filejobtest.Find(f.Last(), "r1"); r.GetState() == processing {
				t.Errorf("before the file has its name the run is %v", r)
			}
			if err := f.Stop(); err != nil {
				t.Error(err)
			}
			test.moved(t, filepath.Join(b.in, ".P0015-r1.plt.part"), filepath.Join(b.in, "P0015-r1.plt"))
			b.share = nil
			test.want(t, b, b.start())
		})
	}
}

// stuck is a share that answers no rename.
type stuck struct {
	share
	once             sync.Once
	reached, renames chan struct{}
}

func (s *stuck) rename(string, string) error {
	s.once.Do(func() { close(s.reached) })
	<-s.renames
	return errors.New("too late")
}

// TestShareAway: a share that is away, or that leaves an empty folder in its place, tells nothing of the run.
func TestShareAway(t *testing.T) {
	for _, test := range []struct {
		name string
		gone func(t *testing.T, in string) (back func())
	}{
		{"no folder", func(t *testing.T, in string) func() {
			rename(t, in, in+".away")
			return func() { rename(t, in+".away", in) }
		}},
		{"an empty folder", func(t *testing.T, in string) func() {
			rename(t, in, in+".away")
			if err := os.Mkdir(in, 0o700); err != nil {
				t.Fatal(err)
			}
			return func() {
				if err := os.Remove(in); err != nil {
					t.Fatal(err)
				}
				rename(t, in+".away", in)
			}
		}},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, map[string]string{"done": "removed", "done-file": "", "lost-after": "1s"})
			driver := b.driver()
			f := filejobtest.Start(t, driver)
			f.Grant(b.grant("r1"))
			name := b.dropped(f, "r1")
			back := test.gone(t, b.in)
			if err := f.Lost(); err == nil {
				t.Error("Run returns without an error")
			}
			for range 2 {
				if err := filejobtest.Start(t, driver).Lost(); err == nil {
					t.Error("Run returns without an error while the share is away")
				}
			}
			for _, s := range f.Statuses() {
				if r := filejobtest.Find(s, "r1"); drivers.Ended(r.GetState()) {
					t.Fatalf("a share that is away ends the run: %v", r)
				}
			}
			back()
			again := filejobtest.Start(t, driver)
			again.Run("r1", processing, "")
			if err := os.Remove(name); err != nil {
				t.Fatal(err)
			}
			again.Run("r1", completed, "")
		})
	}
}

// TestNotMounted: nothing is dropped into a folder that is not the one that it was.
func TestNotMounted(t *testing.T) {
	t.Parallel()
	b := newBench(t, nil)
	f := b.start()
	f.Grant(b.grant("r1"))
	rename(t, b.dropped(f, "r1"), filepath.Join(b.in, "P0015-r1.ok"))
	f.Run("r1", completed, "")
	f.Settle("r1")
	rename(t, b.in, b.in+".away")
	if err := os.Mkdir(b.in, 0o700); err != nil {
		t.Fatal(err)
	}
	f.Grant(b.grant("r2"))
	f.Run("r2", pending, ReasonNotMounted)
	if got := b.visible(); len(got) > 0 {
		t.Errorf("the folder shows %v", got)
	}
	touch(t, filepath.Join(b.in, ".tandem-cutter-1")) // a person says that it is the right one
	f.Grant(b.grant("r2"))
	b.dropped(f, "r2")
}

// TestShareHangs: a share that does not answer keeps neither orders nor the end of the driver waiting.
func TestShareHangs(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"lost-after": "1s"})
	hung := &hangs{share: disk{}, again: make(chan struct{})}
	b.share = hung
	driver := b.driver()
	f := filejobtest.Start(t, driver)
	f.Grant(b.grant("r1"))
	name := b.dropped(f, "r1")
	hung.hang(true)
	if err := f.Lost(); !errors.Is(err, errHangs) {
		t.Errorf("Run returns %v, want %v", err, errHangs)
	}
	if err := filejobtest.Start(t, driver).Lost(); !errors.Is(err, errHangs) {
		t.Errorf("Run returns %v, want %v", err, errHangs)
	}
	waiting := filejobtest.Start(t, driver)
	begin := time.Now()
	if err := waiting.Stop(); err != nil || time.Since(begin) > 5*time.Second {
		t.Errorf("Run returns %v after %s", err, time.Since(begin))
	}
	hung.hang(false)
	again := filejobtest.Start(t, driver)
	again.Run("r1", processing, "")
	rename(t, name, filepath.Join(b.in, "P0015-r1.ok"))
	again.Run("r1", completed, "")
}

// hangs is a share whose folders can be made to hang.
type hangs struct {
	share
	mu    sync.Mutex
	again chan struct{} // closed when they go on
	on    bool
}

func (s *hangs) hang(on bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.on = on
	if !on {
		close(s.again)
	}
}

func (s *hangs) list(dir string) ([]entry, error) {
	s.mu.Lock()
	on := s.on
	s.mu.Unlock()
	if on {
		<-s.again
	}
	return s.share.list(dir)
}

// TestHiccups: a rename that fails for a moment is tried again; one that fails for longer leaves a start that is stale.
func TestHiccups(t *testing.T) {
	t.Parallel()
	for _, test := range []struct {
		name  string
		fails int
		want  tandemv1.JobState
	}{
		{"twice", 2, processing},
		{"for ever", 1 << 30, pending},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, map[string]string{"notify": "false", "poll": "2s"})
				shaky := &shaky{share: disk{}, fails: test.fails}
				b.share = shaky
				f := b.start()
				f.Grant(b.grant("r1"))
				time.Sleep(time.Minute)
				f.Run("r1", test.want, "")
				if got, want := len(b.visible()) == 1, test.want == processing; got != want {
					t.Errorf("the folder shows %v", b.visible())
				}
				if test.want == pending {
					f.Run("r1", pending, drivers.ReasonAwaitingStart)
					if !slices.ContainsFunc(f.Statuses(), func(s *driverv1.Status) bool {
						return slices.Contains(filejobtest.Find(s, "r1").GetStateReasons(), reasonConnecting)
					}) {
						t.Error("nobody is told that the share did not take the file")
					}
					shaky.set(0)
					time.Sleep(time.Hour)
					synctest.Wait()
					if got := b.visible(); len(got) > 0 {
						t.Errorf("without another start the folder shows %v", got)
					}
					f.Grant(b.grant("r1"))
					f.Run("r1", processing, "")
				}
				if err := f.Stop(); err != nil {
					t.Error(err)
				}
				synctest.Wait()
			})
		})
	}
}

// shaky is a share on which renames fail.
type shaky struct {
	share
	mu    sync.Mutex
	fails int
}

func (s *shaky) set(fails int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.fails = fails
}

func (s *shaky) rename(from, to string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fails > 0 {
		s.fails--
		return errors.New("the network name is no longer available")
	}
	return s.share.rename(from, to)
}

// TestNotified: a change that the system tells of is seen before the next look.
func TestNotified(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"poll": "10m"})
	f := b.start()
	f.Grant(b.grant("r1"))
	rename(t, b.dropped(f, "r1"), filepath.Join(b.in, "P0015-r1.ok"))
	f.Run("r1", completed, "")
}

// TestWrongFile: a file that is not the panel's is not dropped.
func TestWrongFile(t *testing.T) {
	t.Parallel()
	b := newBench(t, nil)
	g := b.grant("r1")
	filejobtest.Write(t, b.files, "gull.plt", []byte("another"))
	f := b.start()
	f.Grant(g)
	f.Run("r1", pending, filejob.ReasonMismatch)
	if got := b.visible(); len(got) > 0 {
		t.Errorf("the folder shows %v", got)
	}
}
