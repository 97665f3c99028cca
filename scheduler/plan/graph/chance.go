package graph

import "tandem/scheduler/chance"

// below gives a number in [0, n), n > 0.
func below(s *chance.Stream, n int32) int32 { return int32(s.Below(int(n))) }
