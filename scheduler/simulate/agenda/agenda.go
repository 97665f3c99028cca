// Package agenda keeps what is going to happen in a simulation, in the order of time: the one event kernel of all
// simulations here. It knows neither what happens nor what a unit of time is, and it runs nothing itself.
package agenda

// Agenda holds events of type E. The zero value is empty. It is not safe for concurrent use.
type Agenda[E any] struct {
	heap    []entry[E] // each entry before its two children, at 2i+1 and 2i+2
	entered uint64
	hole    bool // the first entry has been taken and not been filled yet
}

// entry orders events by time, then by when they were entered, so that what is entered first at a moment happens first.
type entry[E any] struct {
	at   int64
	turn uint64
	what E
}

func (e *entry[E]) before(o *entry[E]) bool {
	return e.at < o.at || (e.at == o.at && e.turn < o.turn)
}

// Len returns how many events are to come.
func (a *Agenda[E]) Len() int {
	if a.hole {
		return len(a.heap) - 1
	}
	return len(a.heap)
}

// Add enters an event for a time. In what unit and from when time counts is the caller's choice.
func (a *Agenda[E]) Add(at int64, what E) {
	a.entered++
	e := entry[E]{at: at, turn: a.entered, what: what}
	if a.hole { // most events enter another one while they happen: it takes their place
		a.hole = false
		a.sink(e)
		return
	}
	a.heap = append(a.heap, e)
	i := len(a.heap) - 1
	for i > 0 {
		parent := (i - 1) / 2
		if !e.before(&a.heap[parent]) {
			break
		}
		a.heap[i] = a.heap[parent]
		i = parent
	}
	a.heap[i] = e
}

// Next returns the time of the next event; false if there is none.
func (a *Agenda[E]) Next() (at int64, ok bool) {
	a.close()
	if len(a.heap) == 0 {
		return 0, false
	}
	return a.heap[0].at, true
}

// Take takes the next event off; false if there is none.
func (a *Agenda[E]) Take() (at int64, what E, ok bool) {
	a.close()
	if len(a.heap) == 0 {
		return 0, what, false
	}
	a.hole = true
	at, what = a.heap[0].at, a.heap[0].what
	return at, what, true
}

// close fills the place of the event that was taken last.
func (a *Agenda[E]) close() {
	if !a.hole {
		return
	}
	a.hole = false
	last := len(a.heap) - 1
	e := a.heap[last]
	a.heap[last] = entry[E]{} // lets go of what it points at
	a.heap = a.heap[:last]
	if last > 0 {
		a.sink(e)
	}
}

// sink puts e where it belongs, from the first place on down.
func (a *Agenda[E]) sink(e entry[E]) {
	h, i := a.heap, 0
	for {
		child := 2*i + 1
		if child >= len(h) {
			break
		}
		if other := child + 1; other < len(h) && h[other].before(&h[child]) {
			child = other
		}
		if !h[child].before(&e) {
			break
		}
		h[i] = h[child]
		i = child
	}
	h[i] = e
}
