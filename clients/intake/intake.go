// Package intake watches a folder into which other software puts tickets, and hands the jobs in.
//
// A file is taken when it has been still for a while and is complete. What the daemon takes in is moved to done/, what
// cannot be taken to refused/ with the reason in a text file beside it. While the daemon is away files stay and are tried
// again. No file is ever overwritten or deleted.
//
// A file is moved only once the daemon has answered, and the request's id is made of the job's id and the file's content:
// whatever ends the program between the two, the same file asks for the same job again and gets the first answer. The
// daemon remembers request ids for days; a label on the job with the content's hash tells the same file even later.
//
// A folder belongs to one process at a time, held by a lock on a file in it. The package decides nothing about jobs, and
// reads nothing outside of the folder and of the folders of cut files.
package intake

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"tandem/clients/ticketfile"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/xjdf"
)

// The folders in the watched one.
const (
	DoneFolder    = "done"
	RefusedFolder = "refused"
	stateFolder   = ".tandem-intake"
)

// Config says what to watch and how to ask.
type Config struct {
	// Dir is the watched folder.
	Dir string
	// CutRoots are further folders of cut files.
	CutRoots []string
	// Jobs is the daemon.
	Jobs tandemv1.JobServiceClient
	// Actor is shown in the audit trail.
	Actor string
	// XJDF is what the shop knows and such tickets do not say. Its Now is set for each ticket.
	XJDF xjdf.Options
	// Hold hands jobs in held.
	Hold bool
	// Once ends when everything that is there has been dealt with, or the daemon is not reachable.
	Once bool
	// Settle is how long a file must have been still. 0: 2 s.
	Settle time.Duration
	// Patience is how long a file that is not complete may be still before it is refused. 0: 30 s.
	Patience time.Duration
	// Poll is how often the folder is read. 0: 1 s.
	Poll time.Duration
	// Timeout bounds one answer of the daemon. 0: 15 s.
	Timeout time.Duration
	// PollOnly leaves the system's notifications alone. They only hasten what polling would find.
	PollOnly bool
	// Tell is told what happens, one call at a time. Nil: nobody is.
	Tell func(Event)
}

// Summary counts what became of files.
type Summary struct {
	Taken, Same, Refused int
	// Left is how many tickets are still in the folder.
	Left int
	// Lost is why the daemon did not answer, if it did not at the end.
	Lost error
}

const (
	settleDefault   = 2 * time.Second
	patienceDefault = 30 * time.Second
	pollDefault     = time.Second
	timeoutDefault  = 15 * time.Second
	backoffFirst    = time.Second
	backoffMost     = 30 * time.Second
	maxPerScan      = 200 // files taken before the folder is read again
	maxCandidates   = 20_000
	maxAttempts     = 5 // for answers that nothing explains
)

func orDefault(d *time.Duration, standard time.Duration) {
	if *d <= 0 {
		*d = standard
	}
}

// Run watches until the context ends, or with Once until there is no more to do. An error says that it could not begin.
// What Run has begun with a file when the context ends, it finishes.
func Run(ctx context.Context, c Config) (Summary, error) {
	orDefault(&c.Settle, settleDefault)
	orDefault(&c.Patience, patienceDefault)
	orDefault(&c.Poll, pollDefault)
	orDefault(&c.Timeout, timeoutDefault)
	c.Patience = max(c.Patience, c.Settle)
	f, err := open(c)
	if err != nil {
		return Summary{}, err
	}
	defer f.close()
	wake, stop := watchFolder(f.dir, c.PollOnly || c.Once)
	defer stop()
	if !c.Once {
		f.tell(Event{Kind: Started, Text: "watching " + f.dir})
	}
	for {
		next := f.pass(ctx)
		if ctx.Err() != nil || f.stopped != nil || c.Once && f.idle() {
			break
		}
		f.sleep(ctx, next, wake)
	}
	if !c.Once {
		f.tell(Event{Kind: Stopped, Text: "no longer watching " + f.dir})
	}
	for _, one := range f.files {
		if !one.left {
			f.sum.Left++
		}
	}
	return f.sum, f.stopped
}

// folder is the state of a watched folder. One goroutine uses it.
type folder struct {
	Config
	dir     string // absolute
	root    *os.Root
	cuts    *ticketfile.Roots
	lock    *os.File
	journal *journal

	files map[string]*file // the tickets in the folder, by name
	told  map[string]bool  // names that were told to be no ordinary files
	sum   Summary

	lost      error // why the daemon does not answer; nil: it does, as far as is known
	lostWait  time.Duration
	lostUntil time.Time

	gone      bool // the folder cannot be read
	goneWait  time.Duration
	goneUntil time.Time

	// at is called between the steps of taking a file; a test ends the program there by returning an error.
	at      func(step string) error
	stopped error
}

func open(c Config) (*folder, error) {
	dir, err := filepath.Abs(c.Dir)
	if err != nil {
		return nil, fmt.Errorf("folder %s: %w", c.Dir, err)
	}
	f := &folder{Config: c, dir: dir, files: map[string]*file{}, told: map[string]bool{}, at: func(string) error { return nil }}
	if err := f.begin(); err != nil {
		f.close()
		return nil, err
	}
	return f, nil
}

// begin opens the folder and takes its lock.
func (f *folder) begin() error {
	info, err := os.Stat(f.dir)
	if err != nil {
		return fmt.Errorf("watched folder: %w", err)
	}
	if !info.IsDir() {
		return fmt.Errorf("watched folder: %s is a file", f.dir)
	}
	if f.root, err = os.OpenRoot(f.dir); err != nil {
		return fmt.Errorf("watched folder: %w", err)
	}
	for _, name := range []string{stateFolder, DoneFolder, RefusedFolder} {
		if err := f.root.MkdirAll(name, 0o777); err != nil {
			return fmt.Errorf("make the folder %s in the watched one: %w", name, err)
		}
	}
	if f.lock, err = takeLock(f.root, f.dir); err != nil {
		return err
	}
	if f.journal, err = openJournal(f.root); err != nil {
		return err
	}
	if f.cuts, err = ticketfile.OpenRoots(append([]string{f.dir}, f.CutRoots...)...); err != nil {
		return err
	}
	return nil
}

// close lets everything go; it may be half open.
func (f *folder) close() {
	if f.cuts != nil {
		_ = f.cuts.Close()
	}
	if f.journal != nil {
		_ = f.journal.close()
	}
	if f.lock != nil {
		_ = f.lock.Close()
	}
	if f.root != nil {
		_ = f.root.Close()
	}
	f.cuts, f.journal, f.lock, f.root = nil, nil, nil, nil
}

// idle says whether nothing is left that more passes could bring further.
func (f *folder) idle() bool {
	if f.gone || f.lost != nil {
		return true
	}
	for _, one := range f.files {
		if !one.stuck && !one.left {
			return false
		}
	}
	return true
}

// sleep waits until the time has come, something has happened in the folder, or the context ends.
func (f *folder) sleep(ctx context.Context, until time.Time, wake <-chan struct{}) {
	timer := time.NewTimer(min(max(time.Until(until), 10*time.Millisecond), f.Poll))
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	case <-wake:
		// More of the same follows while a file is written: do not read the folder for each.
		pause := time.NewTimer(min(100*time.Millisecond, f.Poll))
		defer pause.Stop()
		select {
		case <-ctx.Done():
		case <-pause.C:
		}
	}
}

func (f *folder) tell(e Event) {
	if f.Tell != nil {
		e.Time = time.Now()
		f.Tell(e)
	}
}

// step marks a place between two steps of taking a file.
func (f *folder) step(name string) bool {
	if err := f.at(name); err != nil {
		f.stopped = errors.Join(fmt.Errorf("stopped at %s", name), err)
		return false
	}
	return true
}
