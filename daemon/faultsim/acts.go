package faultsim

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/drivers/sim"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
	"tandem/scheduler/floor"
)

// act lets an act of the plan happen.
func (w *World) act(a Act) {
	w.trace("* %v", a)
	m := w.machines[a.A%uint64(len(w.machines))]
	switch a.Kind {
	case Submit:
		w.jobs++
		j := order(w.jobs, a.A, a.B)
		w.ask("client", "submit-"+j.GetId(), func() floor.Command { return floor.CreateJob{Job: proto.CloneOf(j)} })
	case Gang:
		w.gangs(a)
	case Presence:
		w.present(a)
	case Cancel, Hold, Release:
		if w.jobs == 0 {
			return
		}
		job := fmt.Sprintf("job-%d", 1+a.A%uint64(w.jobs))
		w.ask("client", fmt.Sprintf("%s-%d-%v", a.Kind, a.A, a.At), func() floor.Command {
			return map[Kind]floor.Command{Cancel: floor.CancelJob{Job: job}, Hold: floor.HoldJob{Job: job}, Release: floor.ReleaseJob{Job: job}}[a.Kind]
		})
	case Spoil, Remake:
		w.spoil(a)
	case Waive:
		if w.jobs == 0 {
			return
		}
		c := floor.OverrideWait{Job: fmt.Sprintf("job-%d", 1+a.A%uint64(w.jobs)), Step: []string{"dry", "dry", "laminate"}[a.B%3], Note: "touch-dry"}
		w.ask("mira", fmt.Sprintf("%s-%d-%v", a.Kind, a.A, a.At), func() floor.Command { return c })
	case Load, Measure, Override:
		w.handle(a, m)
	case Pause, Resume, Lock, Unlock:
		who := []string{supervisor, supervisor, "timo"}[a.B%3]
		w.ask(who, fmt.Sprintf("%s-%d-%v", a.Kind, a.A, a.At), func() floor.Command {
			return map[Kind]floor.Command{
				Pause: floor.PauseDevice{Device: m.id}, Resume: floor.ResumeDevice{Device: m.id},
				Lock: floor.LockDevice{Device: m.id}, Unlock: floor.UnlockDevice{Device: m.id},
			}[a.Kind]
		})
	case WrongScan:
		w.wrongScan(a, m)
	default:
		w.trouble(a, m)
	}
}

// present is a person who says how many people are there for the next hours, or that it is as the shifts have it again.
func (w *World) present(a Act) {
	if w.leader == nil {
		return
	}
	c := floor.SetAttendance{Operators: int(a.A % 4), Until: w.leader.s.State().Now.Add(time.Duration(10+a.B%400) * time.Minute)}
	if a.B%6 == 0 {
		c = floor.SetAttendance{}
	}
	w.ask("mira", fmt.Sprintf("%s-%d-%v", a.Kind, a.A, a.At), func() floor.Command { return c })
}

// spoil is a person who finds pieces spoiled, or has spoiled ones made again.
func (w *World) spoil(a Act) {
	if w.jobs == 0 {
		return
	}
	job, panel, n := fmt.Sprintf("job-%d", 1+a.A%uint64(w.jobs)), []string{"a", "p1", "1"}[a.B%3], int32(1+a.B%2)
	if d := w.leader; d != nil {
		if j, ok := d.s.State().Floor.Job(job); ok {
			panel = j.Panels[a.B%uint64(len(j.Panels))].ID
		}
	}
	w.ask("mira", fmt.Sprintf("%s-%d-%v", a.Kind, a.A, a.At), func() floor.Command {
		if d := w.leader; d != nil && a.Kind == Spoil && a.B%4 == 3 { // a person who has keyed a wrong number
			if j, ok := d.s.State().Floor.Job(job); ok {
				if b, ok := j.LastBooking(); ok {
					return floor.WithdrawSpoiled{Job: job, Panel: b.Panel, Pieces: b.Pieces, Booked: b.Revision}
				}
			}
		}
		if a.Kind == Spoil {
			return floor.SpoilPieces{Job: job, Panel: panel, Pieces: n}
		}
		return floor.RemakePieces{Job: job, Panel: panel, Step: []string{"print", "cut"}[a.B%2], Pieces: n, AlreadySpoiled: a.B%3 == 0}
	})
}

// handle is a person who puts media on a device, measures a roll, or starts a run without asking what is loaded.
func (w *World) handle(a Act, m *machine) {
	if w.leader == nil {
		return
	}
	var c floor.Command
	f, media := w.leader.s.State().Floor, []string{"white", "clear"}[a.B%2]
	lots := f.Lots()
	switch d, ok := f.Device(m.id); {
	case a.Kind == Override && ok && len(d.Live) > 0:
		r := d.Live[a.B%uint64(len(d.Live))]
		w.books.rules.asks(commandOfPeople{run: r.ID})
		c = floor.StartRun{Run: r.ID, Override: "the customer has seen it"}
	case a.Kind == Override:
		return
	case a.Kind == Measure && len(lots) > 0:
		c = floor.MeasureLot{Lot: lots[a.A%uint64(len(lots))].ID, Remaining: int64(a.B % 3_000_000)}
	case a.B%3 == 0 && len(lots) > 0:
		c = floor.LoadMedia{Device: m.id, Lot: lots[a.A%uint64(len(lots))].ID}
	case a.B%3 == 1:
		c = floor.ReceiveLot{Lot: &tandemv1.Lot{Media: media}}
	default:
		c = floor.LoadMedia{Device: m.id, Media: media}
	}
	w.ask("mira", fmt.Sprintf("%s-%d-%v", a.Kind, a.A, a.At), func() floor.Command { return c })
}

// wrongScan is a person who scans what comes to hand.
func (w *World) wrongScan(a Act, m *machine) {
	d := w.leader
	if d == nil || !d.lives() {
		return
	}
	f := d.s.State().Floor
	var codes []string
	for _, j := range f.Jobs {
		codes = append(codes, j.Code)
		for _, p := range j.Panels {
			codes = append(codes, p.Code, p.Code)
		}
	}
	for _, dev := range f.Devices {
		codes = append(codes, dev.Code)
	}
	one, two := codes[a.A%uint64(len(codes))], codes[a.B%uint64(len(codes))]
	switch a.B % 8 {
	case 6, 7:
		two = code.Undo.Code().String() // whatever this hand has done last
	case 0:
		two = one + one
	case 1:
		two = strings.ToLower(two)
	case 2:
		two = ">"
	}
	w.crew.scan(m.id, one, two)
}

// trouble is a fault.
func (w *World) trouble(a Act, m *machine) {
	d := w.leader
	switch a.Kind { //nolint:exhaustive // what clients and people do is in act
	case Crash:
		w.armed = points[a.A%uint64(len(points))]
	case Kill:
		if d != nil {
			d.die("of a signal")
		}
	case Restore:
		w.restore(a)
	case Freeze:
		if d != nil {
			d.freeze(a.For)
		}
	case Sleep: // the bus sleeps, too: what drivers send is lost
		if d != nil {
			long := 10 * a.For
			d.freeze(long)
			for _, m := range w.machines {
				m.isolate(long)
			}
		}
	case Takeover:
		if d != nil && len(w.daemons) == 1 {
			d.freeze(a.For)
			w.leader = nil
			w.in(a.For*time.Duration(a.B%3)/2, w.start)
		}
	case FullDisk:
		w.disk.full = w.now + a.For
	case NoAnswer:
		w.disk.unheard, w.disk.unstored = 1, a.A%2 == 0
	case SlowDisk:
		w.disk.slow = w.now + a.For
	case Cut:
		m.isolate(4 * a.For)
	case DriverDie:
		m.die(a.For)
	case Reboot:
		m.inject(sim.Fault{Trouble: sim.Reboot})
	case Away:
		m.inject(sim.Fault{Trouble: sim.Offline, For: a.For * time.Duration(w.plan.Scale)})
	case Stand:
		m.inject(sim.Fault{Trouble: []sim.Trouble{sim.Stop, sim.MediaEmpty}[a.B%2]})
	case GiveUp:
		m.inject(sim.Fault{Trouble: sim.MediaAbort})
	case BadPieces:
		m.inject(sim.Fault{Trouble: sim.Spoil, Pieces: int32(1 + a.B%2)})
	case ClockStep:
		w.clockOff = time.Duration(a.B%121)*time.Minute - time.Hour
	case NewFile:
		w.rewrite(m.id)
		if d != nil && a.B%4 > 0 { // or whoever starts it does not do so yet
			d.die("and is opened with another floor file")
		}
	}
}
