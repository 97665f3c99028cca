// Package line plays a bare queueing network: stations in series with some servers each, with general times, limited room,
// priorities, or customers that go round. It knows nothing of jobs, panels or people. It answers rough questions before
// anything is measured ("how many cutters can one person tend?"), and because such lines have known answers it shows that
// the kernel under all simulations here is right.
//
// The package is pure: chance comes from a seed, and the same input gives the same answer.
package line

import (
	"errors"
	"fmt"

	"tandem/scheduler/chance"
	"tandem/scheduler/simulate/agenda"
)

// Line is what is played. Times are in a unit of the caller's choice.
type Line struct {
	// Sources send customers to the first station. Those of one source are served in the order of their arrival; where
	// several wait, those of an earlier source go first. Nobody is interrupted.
	Sources []Source
	// Round is a number of customers that go round: after the last station they come to the first again. It is given
	// instead of sources. All begin at the first station.
	Round int
	// Stations are passed in this order.
	Stations []Station
}

// Source is where customers come from.
type Source struct {
	Gap  Time // from one to the next
	Most int  // so many come, and no more; 0: without end
}

// Station is a place with servers that work side by side and one queue.
type Station struct {
	Servers int
	Service Time
	// Room is how many customers may be here, those being served with them; 0: any number. Who comes from outside and finds
	// no room is lost; who comes from another station waits there, and keeps its server from the next one.
	Room int
}

// Time draws a length of time.
type Time func(*chance.Stream) float64

// Options say how long is played.
type Options struct {
	Seed   uint64
	Served int // customers that leave the line (or its last station) before the window ends; required
	WarmUp int // customers that leave before the window begins

	// Waited is called for each customer that a station takes on within the window. Nil: not at all.
	Waited func(station, source int, wait float64)
}

// resolution is how many parts of a unit of time are told apart: times are whole numbers inside, so that counts are exact.
const resolution = 1_000_000_000

// mostInside bounds what a line holds, so that one that fills up is an error and not the end of the memory.
const mostInside = 1_000_000

func (l *Line) check(opt Options) error {
	switch {
	case len(l.Stations) == 0:
		return errors.New("a line needs stations")
	case l.Round < 0 || (l.Round == 0) == (len(l.Sources) == 0):
		return errors.New("a line needs either sources or customers that go round")
	case opt.Served <= opt.WarmUp || opt.WarmUp < 0:
		return fmt.Errorf("%d customers are to be served after %d of warm-up: more are needed", opt.Served, opt.WarmUp)
	}
	for i, s := range l.Sources {
		if s.Gap == nil {
			return fmt.Errorf("source %d has no gap", i)
		}
	}
	for i, s := range l.Stations {
		switch {
		case s.Servers < 1 || s.Service == nil:
			return fmt.Errorf("station %d has %d servers or no service time", i, s.Servers)
		case s.Room != 0 && s.Room < s.Servers:
			return fmt.Errorf("station %d has room for %d and %d servers", i, s.Room, s.Servers)
		case l.Round > 0 && s.Room != 0:
			return fmt.Errorf("station %d has limited room: customers that go round could block one another for ever", i)
		}
	}
	return nil
}

// event is the arrival of a customer from a source, or the end of a service.
type event struct {
	station  int32 // arrival: -1
	customer int32 // arrival: the source
}

type play struct {
	line     Line
	opt      Options
	chance   *chance.Stream
	now      int64
	agenda   agenda.Agenda[event]
	stations []station
	people   []customer
	unused   []int32 // places in people
	sent     []int   // customers, by source
	inside   tally
	from     int64 // when the window began
	left     int   // customers that left, since the beginning
	out      *Result
}

// customer is somebody in the line.
type customer struct {
	source  int32
	done    bool  // its service here has ended, it waits for room at the next station
	arrived int64 // in the line
	here    int64 // at the station
}

// Run plays the line.
func Run(l Line, opt Options) (*Result, error) {
	if err := l.check(opt); err != nil {
		return nil, fmt.Errorf("line: %w", err)
	}
	p := &play{
		line: l, opt: opt, chance: chance.New(opt.Seed), stations: make([]station, len(l.Stations)), sent: make([]int, len(l.Sources)),
		out: &Result{Sources: make([]SourceResult, max(len(l.Sources), 1)), Stations: make([]StationResult, len(l.Stations))},
	}
	for i := range p.stations {
		p.stations[i] = station{Station: l.Stations[i], index: i, waiting: make([]queue, max(len(l.Sources), 1))}
	}
	if opt.WarmUp == 0 {
		p.open()
	}
	for i := range l.Sources {
		p.agenda.Add(p.in(l.Sources[i].Gap), event{-1, int32(i)})
	}
	for range l.Round {
		p.arrive(0, p.enter(0))
	}
	for p.left < opt.Served {
		at, e, ok := p.agenda.Take()
		if !ok {
			return nil, fmt.Errorf("line: comes to a stand after %d customers", p.left)
		}
		p.now = at
		p.out.Events++
		if e.station >= 0 {
			p.finish(e.customer, int(e.station))
			continue
		}
		source := &l.Sources[e.customer]
		if p.sent[e.customer]++; source.Most == 0 || p.sent[e.customer] < source.Most {
			p.agenda.Add(p.in(source.Gap), e)
		}
		if len(p.people)-len(p.unused) > mostInside {
			return nil, fmt.Errorf("line: more than %d customers are in it at %g: they come faster than they are served", mostInside, float64(p.now)/resolution)
		}
		if s := &p.stations[0]; s.Room > 0 && s.here() >= s.Room {
			p.out.Sources[e.customer].Lost++
			continue
		}
		p.arrive(0, p.enter(e.customer))
	}
	p.close()
	return p.out, nil
}

// in returns the time that lies a drawn length ahead. Lengths below 0 count as 0.
func (p *play) in(t Time) int64 { return p.now + int64(max(t(p.chance), 0)*resolution) }

// enter takes a customer into the line.
func (p *play) enter(source int32) int32 {
	p.out.Sources[source].Arrived++
	p.inside.add(p.now, 1)
	c := customer{source: source, arrived: p.now}
	if n := len(p.unused); n > 0 {
		i := p.unused[n-1]
		p.unused = p.unused[:n-1]
		p.people[i] = c
		return i
	}
	p.people = append(p.people, c)
	return int32(len(p.people) - 1)
}

// arrive brings a customer to a station that has room.
func (p *play) arrive(at int, who int32) {
	s, c := &p.stations[at], &p.people[who]
	c.here, c.done = p.now, false
	if s.busy < s.Servers {
		p.serve(s, who)
		return
	}
	s.queued.add(p.now, 1)
	s.waiting[c.source].push(who)
}

// serve begins a service.
func (p *play) serve(s *station, who int32) {
	s.occupied.add(p.now, 1)
	s.busy++
	c := &p.people[who]
	r := &p.out.Stations[s.index]
	r.Begun++
	r.waited += p.now - max(c.here, p.from)
	if p.opt.Waited != nil && p.counting() {
		p.opt.Waited(s.index, int(c.source), float64(p.now-c.here)/resolution)
	}
	p.agenda.Add(p.in(s.Service), event{int32(s.index), who})
}

// finish ends a service: the customer goes on if there is room, else it stays on its server.
func (p *play) finish(who int32, at int) {
	if next := at + 1; next < len(p.stations) {
		if n := &p.stations[next]; n.Room > 0 && n.here() >= n.Room {
			p.people[who].done = true
			n.blocked.push(who)
			return
		}
		p.vacate(at)
		p.arrive(next, who)
		return
	}
	p.vacate(at)
	p.leave(who)
}

// vacate frees a server, and the room its customer took: the next one in the queue is served, and one that was kept waiting
// at the station before comes in.
func (p *play) vacate(at int) {
	s := &p.stations[at]
	s.occupied.add(p.now, -1)
	s.busy--
	for i := range s.waiting {
		if who, ok := s.waiting[i].pop(); ok {
			s.queued.add(p.now, -1)
			p.serve(s, who)
			break
		}
	}
	if who, ok := s.blocked.pop(); ok {
		// Its server is free only once it has come in, so that room is given on from the end of the line to its beginning.
		p.arrive(at, who)
		p.vacate(at - 1)
	}
}

// leave takes a customer out of the line, or sends it round.
func (p *play) leave(who int32) {
	c := &p.people[who]
	r := &p.out.Sources[c.source]
	r.Left++
	r.stays += p.now - max(c.arrived, p.from)
	p.inside.add(p.now, -1)
	p.left++
	if p.left == p.opt.WarmUp {
		p.open()
	}
	source := c.source
	c.arrived = -1
	p.unused = append(p.unused, who)
	if p.line.Round > 0 {
		p.arrive(0, p.enter(source))
	}
}
