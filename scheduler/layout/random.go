package layout

// random is the splitmix64 generator (Steele, Lea, Flood: Fast Splittable Pseudorandom Number Generators, OOPSLA 2014;
// constants of the public-domain C version by Vigna, from memory). It lives here because chance enters the scheduler
// only as a seed: the same seed gives the same numbers on every machine and with every Go version.
type random struct{ state uint64 }

func (r *random) next() uint64 {
	r.state += 0x9e3779b97f4a7c15
	z := r.state
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	return z ^ (z >> 31)
}

// below returns a number in [0, n), n > 0. For the small n of a search the bias of the remainder does not matter.
func (r *random) below(n int) int { return int(r.next() % uint64(n)) }
