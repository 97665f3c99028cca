package layout

import "tandem/scheduler/chance"

// below returns a number in [0, n), n > 0. For the small n of a search the bias of the remainder does not matter.
func below(r *chance.Stream, n int) int { return int(r.Uint64() % uint64(n)) }
