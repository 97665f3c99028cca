package order

import "math"

// chance is the only source of chance of a search: SplitMix64 (Steele, Lea & Flood 2014, "Fast splittable pseudorandom number
// generators"). It is held by value, so that a search begun twice with one seed is the same search.
type chance struct{ state uint64 }

func (c *chance) next() uint64 {
	c.state += 0x9e3779b97f4a7c15
	z := c.state
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// below gives a number in [0, n), n > 0. The bias of the multiplication is n/2^32, of no account here.
func (c *chance) below(n int) int {
	return int(c.next() >> 32 * uint64(n) >> 32)
}

// float gives a number in [0, 1).
func (c *chance) float() float64 {
	return float64(c.next()>>11) / (1 << 53)
}

// normal gives a number of the standard normal distribution (Box & Muller 1958).
func (c *chance) normal() float64 {
	u := 1 - c.float()
	return math.Sqrt(-2*math.Log(u)) * math.Cos(2*math.Pi*c.float())
}

func (c *chance) shuffle(of []int32) {
	for i := len(of) - 1; i > 0; i-- {
		j := c.below(i + 1)
		of[i], of[j] = of[j], of[i]
	}
}
