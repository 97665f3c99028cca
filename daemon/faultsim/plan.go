package faultsim

import (
	"fmt"
	"strings"
	"time"

	"tandem/scheduler/chance"
)

// Kind says what an act is.
type Kind string

// What may happen. Whatever an act needs to know beside its kind follows from its numbers and from what is there then.
const (
	Submit    Kind = "submit"      // a client hands in a job
	Cancel    Kind = "cancel"      // a client cancels one
	Hold      Kind = "hold"        // a client holds one
	Release   Kind = "release"     // a client releases one
	Gang      Kind = "gang"        // a person puts jobs on shared panels
	Restore   Kind = "restore"     // the disk is lost, and a backup is restored that is older than what was done
	Presence  Kind = "presence"    // other people are there than planned, or nobody, for a while
	Spoil     Kind = "spoil"       // a person reports spoiled pieces
	Remake    Kind = "remake"      // a person has spoiled pieces made again
	Waive     Kind = "waive"       // a person waives a waiting or drying time
	Load      Kind = "load"        // a person puts some media on a device, or a roll of it
	Measure   Kind = "measure"     // a person measures a roll
	Override  Kind = "override"    // a person starts a run with whatever is loaded
	Pause     Kind = "pause"       // a person pauses a device
	Resume    Kind = "resume"      // a person lets it go on
	Lock      Kind = "lock"        // a person locks a device for maintenance
	Unlock    Kind = "unlock"      // and unlocks it
	WrongScan Kind = "wrong-scan"  // a person scans anything anywhere
	Crash     Kind = "crash"       // the daemon dies at the next of its named points
	Kill      Kind = "kill"        // the daemon dies now
	Freeze    Kind = "freeze"      // the daemon's process stands still, its queue grows
	Sleep     Kind = "sleep"       // the whole computer sleeps: daemon and bus
	Takeover  Kind = "takeover"    // the leader freezes, another daemon leads, the old one wakes
	FullDisk  Kind = "full-disk"   // appends are refused for want of space
	NoAnswer  Kind = "no-answer"   // an append is not answered: it is stored, or it is not
	SlowDisk  Kind = "slow-disk"   // appends take long
	Cut       Kind = "cut"         // a device's driver does not reach the bus
	DriverDie Kind = "driver-dies" // a driver's process dies and is started again
	Reboot    Kind = "reboot"      // a machine is switched off and on, and has forgotten its work
	Away      Kind = "away"        // a driver does not reach its machine
	Stand     Kind = "stand"       // a machine stands still until somebody helps
	GiveUp    Kind = "give-up"     // a machine gives its run up
	BadPieces Kind = "bad-pieces"  // a machine spoils pieces
	ClockStep Kind = "clock-step"  // the wall clock is set
	NewFile   Kind = "new-file"    // a device leaves the floor file or comes back to it, and the daemon is started with that
)

// Act is one thing that happens.
type Act struct {
	Kind Kind
	At   time.Duration // wall time since the day began
	For  time.Duration // how long it lasts, where it lasts
	A, B uint64        // choose
}

func (a Act) String() string {
	return fmt.Sprintf("%v %s a=%d b=%d for %v", a.At, a.Kind, a.A, a.B, a.For)
}

// Plan is a day to be played.
type Plan struct {
	Seed     uint64        // of all that is not in the plan: delays, losses, what people do
	Scale    int           // floor time runs so many times as fast as wall time
	Loss     int           // of messages, per mille
	Twice    int           // of messages that come twice, per mille
	Delay    time.Duration // of messages, at most, but for stragglers
	Straggle int           // of messages that come much later, per mille
	Calm     time.Duration // when faults end, wall time since the beginning
	Fast     time.Duration // how much the racks' clocks are fast, in floor time
	Acts     []Act
}

func (p Plan) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "seed %d, floor time %d times as fast; of 1000 messages %d lost, %d twice, %d much later, delay to %v; racks fast by %v; calm from %v\n",
		p.Seed, p.Scale, p.Loss, p.Twice, p.Straggle, p.Delay, p.Fast, p.Calm)
	for _, a := range p.Acts {
		fmt.Fprintf(&b, "  %v\n", a)
	}
	return b.String()
}

// weights say how often each kind of act comes, beside submits.
var weights = []struct {
	kind   Kind
	weight int
}{
	{Cancel, 4},
	{Hold, 4},
	{Release, 4},
	{Gang, 4},
	{Presence, 3},
	{Spoil, 2},
	{Remake, 2},
	{Waive, 2},
	{Load, 5},
	{Measure, 1},
	{Override, 1},
	{Pause, 2},
	{Resume, 2},
	{Lock, 2},
	{Unlock, 2},
	{WrongScan, 11},
	{Crash, 8},
	{Kill, 3},
	{Restore, 2},
	{Freeze, 2},
	{Sleep, 1},
	{Takeover, 3},
	{FullDisk, 2},
	{NoAnswer, 3},
	{SlowDisk, 2},
	{Cut, 7},
	{DriverDie, 5},
	{Reboot, 4},
	{Away, 3},
	{Stand, 3},
	{GiveUp, 2},
	{BadPieces, 2},
	{ClockStep, 2},
	{NewFile, 3},
}

// MakePlan draws the day of a seed. Some days are calmer than others, so that rare troubles also meet alone.
func MakePlan(seed uint64) Plan {
	luck := chance.Of(seed).Word("plan").Stream()
	p := Plan{
		Seed: seed, Scale: []int{120, 600, 600, 1800}[luck.Below(4)], Delay: time.Duration(1+luck.Below(40)) * time.Millisecond,
		Calm: time.Duration(15+luck.Below(30)) * time.Second,
	}
	if luck.Below(3) > 0 {
		p.Loss, p.Twice, p.Straggle = luck.Below(120), luck.Below(120), luck.Below(40)
	}
	if luck.Below(6) == 0 {
		p.Fast = time.Duration(luck.Below(120)) * time.Minute
	}
	total, enabled := 0, map[Kind]bool{}
	few := luck.Below(3) == 0
	for _, w := range weights {
		if enabled[w.kind] = !few || luck.Below(4) == 0; enabled[w.kind] {
			total += w.weight
		}
	}
	add := func(kind Kind) {
		p.Acts = append(p.Acts, Act{
			Kind: kind, At: time.Duration(luck.Float() * float64(p.Calm)), For: time.Duration(luck.Exponential(float64(3 * time.Second))),
			A: luck.Uint64() >> 40, B: luck.Uint64() >> 40,
		})
	}
	for range 2 + luck.Below(6) {
		add(Submit)
	}
	for range luck.Below(34) {
		n := 0
		if total > 0 {
			n = luck.Below(total)
		}
		for _, w := range weights {
			if !enabled[w.kind] {
				continue
			}
			if n -= w.weight; n < 0 {
				add(w.kind)
				break
			}
		}
	}
	return p
}
