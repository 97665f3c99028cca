package line

// station is the state of a station.
type station struct {
	Station
	index    int
	busy     int     // servers with a customer, those kept from the next one with them
	waiting  []queue // by source
	blocked  queue   // customers at the station before that wait for room here
	queued   tally
	occupied tally
}

// here returns how many customers are at the station.
func (s *station) here() int { return s.busy + int(s.queued.count) }

// queue is first in, first out: a ring whose length is a power of two.
type queue struct {
	ring []int32
	head int
	size int
}

func (q *queue) push(x int32) {
	if q.size == len(q.ring) {
		bigger := make([]int32, max(2*len(q.ring), 8))
		for i := range q.size {
			bigger[i] = q.ring[(q.head+i)&(len(q.ring)-1)]
		}
		q.ring, q.head = bigger, 0
	}
	q.ring[(q.head+q.size)&(len(q.ring)-1)] = x
	q.size++
}

func (q *queue) pop() (int32, bool) {
	if q.size == 0 {
		return 0, false
	}
	x := q.ring[q.head]
	q.head = (q.head + 1) & (len(q.ring) - 1)
	q.size--
	return x, true
}

// tally is a count and its integral over time.
type tally struct {
	count int64
	since int64
	area  int64
}

func (t *tally) add(now, n int64) {
	t.area += t.count * (now - t.since)
	t.since = now
	t.count += n
}
