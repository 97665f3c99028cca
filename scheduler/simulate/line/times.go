package line

import "tandem/scheduler/chance"

// Fixed is always the same.
func Fixed(t float64) Time { return func(*chance.Stream) float64 { return t } }

// Exponential has no memory: its squared coefficient of variation is 1.
func Exponential(mean float64) Time {
	return func(s *chance.Stream) float64 { return s.Exponential(mean) }
}

// Uniform lies anywhere between low and high.
func Uniform(low, high float64) Time {
	return func(s *chance.Stream) float64 { return low + (high-low)*s.Uniform() }
}

// Erlang is the sum of n exponential parts: its squared coefficient of variation is 1/n.
func Erlang(n int, mean float64) Time {
	return func(s *chance.Stream) float64 {
		sum := 0.0
		for range n {
			sum += s.Exponential(mean / float64(n))
		}
		return sum
	}
}

// Mixed is exponential with one of two means, drawn with that share for the first.
func Mixed(share, first, second float64) Time {
	return func(s *chance.Stream) float64 {
		if s.Uniform() < share {
			return s.Exponential(first)
		}
		return s.Exponential(second)
	}
}
