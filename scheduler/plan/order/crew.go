package order

import (
	"slices"

	"tandem/scheduler/plan/problem"
)

// crew is how many operators are still free from each point in time on, until the next point.
type crew struct {
	from []tick
	free []int32
}

func (c *crew) reset(windows []problem.Window) {
	c.from, c.free = c.from[:0], c.free[:0]
	for _, w := range windows {
		c.from = append(c.from, w.From)
		c.free = append(c.free, int32(w.Operators))
	}
}

func (c *crew) copy(of *crew) {
	c.from = append(c.from[:0], of.from...)
	c.free = append(c.free[:0], of.free...)
}

// at is the place of the window that holds t, -1: before the first one.
func (c *crew) at(t tick) int {
	lo, hi := 0, len(c.from)
	for lo < hi {
		if mid := (lo + hi) / 2; c.from[mid] <= t {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return lo - 1
}

// earliest is the first time from t on at which an operator is free for length ticks, Never if there is none.
func (c *crew) earliest(t, length tick) tick {
	if length == 0 {
		return t
	}
	i := c.at(t)
	if i < 0 {
		if len(c.from) == 0 {
			return problem.Never
		}
		i, t = 0, c.from[0]
	}
	for j := i; ; j++ {
		if j == len(c.from) || j > i && c.from[j] >= t+length {
			return t
		}
		if c.free[j] > 0 {
			continue
		}
		for j < len(c.from) && c.free[j] <= 0 {
			j++
		}
		if j == len(c.from) {
			return problem.Never
		}
		i, t = j, c.from[j]
	}
}

// take books an operator who is known to be free.
func (c *crew) take(t, length tick) {
	if length == 0 {
		return
	}
	i := c.split(t)
	j := c.split(t + length)
	for ; i < j; i++ {
		c.free[i]--
	}
}

// split makes t the beginning of a window and gives its place.
func (c *crew) split(t tick) int {
	i := c.at(t)
	if i >= 0 && c.from[i] == t {
		return i
	}
	free := int32(0)
	if i >= 0 {
		free = c.free[i]
	}
	c.from = slices.Insert(c.from, i+1, t)
	c.free = slices.Insert(c.free, i+1, free)
	return i + 1
}
