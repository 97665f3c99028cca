package learn

import (
	"math"
	"slices"
)

const (
	changeSignificance = 0.001
	robustDeviations   = 4        // beyond which a run may be an accident
	accidentLog        = math.Ln2 // and beyond which it must be: a factor of 2
	madToDeviation     = 1.482602 // 1/quantile of the normal at 3/4
	leastForAccident   = 5        // runs, below which nobody can say which one is the odd one
)

// summary is what a ring says.
type summary struct {
	kept     []float64 // log-ratios that count, ascending
	setAside int       // accidents
	before   int       // runs in the ring from before the last change
	mean     float64   // of kept
	squares  float64   // sum of squared distances from mean
}

// summarize writes into buffer what ratios, oldest first, say of the key.
func summarize(buffer []float64, ratios []int32, prior Prior) summary {
	before := lastChange(ratios)
	sorted := slices.Clone(ratios[before:])
	slices.Sort(sorted)
	logs := buffer[:0]
	for _, r := range sorted {
		logs = append(logs, math.Log(float64(r)/one))
	}
	from, to := withoutAccidents(logs, prior)
	s := summary{before: before, setAside: len(logs) - (to - from)}
	// Moved to the front, the buffer keeps its room.
	s.kept = logs[:copy(logs, logs[from:to])]
	for _, y := range s.kept {
		s.mean += y
	}
	s.mean /= float64(max(len(s.kept), 1))
	for _, y := range s.kept {
		s.squares += (y - s.mean) * (y - s.mean)
	}
	return s
}

// lastChange returns how many of the oldest ratios are from before the last change.
func lastChange(ratios []int32) int {
	before := 0
	for {
		n := len(ratios) - before
		least := math.Log(2/changeSignificance) / 6 * float64(n*n*n+n*n) // of K^2
		if most := n / 2 * (n - n/2); float64(most*most) <= least {
			return before // too few to tell, or none
		}
		at, k := pettitt(ratios[before:])
		if float64(k*k) <= least {
			return before
		}
		before += at
	}
}

// pettitt returns after how many of at most ringSize values they most likely changed, if they did, and the K of that. Ties
// have middle ranks; ranks are doubled to stay whole.
func pettitt(values []int32) (at, k int) {
	n := len(values)
	var room [ringSize]int64
	order := room[:n] // value and place, in one number that sorts fast
	for i, v := range values {
		order[i] = int64(v)*ringSize + int64(i)
	}
	slices.Sort(order)
	var doubled [ringSize]int
	for i := 0; i < n; {
		j := i
		for j < n && order[j]/ringSize == order[i]/ringSize {
			j++
		}
		for _, o := range order[i:j] {
			doubled[o%ringSize] = i + j + 1 // twice the middle of ranks i+1 to j
		}
		i = j
	}
	u := 0
	for i, r := range doubled[:n] {
		u += r - (n + 1)
		if max(u, -u) > k {
			at, k = i+1, max(u, -u)
		}
	}
	return at, k
}

// withoutAccidents returns the part of ascending logs that counts.
func withoutAccidents(logs []float64, prior Prior) (from, to int) {
	n := len(logs)
	if n < leastForAccident {
		return 0, n
	}
	middle := median(logs)
	deviation := madToDeviation * medianDistance(logs, middle)
	known := float64(n)
	shrunk := math.Sqrt((priorFreedom*prior.Within*prior.Within + known*deviation*deviation) / (priorFreedom + known))
	limit := max(robustDeviations*shrunk, accidentLog)
	from, to = 0, n
	for from < n && middle-logs[from] > limit {
		from++
	}
	for to > from && logs[to-1]-middle > limit {
		to--
	}
	if n-(to-from) > max(1, n/4) {
		return 0, n
	}
	return from, to
}

func median(ascending []float64) float64 {
	n := len(ascending)
	return (ascending[(n-1)/2] + ascending[n/2]) / 2
}

// medianDistance returns the median distance of ascending values from middle, walking outwards from there.
func medianDistance(ascending []float64, middle float64) float64 {
	n := len(ascending)
	up, _ := slices.BinarySearch(ascending, middle)
	down := up - 1
	var last, distance float64
	for range n/2 + 1 {
		last = distance
		if down < 0 || up < n && ascending[up]-middle <= middle-ascending[down] {
			distance = ascending[up] - middle
			up++
		} else {
			distance = middle - ascending[down]
			down--
		}
	}
	if n%2 == 1 {
		return distance
	}
	return (last + distance) / 2
}
