package layout

// lowerBound returns a height below which the entries cannot be packed: the largest of
//
//   - the area divided by the width, rounded up (L1);
//   - the largest height of one item, each taken the way in which it is lowest;
//   - the sum of those heights over the items that are wider than half the strip in every way, because no two of them lie
//     side by side.
//
// All three are simple consequences of the definition.
func lowerBound(width int64, entries []entry) int64 {
	var area, highest, stacked int64
	for i := range entries {
		e := &entries[i]
		area += e.area * int64(e.count)
		low := e.shapes[0].h
		if e.turns == 2 {
			low = min(low, e.shapes[1].h)
		}
		highest = max(highest, low)
		if e.least > width/2 {
			stacked += low * int64(e.count)
		}
	}
	return max(ceilDiv(area, width), highest, stacked)
}
