package graph

// chance is the only source of chance of a search: SplitMix64 (Steele, Lea & Flood 2014, "Fast splittable pseudorandom number
// generators").
type chance struct{ state uint64 }

func (c *chance) next() uint64 {
	c.state += 0x9e3779b97f4a7c15
	z := c.state
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// below gives a number in [0, n), n > 0. The bias of the multiplication is n/2^32, of no account here.
func (c *chance) below(n int32) int32 {
	return int32(c.next() >> 32 * uint64(n) >> 32)
}

// float gives a number in [0, 1).
func (c *chance) float() float64 { return float64(c.next()>>11) / (1 << 53) }
