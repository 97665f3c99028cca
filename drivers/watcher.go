package drivers

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// MaxWatchers is the greatest number of watchers of a device.
const MaxWatchers = 4

const (
	mostSupplies       = 32
	mostWatchedReasons = 8 // of one watcher
	longestMessage     = 120
	longestSupply      = 63
)

// A Watcher reads what a device does, beside its driver, and gives it no order. It never says anything of a run.
type Watcher interface {
	// Watch reads until ctx ends and reports all that it sees at every change; a report too many costs nothing. It returns
	// nil when ctx ends and an error when it no longer reaches what it reads; the host then calls it again, after longer and
	// longer pauses, and until the first report of that call its device counts as not watched. report may be called from
	// any goroutine; it does not wait and keeps nothing of what it is given.
	Watch(ctx context.Context, report func(Seen)) error
}

// Seen is what a watcher sees of a device. What it does not know it leaves out.
type Seen struct {
	// State is unspecified if it is not known.
	State tandemv1.DeviceState
	// Phase is what the state says if it is unspecified.
	Phase tandemv1.DevicePhase
	// Reasons are keywords as in a status: those that explain State, and warnings and reports.
	Reasons []string
	// Supplies are in a fixed order.
	Supplies []*tandemv1.Supply
	// Message is what the device shows people, such as the text of its display.
	Message string
}

// Watch adds a watcher of the device, after those that were added before. Call it before Run or Serve. It opens nothing.
func (h *Host) Watch(kind Kind, settings map[string]string) error {
	watcher, err := NewWatcher(kind, h.env, settings)
	if err != nil {
		return err
	}
	if len(h.watchers) >= MaxWatchers {
		return fmt.Errorf("watchers of %s: more than %d", h.env.Device, MaxWatchers)
	}
	h.watchers = append(h.watchers, seat{kind: kind.Name, watcher: watcher, log: h.env.Log.With(zap.String("watcher", kind.Name))})
	return nil
}

// NewWatcher checks an environment and settings and makes a watcher. It opens nothing.
func NewWatcher(kind Kind, env Env, settings map[string]string) (Watcher, error) {
	env, err := env.check()
	if err != nil {
		return nil, fmt.Errorf("watcher of %q: %w", env.Device, err)
	}
	if kind.NewWatcher == nil {
		return nil, fmt.Errorf("%s is a kind of driver and does not watch: name it as the device's driver", kind.Name)
	}
	watcher, err := kind.NewWatcher(env, settings)
	if err != nil {
		return nil, fmt.Errorf("%s watcher of %s: %w", kind.Name, env.Device, err)
	}
	return watcher, nil
}

// seat is a watcher of a host.
type seat struct {
	kind    string
	watcher Watcher
	log     *zap.Logger
}

// sight is what a desk knows of one watcher.
type sight struct {
	kind string
	life int   // counts the watcher's calls
	seen *Seen // of the present call; nil: nothing yet
	lost bool  // a call has ended, and none has reported since
}

// watch calls a watcher again and again until ctx ends.
func (h *Host) watch(ctx context.Context, d *desk, at int) {
	s := h.watchers[at]
	pause := h.driverPauses()
	var told atomic.Bool
	for {
		served, err := h.runWatcher(ctx, d, at, func() {
			if told.CompareAndSwap(true, false) {
				s.log.Info("watcher is back")
			}
		})
		if ctx.Err() != nil {
			return
		}
		if served {
			pause.reset()
		}
		if told.CompareAndSwap(false, true) {
			s.log.Warn("watcher lost what it reads; trying again until it is back", zap.Error(err))
		}
		wait := time.NewTimer(pause.next())
		select {
		case <-wait.C:
		case <-ctx.Done():
			wait.Stop()
			return
		}
	}
}

// runWatcher is one call of a watcher. It says whether the watcher has seen anything; back is called when it first does.
func (h *Host) runWatcher(ctx context.Context, d *desk, at int, back func()) (served bool, err error) {
	s := h.watchers[at]
	life := d.open(at)
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("the %s watcher has a fault of its own: %v\n%s", s.kind, fault, debug.Stack())
		}
		served = d.blind(at)
	}()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	err = s.watcher.Watch(ctx, func(seen Seen) {
		if d.see(at, life, seen) {
			back()
		}
	})
	if err == nil {
		err = errors.New("the watcher has ended without saying why")
	}
	return false, err
}

// open begins a call of a watcher.
func (d *desk) open(at int) (life int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.sights[at].life++
	return d.sights[at].life
}

// see takes what a watcher says in one of its calls, and reports whether it is the first word of that call.
func (d *desk) see(at, life int, seen Seen) (first bool) {
	clean := seen.clean()
	d.mu.Lock()
	defer d.mu.Unlock()
	s := &d.sights[at]
	if life != s.life {
		return false
	}
	first = s.seen == nil
	switch {
	case first || s.seen.State != clean.State || s.seen.Phase != clean.Phase || !slices.Equal(s.seen.Reasons, clean.Reasons):
		d.note(change)
	case s.seen.Message != clean.Message || !slices.EqualFunc(s.seen.Supplies, clean.Supplies, func(a, b *tandemv1.Supply) bool { return proto.Equal(a, b) }):
		d.note(progress)
	}
	s.seen, s.lost = clean, false
	return first
}

// blind notes that a call of a watcher has ended, and reports whether it had seen anything.
func (d *desk) blind(at int) (served bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	s := &d.sights[at]
	served = s.seen != nil
	if served || !s.lost {
		d.note(change)
	}
	s.seen, s.lost = nil, true
	s.life++ // late reports of that call do not count
	return served
}

// clean returns a copy of a size that fits in a message.
func (s Seen) clean() *Seen {
	out := &Seen{State: s.State, Phase: s.Phase, Reasons: cleanReasons(s.Reasons, mostWatchedReasons), Message: cleanText(s.Message, longestMessage)}
	if out.Phase == tandemv1.DevicePhase_DEVICE_PHASE_UNSPECIFIED {
		out.Phase = phaseOf(s.State)
	}
	for _, supply := range s.Supplies[:min(len(s.Supplies), mostSupplies)] {
		supply = proto.CloneOf(supply)
		supply.DisplayName = cleanText(supply.GetDisplayName(), longestSupply)
		supply.Kind = strings.Trim(strings.Map(keywordLetter, cleanText(supply.GetKind(), longestSupply)), "-")
		if supply.LevelPercent = min(max(supply.GetLevelPercent(), 0), 100); !supply.GetLevelKnown() {
			supply.LevelPercent = 0
		}
		out.Supplies = append(out.Supplies, supply)
	}
	return out
}

// cleanText makes one short line of foreign words.
func cleanText(s string, most int) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\r' || r == '\t':
			return ' '
		case r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == '\u2028' || r == '\u2029' || r >= '\u202a' && r <= '\u202e' || r >= '\u2066' && r <= '\u2069':
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, ""))
	s = strings.Join(strings.Fields(s), " ")
	return strings.TrimSpace(strings.ToValidUTF8(s[:min(len(s), most)], ""))
}

func phaseOf(s tandemv1.DeviceState) tandemv1.DevicePhase {
	switch s {
	case tandemv1.DeviceState_DEVICE_STATE_IDLE:
		return tandemv1.DevicePhase_DEVICE_PHASE_IDLE
	case tandemv1.DeviceState_DEVICE_STATE_PROCESSING:
		return tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION
	case tandemv1.DeviceState_DEVICE_STATE_STOPPED:
		return tandemv1.DevicePhase_DEVICE_PHASE_STOPPED
	case tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED:
	}
	return tandemv1.DevicePhase_DEVICE_PHASE_UNSPECIFIED
}

// look adds what the watchers see to a status that is about to be told.
func (d *desk) look(s *driverv1.Status) {
	if len(d.sights) > 0 {
		combine(s, d.sights)
	}
}
