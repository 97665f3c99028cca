package order

import "tandem/scheduler/chance"

// shuffle puts numbers into a random order.
func shuffle(s *chance.Stream, of []int32) {
	for i := len(of) - 1; i > 0; i-- {
		j := s.Below(i + 1)
		of[i], of[j] = of[j], of[i]
	}
}
