package faultsim

import (
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/drivers"
	"tandem/drivers/operator"
	"tandem/drivers/rack"
	"tandem/drivers/sim"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// machine is a device of the floor with its driver's process and its way to the bus.
type machine struct {
	w    *World
	id   string
	kind drivers.Kind
	env  drivers.Env
	time *floorClock // follows the daemon's
	fast time.Duration

	dev  drivers.Stepping // outlives its driver's process
	sim  *sim.Device      // the same; nil: people work there
	host *drivers.Stepped // nil: the process is dead
	life int
	last uint64        // epoch of the driver that has died
	cut  time.Duration // until then it does not reach the bus
	link bool
	line int // counts connections: what is on its way dies with one

	witness *witness
	looked  time.Duration // when somebody looked last
	clock   time.Time     // what its clock showed then

	turn  int // of the entered step
	begun int // runs that it has begun, as seen
}

func newMachine(w *World, spec *tandemv1.Device) *machine {
	m := &machine{w: w, id: spec.GetId()}
	switch spec.GetDriver().GetKind() {
	case "sim":
		m.kind = sim.Kind()
	case "rack":
		m.kind, m.fast = rack.Kind(), w.plan.Fast
	default:
		m.kind = operator.Kind()
	}
	m.time = &floorClock{w: w, off: m.fast}
	m.env = drivers.Env{Device: m.id, Capacity: int(spec.GetCapacity()), Clock: m.time}
	for _, a := range spec.GetAbilities() {
		m.env.Operations = append(m.env.Operations, a.GetOperation())
	}
	return m
}

// make makes the machine, or the place where people work: that one knows nothing when its driver starts anew.
func (m *machine) make() {
	if m.sim != nil {
		return
	}
	made, err := m.kind.New(m.env, nil)
	if err != nil {
		m.w.fail("%s: %v", m.id, err)
	}
	m.dev = made.(drivers.Stepping)
	m.sim, _ = made.(*sim.Device)
}

// boot starts the driver's process.
func (m *machine) boot() {
	w := m.w
	m.make()
	m.life++
	off, luck := w.clockOff, w.luck("driver "+m.id)
	m.witness = newWitness(m)
	host, err := drivers.NewStepped(m.kind, m.env, m.witness, &line{m: m, life: m.life}, m.last,
		func() time.Time { return w.wall().Add(off) }, func(d time.Duration) time.Duration { return time.Duration(luck.Float() * float64(d)) })
	if err != nil {
		w.fail("%s: %v", m.id, err)
	}
	m.host, m.link = host, false
	m.relink()
	m.plan(0)
}

// die ends the driver's process; another one is started later.
func (m *machine) die(away time.Duration) {
	if m.host == nil {
		return
	}
	m.w.trace("the driver of %s dies", m.id)
	m.last = m.host.Epoch()
	m.host = nil
	m.w.in(away, m.boot)
}

// relink lets the driver notice that the bus can be reached, if it can.
func (m *machine) relink() {
	w := m.w
	w.in(time.Duration(w.luck("link").Exponential(float64(300*time.Millisecond))), func() {
		if m.host != nil && !m.link && w.leader != nil && w.now >= m.cut {
			m.link = true
			w.trace("%s reaches the bus", m.id)
			m.host.Link(true)
			m.plan(0)
		}
	})
}

// unlink lets it notice that the bus is lost.
func (m *machine) unlink() {
	if m.host != nil && m.link {
		m.link, m.witness.welcome = false, false
		m.line++
		m.w.trace("%s loses the bus", m.id)
		m.host.Link(false)
		m.plan(0)
	}
}

// isolate keeps the driver from the bus for a while.
func (m *machine) isolate(long time.Duration) {
	w := m.w
	m.cut = max(m.cut, w.now+long)
	w.in(time.Duration(w.luck("link").Exponential(float64(time.Second))), func() { // what is sent before is lost
		if w.now < m.cut {
			m.unlink()
		}
	})
	w.at(m.cut, m.relink)
}

// plan enters a step of the driver.
func (m *machine) plan(after time.Duration) {
	m.turn++
	turn := m.turn
	m.w.in(after, func() {
		if turn == m.turn {
			m.step()
		}
	})
}

func (m *machine) step() {
	m.look()
	if m.host == nil {
		return
	}
	wall, floor := m.host.Step()
	m.look()
	m.witness.stepped()
	m.haunt()
	if floor >= 0 {
		wall = min(wall, m.w.wallFor(floor))
	}
	m.plan(max(wall, 100*time.Microsecond))
}

// look notes what the machine has physically done.
func (m *machine) look() {
	if m.sim == nil {
		return
	}
	w := m.w
	before := dawn.Add(m.looked * time.Duration(w.plan.Scale)).Add(m.time.off)
	if m.clock.Before(before) { // it has been set since
		before = m.clock
	}
	m.looked, m.clock = w.now, m.time.Now()
	begun, known := m.sim.Motions()
	for _, k := range known {
		r := w.books.find(k.Run)
		if k.Begun && begun > m.begun && (r == nil || !r.begun || k.Moves) {
			m.begun++
			w.books.begins(m.id, k.Run, k.Fence, before)
			r = w.books.find(k.Run)
		}
		if r != nil && k.Begun {
			if k.Made < r.made {
				w.fail("%s had made %d pieces of %s and now %d", m.id, r.made, k.Run, k.Made)
			}
			r.made, r.spoiled = k.Made, k.Spoiled
		}
	}
	if begun != m.begun {
		w.fail("%s has begun %d runs, of which %d were seen", m.id, begun, m.begun)
	}
}

// inject lets the machine have a fault.
func (m *machine) inject(f sim.Fault) {
	if m.sim == nil {
		return
	}
	m.look()
	if f.Trouble == sim.Reboot {
		for _, r := range m.w.books.all {
			if r.device == m.id && r.begun && !r.ended {
				r.forgotten = true
			}
		}
	}
	m.w.trace("%s: %s", m.id, f.Trouble)
	m.sim.Inject(f)
	m.look()
	m.plan(0)
}

// knows returns what somebody sees at the machine of a run: nil if it knows nothing of it, or if there is none but a person.
func (m *machine) knows(run string) *sim.Motion {
	if m.sim == nil {
		return nil
	}
	m.look()
	_, known := m.sim.Motions()
	for i := range known {
		if known[i].Run == run {
			return &known[i]
		}
	}
	return nil
}

// carry brings a message from or to the driver: late, twice, or not at all.
func (m *machine) carry(deliver func()) {
	w := m.w
	luck := w.luck("net " + m.id)
	loss, twice, late, delay := luck.Below(1000), luck.Below(1000), luck.Below(1000), luck.Float()
	if w.now < m.cut {
		return
	}
	if !w.inTrouble() {
		w.in(time.Duration(delay*float64(2*time.Millisecond)), deliver)
		return
	}
	if loss < w.plan.Loss {
		return
	}
	line, given := m.line, deliver
	deliver = func() {
		if m.line == line {
			given()
		}
	}
	long := time.Duration(delay * float64(w.plan.Delay))
	if late < w.plan.Straggle {
		long += time.Duration(luck.Exponential(float64(2 * time.Second)))
	}
	w.in(long, deliver)
	if twice < w.plan.Twice {
		w.in(long+time.Duration(luck.Exponential(float64(500*time.Millisecond))), deliver)
	}
}

// order is an order that has arrived.
func (m *machine) order(o *driverv1.Order, answered func(*driverv1.Answer)) {
	if m.host == nil || m.w.now < m.cut {
		return
	}
	m.look()
	if g := o.GetGrant(); g != nil && m.sim != nil && m.w.inTrouble() && m.w.luck("cannot "+m.id).Below(40) == 0 {
		o = proto.CloneOf(o)
		o.GetGrant().Operation = "fold" // it refuses for good what it cannot do
	}
	a := m.host.Order(o)
	m.w.trace("  %s is told %v and answers %v", m.id, o, a)
	m.witness.answered(o, a)
	m.comesLate(o, a)
	answered(a)
	m.plan(0)
}

// line is the bus as one life of a driver sees it.
type line struct {
	m    *machine
	life int
}

// Hello implements drivers.SteppedBus.
func (l *line) Hello(h *driverv1.Hello, answered func(*driverv1.Welcome, error)) {
	m, body := l.m, proto.CloneOf(h)
	m.carry(func() {
		for _, d := range m.w.daemons {
			d.enter(func() {
				d.hello(m, proto.CloneOf(body), func(w *driverv1.Welcome) {
					m.w.trace("  %s welcomes %s: %v", d.label, m.id, w)
					off := w.GetNow().AsTime().Sub(m.w.floorTime())
					m.carry(func() {
						if m.host != nil && m.life == l.life && m.link {
							if !m.welcomedByGhost(answered) {
								m.time.next = off + m.fast
								m.witness.welcomed(w)
								answered(w, nil)
							}
							m.plan(0)
						}
					})
				})
			})
		}
	})
}

// Publish implements drivers.SteppedBus.
func (l *line) Publish(s *driverv1.Status) {
	m, body := l.m, proto.CloneOf(s)
	m.carry(func() {
		for _, d := range m.w.daemons {
			d.enter(func() {
				m.w.trace("  %s hears %v of %s", d.label, body, m.id)
				d.status(m, proto.CloneOf(body))
			})
		}
	})
}
