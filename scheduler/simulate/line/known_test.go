package line

import (
	"fmt"
	"math"
	"testing"
)

// Known values of queueing theory. The formulas are in any textbook (D. Gross, C. M. Harris, Fundamentals of Queueing
// Theory; L. Kleinrock, Queueing Systems 1; from memory), the values were worked out from them apart from this program. A
// mean over replications must lie within four standard errors of its value, and the standard error must be small enough for
// that to say something.

const replications = 32

// most is the largest standard error, as a share of the value, with which a comparison says something.
func most() float64 {
	if raced {
		return 0.08
	}
	return 0.02
}

// customers returns how many are played.
func customers(n int) int {
	if raced {
		return n / 12
	}
	return n
}

type check struct {
	name    string
	want    float64
	measure func(*Result) float64
}

func verify(t *testing.T, l Line, served int, checks ...check) {
	t.Helper()
	served = customers(served)
	sums, squares := make([]float64, len(checks)), make([]float64, len(checks))
	for seed := range replications {
		r, err := Run(l, Options{Seed: uint64(seed) + 1, Served: served, WarmUp: served / 10})
		if err != nil {
			t.Fatal(err)
		}
		if r.Area != r.Stays {
			t.Errorf("seed %d: the integral of the number is %d, the sum of the stays %d", seed+1, r.Area, r.Stays)
		}
		for i, c := range checks {
			x := c.measure(r)
			sums[i] += x
			squares[i] += x * x
		}
	}
	for i, c := range checks {
		mean := sums[i] / replications
		deviation := math.Sqrt((squares[i] - sums[i]*mean) / (replications - 1))
		se := deviation / math.Sqrt(replications)
		if math.Abs(mean-c.want) > 4*se+0.00006 { // the values are printed with four places
			t.Errorf("%s is %.4f, want %.4f: %.1f standard errors off", c.name, mean, c.want, (mean-c.want)/se)
		}
		if se > most()*c.want {
			t.Errorf("%s has a standard error of %.2f %%: more customers are needed to say anything", c.name, 100*se/c.want)
		}
	}
}

func open(gap Time, stations ...Station) Line {
	return Line{Sources: []Source{{Gap: gap}}, Stations: stations}
}

func number(r *Result) float64 { return r.Number() }
func stay(r *Result) float64   { return r.Stay() }
func wait(r *Result) float64   { return r.Wait(0) }
func queued(r *Result) float64 { return r.Queue(0) }

// M/M/c with a mean service of 1: Lq = C*r/(1-r) with Erlang's C.
func TestServers(t *testing.T) {
	for _, v := range []struct {
		servers        int
		load           float64
		lq, wq, l, w   float64
		thirtyThousand int
	}{
		{1, 0.5, 0.5000, 1.0000, 1.0000, 2.0000, 1},
		{1, 0.8, 3.2000, 4.0000, 4.0000, 5.0000, 2},
		{2, 1.0, 0.3333, 0.3333, 1.3333, 1.3333, 1},
		{2, 1.6, 2.8444, 1.7778, 4.4444, 2.7778, 2},
		{2, 1.8, 7.6737, 4.2632, 9.4737, 5.2632, 5},
		{3, 2.0, 0.8889, 0.4444, 2.8889, 1.4444, 1},
		{3, 2.4, 2.5888, 1.0787, 4.9888, 2.0787, 2},
		{4, 3.0, 1.5283, 0.5094, 4.5283, 1.5094, 1},
		{5, 4.0, 2.2165, 0.5541, 6.2165, 1.5541, 2},
		{10, 6.0, 0.1519, 0.0253, 6.1519, 1.0253, 2},
		{10, 8.0, 1.6367, 0.2046, 9.6367, 1.2046, 2},
	} {
		t.Run(fmt.Sprintf("%d servers, load %g", v.servers, v.load), func(t *testing.T) {
			verify(t, open(Exponential(1/v.load), Station{Servers: v.servers, Service: Exponential(1)}), 30_000*v.thirtyThousand,
				check{"Lq", v.lq, queued}, check{"Wq", v.wq, wait}, check{"L", v.l, number}, check{"W", v.w, stay},
				check{"busy servers", v.load, func(r *Result) float64 { return r.Busy(0) }})
		})
	}
}

// With 2 servers and a load of 1.6 a customer waits longer than 1 with probability C*exp(-(c-a)) = 0.4767.
func TestTailOfWaiting(t *testing.T) {
	const want = 0.4767
	var sum, squares float64
	for seed := range replications {
		over, all := 0.0, 0.0
		_, err := Run(open(Exponential(1/1.6), Station{Servers: 2, Service: Exponential(1)}), Options{
			Seed: uint64(seed) + 1, Served: customers(50_000), WarmUp: customers(2000),
			Waited: func(_, _ int, wait float64) {
				all++
				if wait > 1 {
					over++
				}
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		sum += over / all
		squares += over / all * over / all
	}
	mean := sum / replications
	se := math.Sqrt((squares - sum*mean) / (replications - 1) / replications)
	if math.Abs(mean-want) > 4*se || se > most()*want {
		t.Errorf("P(Wq > 1) is %.4f with a standard error of %.4f, want %.4f", mean, se, want)
	}
}

// M/G/1 (Pollaczek and Khinchine): Wq = r*(1+c2)/(2*(1-r)) with c2 the squared coefficient of variation of the service.
func TestServiceTimes(t *testing.T) {
	// Two exponential parts with balanced means and c2 = 2: share (1+sqrt(1/3))/2.
	p := (1 + math.Sqrt(1.0/3)) / 2
	for _, v := range []struct {
		name     string
		load     float64
		service  Time
		wq, lq   float64
		thousand int
	}{
		{"fixed, load 0.5", 0.5, Fixed(1), 0.5000, 0.2500, 30},
		{"fixed, load 0.7", 0.7, Fixed(1), 1.1667, 0.8167, 30},
		{"fixed, load 0.8", 0.8, Fixed(1), 2.0000, 1.6000, 60},
		{"fixed, load 0.9", 0.9, Fixed(1), 4.5000, 4.0500, 150},
		{"c2 0.25, load 0.8", 0.8, Erlang(4, 1), 2.5000, 2.0000, 60},
		{"c2 2, load 0.8", 0.8, Mixed(p, 1/(2*p), 1/(2*(1-p))), 6.0000, 4.8000, 120},
	} {
		t.Run(v.name, func(t *testing.T) {
			verify(t, open(Exponential(1/v.load), Station{Servers: 1, Service: v.service}), 1000*v.thousand,
				check{"Wq", v.wq, wait}, check{"Lq", v.lq, queued})
		})
	}
}

// Stations in series with exponential times and unlimited room: each is as if it were alone (J. R. Jackson 1957, P. J. Burke
// 1956).
func TestTandem(t *testing.T) {
	one := func(rate float64) Station { return Station{Servers: 1, Service: Exponential(1 / rate)} }
	t.Run("two", func(t *testing.T) {
		verify(t, open(Exponential(1/0.8), one(1), one(1.25)), 60_000, check{"W", 7.2222, stay}, check{"L", 5.7778, number})
	})
	t.Run("three", func(t *testing.T) {
		verify(t, open(Exponential(1/0.8), one(1), one(1.25), one(2)), 60_000, check{"W", 8.0556, stay}, check{"L", 6.4444, number})
	})
	t.Run("two servers, then one", func(t *testing.T) {
		verify(t, open(Exponential(1/1.5), Station{Servers: 2, Service: Exponential(1)}, one(2)), 60_000,
			check{"W", 4.2857, stay}, check{"L", 6.4286, number},
			check{"Wq at the first", 2.2857 - 1, wait}, check{"Wq at the second", 2.0000 - 0.5, func(r *Result) float64 { return r.Wait(1) }})
	})
}

// M/M/1/K: whoever finds K there is lost.
func TestRoom(t *testing.T) {
	for _, v := range []struct {
		load           float64
		room           int
		empty, lost, l float64
	}{
		{0.8, 5, 0.2711, 0.0888, 1.8683},
		{1, 4, 0.2000, 0.2000, 2.0000},
		{0.9, 10, 0.1457, 0.0508, 3.9694},
	} {
		t.Run(fmt.Sprintf("load %g, room for %d", v.load, v.room), func(t *testing.T) {
			verify(t, open(Exponential(1/v.load), Station{Servers: 1, Service: Exponential(1), Room: v.room}), 40_000,
				check{"share of time empty", v.empty, func(r *Result) float64 { return 1 - r.Busy(0) }},
				check{"share lost", v.lost, (*Result).Lost}, check{"L", v.l, number})
		})
	}
}

// A. Cobham 1954: two classes, nobody interrupted. Wq1 = R/(1-r1), Wq2 = R/((1-r1)(1-r1-r2)), R = 0.8 here.
func TestPriorities(t *testing.T) {
	const want1, want2 = 1.1429, 5.7143
	var sums, squares [2]float64
	for seed := range replications {
		var waits, counts [2]float64
		l := Line{Sources: []Source{{Gap: Exponential(1 / 0.3)}, {Gap: Exponential(1 / 0.5)}}, Stations: []Station{{Servers: 1, Service: Exponential(1)}}}
		_, err := Run(l, Options{Seed: uint64(seed) + 1, Served: customers(120_000), WarmUp: customers(5000), Waited: func(_, source int, wait float64) {
			waits[source] += wait
			counts[source]++
		}})
		if err != nil {
			t.Fatal(err)
		}
		for i := range waits {
			x := waits[i] / counts[i]
			sums[i] += x
			squares[i] += x * x
		}
	}
	for i, want := range [2]float64{want1, want2} {
		mean := sums[i] / replications
		se := math.Sqrt((squares[i] - sums[i]*mean) / (replications - 1) / replications)
		if math.Abs(mean-want) > 4*se || se > most()*want {
			t.Errorf("class %d waits %.4f with a standard error of %.4f, want %.4f", i+1, mean, se, want)
		}
	}
}

// Machines that run by themselves for a mean of 1/lambda and then wait for an operator, who needs a mean of 1: how many can
// one person tend? (Machine interference, M/M/c//N.)
func TestMachineInterference(t *testing.T) {
	for _, v := range []struct {
		machines, operators          int
		calls                        float64
		idle, down, waiting, running float64
	}{
		{4, 1, 0.1, 0.6467, 0.4666, 0.1133, 0.8833},
		{6, 1, 0.2, 0.1918, 1.9592, 1.1511, 0.6735},
		{6, 2, 0.2, 0.3197, 1.1154, 0.1384, 0.8141},
	} {
		t.Run(fmt.Sprintf("%d machines, %d operators", v.machines, v.operators), func(t *testing.T) {
			l := Line{Round: v.machines, Stations: []Station{
				{Servers: v.machines, Service: Exponential(1 / v.calls)},
				{Servers: v.operators, Service: Exponential(1)},
			}}
			checks := []check{
				{"machines that wait or are tended", v.down, func(r *Result) float64 { return r.Busy(1) + r.Queue(1) }},
				{"machines that wait", v.waiting, func(r *Result) float64 { return r.Queue(1) }},
				{"share of machines that run", v.running, func(r *Result) float64 { return r.Busy(0) / float64(v.machines) }},
			}
			if v.operators == 1 {
				checks = append(checks, check{"share of time nobody calls", v.idle, func(r *Result) float64 { return 1 - r.Busy(1) }})
			}
			verify(t, l, 40_000, checks...)
		})
	}
}

// N identical customers in a line of one server each with fixed times: the last leaves after sum(p) + (N-1)*max(p), with
// unlimited room and with room for one at each station (textbook identity, from memory).
func TestDeterministicLine(t *testing.T) {
	times := []float64{7, 3, 11, 2}
	for _, n := range []int{1, 2, 10, 300} {
		for _, room := range []int{0, 1} {
			var stations []Station
			for i, p := range times {
				s := Station{Servers: 1, Service: Fixed(p), Room: room}
				if i == 0 {
					s.Room = 0 // all are there at the beginning
				}
				stations = append(stations, s)
			}
			r, err := Run(Line{Sources: []Source{{Gap: Fixed(0), Most: n}}, Stations: stations}, Options{Served: n})
			if err != nil {
				t.Fatal(err)
			}
			if want := 23 + 11*float64(n-1); r.Length != want {
				t.Errorf("%d customers with room %d: %v, want %v", n, room, r.Length, want)
			}
			if r.Area != r.Stays {
				t.Errorf("%d customers: the integral of the number is %d, the sum of the stays %d", n, r.Area, r.Stays)
			}
		}
	}
}

// Two stations of one server with exponential times of mean 1, room for one at the second and customers always waiting: two
// thirds of the rate remain (blocking after service; the chain has three states: first working with second empty, both
// working, first blocked; the first two thirds of the time the first one works, so the rate is 2/3).
func TestBlocking(t *testing.T) {
	one := Station{Servers: 1, Service: Exponential(1)}
	second := one
	second.Room = 1
	verify(t, open(Fixed(0.8), one, second), 20_000,
		check{"rate", 2.0 / 3, func(r *Result) float64 { return float64(r.Sources[0].Left) / r.Length }})
}

// fourStations is a line of four stations of four servers with exponential times and 0.9 of the load they bear. Each is as if
// it were alone, so a customer's mean stay is four times that of M/M/4: Erlang's C is 0.78775, 4*(3.6 + C/(4/3.6-1)) = 42.759.
func fourStations() Line {
	l := open(Exponential(1))
	for range 4 {
		l.Stations = append(l.Stations, Station{Servers: 4, Service: Exponential(3.6)})
	}
	return l
}

const fourStationsStay = 42.759

func TestFourStations(t *testing.T) {
	verify(t, fourStations(), 60_000, check{"W", fourStationsStay, stay})
}
