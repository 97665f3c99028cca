package folder

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"

	"tandem/drivers"
	"tandem/drivers/filejob/filejobtest"
)

// TestKilledWhileTakenBack: a driver that was killed while it carried a stop out leaves the rest to the next one. That the file
// is gone then is no sign that the software has done the run.
func TestKilledWhileTakenBack(t *testing.T) {
	t.Parallel()
	for _, test := range []struct {
		name  string
		done  string // by the driver that was killed, before it could keep that
		moved func(t *testing.T, name, temp string)
		want  func(f *filejobtest.Floor)
	}{
		{"before", "removed", func(*testing.T, string, string) {}, func(f *filejobtest.Floor) { f.Run("r1", canceled, "") }},
		{"renamed", "removed", rename, func(f *filejobtest.Floor) { f.Run("r1", canceled, "") }},
		{"removed", "removed", func(t *testing.T, name, _ string) {
			if err := os.Remove(name); err != nil {
				t.Fatal(err)
			}
		}, func(f *filejobtest.Floor) { f.Unknown("r1") }},
		{"by time", "time", rename, func(f *filejobtest.Floor) { f.Run("r1", canceled, "") }},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, map[string]string{"pickup": "moves", "done": test.done, "stop-takes": "300ms"})
			hung := &once{share: disk{}, reached: make(chan struct{}), held: make(chan struct{})}
			defer close(hung.held)
			b.share = hung
			f := b.start()
			f.Grant(b.grant("r1"))
			name := b.dropped(f, "r1")
			f.StopRun("r1")
			<-hung.reached
			if err := f.Stop(); err != nil {
				t.Error(err)
			}
			test.moved(t, name, filepath.Join(b.in, ".P0015-r1.plt.part"))
			b.share = nil
			next := b.start()
			test.want(next)
			for _, s := range next.Statuses() {
				if r := filejobtest.Find(s, "r1"); r.GetState() == completed {
					t.Fatalf("a run that was taken back is told as %v", r)
				}
			}
			if got := b.visible(); len(got) > 0 {
				t.Errorf("the folder shows %v", got)
			}
			if _, err := os.Stat(filepath.Join(b.in, ".P0015-r1.plt.part")); !errors.Is(err, os.ErrNotExist) && test.name != "removed" {
				t.Errorf("its temporary file is left: %v", err)
			}
		})
	}
}

// once is a share that answers the first rename, and no other.
type once struct {
	share
	renames       atomic.Int32
	reached, held chan struct{}
}

func (o *once) rename(from, to string) error {
	switch o.renames.Add(1) {
	case 1:
		return o.share.rename(from, to)
	case 2:
		close(o.reached)
	}
	<-o.held
	return errors.New("too late")
}

// TestGrantedAfterItsEnd: a run that was begun before and is granted again by a daemon that has forgotten is left to a person,
// whose word is heard after a restart of the driver, too.
func TestGrantedAfterItsEnd(t *testing.T) {
	t.Parallel()
	b := newBench(t, nil)
	if err := os.WriteFile(filepath.Join(b.dir, "job.json"), []byte(`{"past":["r1"]}`), 0o600); err != nil {
		t.Fatal(err)
	}
	f := b.start()
	f.Grant(b.grant("r1"))
	f.Unknown("r1")
	if err := f.Stop(); err != nil {
		t.Error(err)
	}
	next := b.start()
	next.Unknown("r1")
	next.Settle("r1")
	next.Idle()
	if got := b.visible(); len(got) > 0 {
		t.Errorf("the folder shows %v", got)
	}
}

// TestShareFull: a share without room keeps no half of a file, and takes the run once there is room and somebody has started it.
func TestShareFull(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"anchor": "none"})
	full := &full{share: disk{}}
	full.is.Store(true)
	b.share = full
	f := b.start()
	f.Grant(b.grant("r1"))
	f.Run("r1", pending, reasonConnecting)
	files, err := os.ReadDir(b.in)
	if err != nil || slices.ContainsFunc(files, func(f os.DirEntry) bool { return strings.HasSuffix(f.Name(), ".part") }) {
		t.Errorf("the full share keeps %v, %v", files, err)
	}
	full.is.Store(false)
	f.Grant(b.grant("r1"))
	b.dropped(f, "r1")
}

// full is a share that has room for a few bytes.
type full struct {
	share
	is atomic.Bool
}

func (s *full) write(name string, body []byte) error {
	if !s.is.Load() {
		return s.share.write(name, body)
	}
	if err := s.share.write(name, body[:1]); err != nil {
		return err
	}
	return syscall.ENOSPC
}

// The power fails when the file has its name and that is noted, and takes the name back: not every share can make one last, and the note is on
// another disk. The file that lies there under its temporary name was perhaps never seen, and perhaps taken: nobody says that it is done.
func TestTheNameIsLost(t *testing.T) {
	t.Parallel()
	for _, done := range []string{"removed", "file"} {
		t.Run(done, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, map[string]string{"done": done})
			f := b.start()
			f.Grant(b.grant("r1"))
			name := b.dropped(f, "r1")
			if err := f.Stop(); err != nil {
				t.Fatal(err)
			}
			rename(t, name, filepath.Join(b.in, "."+filepath.Base(name)+".part"))
			f = b.start()
			f.Run("r1", standing, drivers.ReasonOutcomeUnknown)
			f.Grant(b.grant("r1"))
			f.Settle("r1")
			f.Idle()
			f.Grant(b.grant("r2")) // and the next is handed over
			b.dropped(f, "r2")
		})
	}
}
