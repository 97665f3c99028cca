package line

// Result is what happened within the window.
type Result struct {
	Length   float64 // of the window
	Events   int     // that were played, the warm-up with them
	Sources  []SourceResult
	Stations []StationResult

	// Area is the integral of the number of customers in the line over the window, and Stays the sum of the times that
	// customers were in the line within it, both in parts of a unit of time: two counts of the same thing.
	Area, Stays int64
}

// SourceResult is how the customers of a source fared.
type SourceResult struct {
	Arrived int // that came in
	Lost    int // that found no room
	Left    int // that left the line
	stays   int64
}

// StationResult is what a station did.
type StationResult struct {
	Begun  int // services
	waited int64
	queue  int64 // integrals
	busy   int64
}

// counting says whether the window has begun.
func (p *play) counting() bool { return p.opt.WarmUp == 0 || p.left >= p.opt.WarmUp }

// open begins the window: everything is counted from here.
func (p *play) open() {
	p.from = p.now
	p.inside.add(p.now, 0)
	p.inside.area = 0
	for i := range p.stations {
		s := &p.stations[i]
		s.queued.add(p.now, 0)
		s.occupied.add(p.now, 0)
		s.queued.area, s.occupied.area = 0, 0
		p.out.Stations[i] = StationResult{}
	}
	clear(p.out.Sources)
}

// close ends the window: who is still there is counted up to here.
func (p *play) close() {
	p.inside.add(p.now, 0)
	p.out.Length = float64(p.now-p.from) / resolution
	p.out.Area = p.inside.area
	for i := range p.stations {
		s, r := &p.stations[i], &p.out.Stations[i]
		s.queued.add(p.now, 0)
		s.occupied.add(p.now, 0)
		r.queue, r.busy = s.queued.area, s.occupied.area
	}
	for _, c := range p.people {
		if c.arrived >= 0 {
			p.out.Sources[c.source].stays += p.now - max(c.arrived, p.from)
		}
	}
	for _, s := range p.out.Sources {
		p.out.Stays += s.stays
	}
}

// Number returns the mean number of customers in the line.
func (r *Result) Number() float64 { return float64(r.Area) / resolution / r.Length }

// Stay returns the mean time that a customer is in the line: what its customers spent there within the window, by how many
// left in it.
func (r *Result) Stay() float64 {
	left := 0
	for _, s := range r.Sources {
		left += s.Left
	}
	return float64(r.Stays) / resolution / float64(left)
}

// Queue returns the mean number that wait at a station, not served.
func (r *Result) Queue(station int) float64 {
	return float64(r.Stations[station].queue) / resolution / r.Length
}

// Busy returns the mean number of servers of a station that have a customer.
func (r *Result) Busy(station int) float64 {
	return float64(r.Stations[station].busy) / resolution / r.Length
}

// Wait returns the mean time that a customer waits at a station before it is served there.
func (r *Result) Wait(station int) float64 {
	return float64(r.Stations[station].waited) / resolution / float64(r.Stations[station].Begun)
}

// Lost returns the share of customers that found no room.
func (r *Result) Lost() float64 {
	lost, all := 0, 0
	for _, s := range r.Sources {
		lost += s.Lost
		all += s.Lost + s.Arrived
	}
	return float64(lost) / float64(all)
}
