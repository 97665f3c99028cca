package learn

import "math"

// Prior is what is assumed of an operation before a run was seen, as standard deviations of log-ratios: 0.1 is about
// 10 %. The factor assumed is 1: the physical model is right until shown to be wrong.
type Prior struct {
	Between float64 // of a device's factor
	Within  float64 // of the runs of one device and mode
}

// bounded returns p with spreads that can be reckoned with: from 0.01 to 2, and what is not a number as 2.
func (p Prior) bounded() Prior {
	bound := func(v float64) float64 {
		if math.IsNaN(v) {
			return 2
		}
		return min(max(v, 0.01), 2)
	}
	return Prior{Between: bound(p.Between), Within: bound(p.Within)}
}

// Assumed returns the prior of an operation: wide, so that a first answer rather says too little than too much. The
// figures are our own choice, no source.
func Assumed(operation string) Prior {
	switch operation {
	case "dry": // a rule sets the end, not a machine
		return Prior{Between: 0.25, Within: 0.12}
	case "print", "laminate": // the machine sets the pace
		return Prior{Between: 0.4, Within: 0.25}
	case "cut": // the machine does, but by what it finds: marks, corners
		return Prior{Between: 0.4, Within: 0.3}
	default: // the shop's own operations: hands set the pace
		return Prior{Between: 0.5, Within: 0.4}
	}
}

// priorFreedom is how many runs the assumed spreads are worth.
const priorFreedom = 3

// Relation says where the expectation came from that the runs of a key are held against.
type Relation int

// The relations, from none to nearest.
const (
	Nobody          Relation = iota // nothing is known but what is assumed of the operation
	OtherOperations                 // of the same device
	OtherDevices                    // in the same operation
	OtherModes                      // of the same device and operation
)

// kinShare is the part of the variance assumed between devices that remains once such a relative is known.
func (r Relation) kinShare() float64 {
	switch r {
	case OtherModes:
		return 0.25
	case OtherDevices:
		return 0.5
	case OtherOperations:
		return 0.8
	default:
		return 1
	}
}

// sums are over keys and whole, so that adding and taking away is exact: log-ratios in millionths.
type sums struct {
	weight    int64 // fullWeight for a well-known key
	locations int64 // weight * median
	squares   int64 // weight * median^2
	freedom   int64 // degrees of freedom, at most fullWeight-1 for a key
	variances int64 // freedom * variance
}

// fullWeight is after how many runs a key counts in full among its relatives.
const fullWeight = 8

func (s summary) sums() sums {
	n := int64(len(s.kept))
	if n == 0 {
		return sums{}
	}
	whole := int64(math.Round(median(s.kept) * one))
	w := min(n, fullWeight)
	out := sums{weight: w, locations: w * whole, squares: w * whole * whole}
	if n > 1 {
		out.freedom = w - 1
		out.variances = out.freedom * int64(math.Round(s.squares/float64(n-1)*one*one))
	}
	return out
}

func (s sums) plus(o sums, sign int64) sums {
	return sums{
		weight: s.weight + sign*o.weight, locations: s.locations + sign*o.locations, squares: s.squares + sign*o.squares,
		freedom: s.freedom + sign*o.freedom, variances: s.variances + sign*o.variances,
	}
}

type pair struct{ device, operation string }

// kin holds the sums over the keys that have something in common.
type kin struct {
	devices    map[string]sums
	operations map[string]sums
	pairs      map[pair]sums
}

func newKin() kin {
	return kin{devices: map[string]sums{}, operations: map[string]sums{}, pairs: map[pair]sums{}}
}

func (k kin) replace(key Key, was, is sums) {
	change := is.plus(was, -1)
	replace(k.devices, key.Device, change)
	replace(k.operations, key.Operation, change)
	replace(k.pairs, pair{key.Device, key.Operation}, change)
}

func replace[K comparable](m map[K]sums, key K, change sums) {
	if now := m[key].plus(change, 1); now != (sums{}) {
		m[key] = now
	} else {
		delete(m, key)
	}
}

// expectation is the prior of one key.
type expectation struct {
	location float64 // of the log-ratio
	between  float64 // variance of the key's own location about it
	within   float64 // variance of its runs
	from     Relation
}

// expect returns what the nearest relatives of a key, itself left out, let expect. Two well-known ones are believed even if
// they are farther apart than was assumed; less than that only if it narrows what was assumed.
func (k kin) expect(key Key, self sums, prior Prior) expectation {
	here := k.pairs[pair{key.Device, key.Operation}]
	operation := k.operations[key.Operation]
	e := expectation{between: prior.Between * prior.Between}
	assumed := e.between
	for _, relative := range [...]struct {
		from Relation
		sums sums
	}{
		{OtherModes, here.plus(self, -1)},
		{OtherDevices, operation.plus(here, -1)},
		{OtherOperations, k.devices[key.Device].plus(here, -1)},
	} {
		if relative.sums.weight == 0 {
			continue
		}
		told := relative.sums.tell(assumed, relative.from)
		if relative.sums.weight >= 2*fullWeight && relative.from != OtherOperations {
			e = told
			break
		}
		if told.between < e.between {
			e = told
		}
	}
	e.within = operation.plus(self, -1).spread(prior.Within)
	return e
}

// tell returns what relatives let expect of the location of one more of their kind.
func (s sums) tell(assumed float64, from Relation) expectation {
	count := float64(s.weight) / fullWeight
	location := float64(s.locations) / float64(s.weight)
	apart := max(0, float64(s.squares)-location*float64(s.locations)) / fullWeight / (one * one)
	tau2 := (priorFreedom*from.kinShare()*assumed + apart) / (priorFreedom + max(0, count-1))
	return expectation{location: location / one, between: tau2 * (1 + 1/count), from: from}
}

// spread returns the variance to be expected of the runs of one key where others of the operation have the sums s.
func (s sums) spread(within float64) float64 {
	return (priorFreedom*within*within + float64(s.variances)/(one*one)) / (priorFreedom + float64(s.freedom))
}
