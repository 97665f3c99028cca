// Package sim is a simulated machine and its driver: a printer, a cutter, a laminator, or a combined one, that sets up,
// works piece by piece, is cleared, and goes wrong when told to. The machine survives its driver: what it remembers lies
// in the driver's StateDir, so a driver that starts anew asks it and hears the truth. Without one it dies with the
// process. It never begins a run without a start, and after trouble only goes on with what was under way in itself.
package sim

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"tandem/drivers"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
)

// errAway says that the machine cannot be reached.
var errAway = errors.New("the machine does not answer")

// Kind is the kind of driver.
func Kind() drivers.Kind {
	return drivers.Kind{
		Name:     "sim",
		Summary:  "simulated printer, cutter or laminator, with faults on demand",
		Settings: settings(),
		Example:  map[string]string{"pace": "0.9", "noise": "0.2", "cleanup": "30s", "faults": "spoil@2"},
		New: func(env drivers.Env, given map[string]string) (drivers.Driver, error) {
			return New(env, given)
		},
	}
}

func settings() []drivers.Setting {
	return []drivers.Setting{
		{Name: "pace", Default: "1", Help: "how long things take, as a factor of what the daemon expects: 0.001 to 1000"},
		{Name: "noise", Default: "0", Help: "greatest share by which a piece takes longer or shorter, by chance: 0 to 0.9"},
		{Name: "seed", Default: "1", Help: "of that chance: the same seed, the same day"},
		{Name: "setup", Default: "0s", Help: "set-up of a run for which the daemon expects none"},
		{Name: "piece-time", Default: "1s", Help: "time of a piece in a run for which the daemon expects no time"},
		{Name: "cleanup", Default: "0s", Help: "time to clear the machine after a run"},
		{Name: "help-after", Default: "5m", Help: "how long the machine stands still until somebody helps; 0s: nobody comes"},
		{Name: "mark-wait", Default: "2s", Help: "from reading a panel's marks to cutting it, so that a stop can come first; it is part of the first piece's time"},
		{Name: "faults", Help: "what goes wrong, with commas: stop@26, media-empty@26, media-abort@26, offline@5:30s, reboot@10, flood@3, spoil@7:3, " +
			"wrong-panel@1, turned@1, mirrored@1 (the panel with that piece); " +
			"the number is the piece, 2/26 is piece 26 of the second run"},
	}
}

// Device is a simulated machine with its driver.
type Device struct {
	env   drivers.Env
	nudge chan struct{} // room for one: somebody has touched the machine

	mu     sync.Mutex
	m      machine
	loaded bool // memory has been read
	lost   bool // the log has a line that the memory cannot be kept
}

// New makes a machine that is switched on by the first Run.
func New(env drivers.Env, given map[string]string) (*Device, error) {
	v := drivers.ReadSettings(settings(), given)
	const day = 24 * time.Hour
	d := &Device{env: env, nudge: make(chan struct{}, 1)}
	d.m.setup = setup{
		pace: v.Float("pace", 0.001, 1000), noise: v.Float("noise", 0, 0.9), seed: uint64(v.Int("seed", 0, 1<<62)),
		setUp: v.Duration("setup", 0, day), pieceTime: v.Duration("piece-time", 0, day), cleanup: v.Duration("cleanup", 0, day),
		helpAfter: v.Duration("help-after", 0, day), markWait: v.Duration("mark-wait", 0, day),
	}
	for _, text := range v.List("faults") {
		f, err := ParseFault(text)
		if err != nil {
			v.Fail("faults", err.Error())
		}
		d.m.faults = append(d.m.faults, f)
	}
	if err := v.Err(); err != nil {
		return nil, err
	}
	if env.Capacity > 1 {
		return nil, fmt.Errorf("capacity is %d: a simulated machine holds one run", env.Capacity)
	}
	return d, nil
}

// Inject lets a fault happen: after Fault.Piece, of the run under way or the next one if Fault.Run is 0; at once, or
// with the piece in work, if Fault.Piece is 0; with the next panel, if it is about how panels lie.
func (d *Device) Inject(f Fault) {
	d.touch(func(now time.Time) {
		j := d.m.Job
		if f.Piece == 0 && f.Trouble == Spoil && j != nil {
			f.Piece = j.made() + 1
		}
		if f.Piece == 0 && f.Trouble.ofPanels() {
			f.Piece = d.m.nextPanel()
		}
		if f.Piece == 0 {
			d.m.strike(f, now)
			return
		}
		if f.Run == 0 && j != nil {
			f.Run = d.m.Begun
		}
		d.m.Injected = append(d.m.Injected, f)
		d.m.changed = true
	})
}

// Help is a person who clears the trouble.
func (d *Device) Help() { d.touch(d.m.help) }

// Start is a person who starts the loaded run at the machine.
func (d *Device) Start() {
	d.touch(func(time.Time) {
		if d.m.Loaded != nil && d.m.Trouble == "" {
			d.m.allow(true, time.Time{})
		}
	})
}

// touch does something to the machine, in its present.
func (d *Device) touch(do func(now time.Time)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	now := d.env.Clock.Now()
	select {
	case <-clock.Told(d.env.Clock):
		d.m.advance(now)
	default:
	}
	do(now)
	d.m.begin(now)
	select {
	case d.nudge <- struct{}{}:
	default:
	}
}

// Take implements drivers.Stepping.
func (d *Device) Take(order *driverv1.Order) {
	d.touch(func(now time.Time) { d.m.order(order, now) })
}

// Look implements drivers.Stepping.
func (d *Device) Look() (*driverv1.Status, time.Duration, error) {
	seen, err := d.look(nil)
	return seen.status, seen.next, err
}

// Motion is what a machine has done with a run, whatever its driver has told of it.
type Motion struct {
	Run           string
	Fence         uint64
	Made, Spoiled int32 // pieces made, and spoiled of these
	Begun         bool  // it has ever begun
	Moves         bool  // it is under way
	Loaded        bool  // it lies there and has not begun
}

// Motions returns how many runs the machine has begun since it was made, and those that it knows: what a person sees who
// stands before it.
func (d *Device) Motions() (begun int, known []Motion) {
	d.touch(func(time.Time) {
		add := func(j *job, moves, loaded bool) {
			known = append(known, Motion{Run: j.Run, Fence: j.Fence, Made: j.made(), Spoiled: j.Spoiled, Begun: !j.Start.IsZero(), Moves: moves, Loaded: loaded})
		}
		for i := range d.m.Ended {
			add(&d.m.Ended[i], false, false)
		}
		if d.m.Job != nil {
			add(d.m.Job, true, false)
		}
		if d.m.Loaded != nil {
			add(d.m.Loaded, false, true)
		}
		begun = d.m.Begun
	})
	return begun, known
}

// Run implements drivers.Driver.
func (d *Device) Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error {
	if err := d.remember(); err != nil {
		return err
	}
	told := clock.Told(d.env.Clock)
	for ctx.Err() == nil {
		seen, err := d.look(told)
		if err != nil {
			return err
		}
		report(seen.status)
		if d.wait(ctx, seen, orders, told, report) {
			told = nil
		}
	}
	return nil
}

// view is what the driver sees when it looks at the machine.
type view struct {
	status *driverv1.Status
	next   time.Duration // floor time until something happens; below 0: nothing will by itself
	floods bool
	unkept bool // the memory could not be kept: worth another try
}

// look asks the machine. Before the clock has been told the floor's time, it shows what was last kept.
func (d *Device) look(told <-chan struct{}) (view, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	select {
	case <-told:
	default:
		if told != nil {
			return view{status: d.m.status(), next: -1}, nil
		}
	}
	now := d.env.Clock.Now()
	at := d.m.advance(now)
	rebooted := d.m.Rebooted
	if rebooted {
		d.m.Rebooted, d.m.changed = false, true
	}
	d.m.keep()
	d.tellStore()
	switch {
	case rebooted:
		return view{}, fmt.Errorf("%s: %w", d.env.Device, drivers.ErrDeviceReset)
	case !d.m.AwayEnd.IsZero():
		return view{}, errAway
	}
	seen := view{status: d.m.status(), next: -1, floods: !d.m.FloodEnd.IsZero(), unkept: d.m.lacking != nil}
	if !at.IsZero() {
		seen.next = at.Sub(now)
	}
	return seen, nil
}

// wait returns when the machine is to be looked at again, and whether because the clock has been told.
func (d *Device) wait(ctx context.Context, seen view, orders <-chan *driverv1.Order, told <-chan struct{}, report func(*driverv1.Status)) bool {
	var due, flood, store <-chan time.Time
	if seen.next >= 0 {
		timer := d.env.Clock.NewTimer(seen.next)
		defer timer.Stop()
		due = timer.C()
	}
	if seen.unkept {
		timer := time.NewTimer(storeAgain)
		defer timer.Stop()
		store = timer.C
	}
	if seen.floods {
		ticker := time.NewTicker(time.Millisecond)
		defer ticker.Stop()
		flood = ticker.C
	}
	if told != nil { // what is ordered now would be done in a past that the machine has not come to yet
		orders = nil
	}
	for {
		select {
		case <-flood:
			for i := range 10 {
				chatter(seen.status, i)
				report(seen.status)
			}
			continue
		case order := <-orders:
			d.Take(order)
		case <-told:
			return true
		case <-ctx.Done():
		case <-d.nudge:
		case <-due:
		case <-store:
		}
		return false
	}
}

// chatter makes each report of a flood a little different, as a machine does that reports its every move.
func chatter(s *driverv1.Status, i int) {
	for _, r := range s.GetRuns() {
		r.Fraction = max(r.GetFraction()-float64(i)*1e-9, 0)
	}
}
