package chance

import (
	"math"
	"strconv"
	"testing"
)

// Check values of SplitMix64 for the seed 1234567, as printed with many public implementations of it (from memory).
func TestSplitMix(t *testing.T) {
	s := New(1234567)
	for _, want := range []uint64{
		6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821,
	} {
		if got := s.Uint64(); got != want {
			t.Errorf("got %d, want %d", got, want)
		}
	}
}

// The mean of n uniform numbers is 1/2 with a standard error of 1/sqrt(12n), that of their squares 1/3 with sqrt(4/45/n):
// of a stream, and of names that differ in one part.
func TestUniform(t *testing.T) {
	const n = 200_000
	s := New(7)
	draws := map[string]func(i int) float64{
		"stream":  func(int) float64 { return s.Uniform() },
		"words":   func(i int) float64 { return Of(7).Word("job-" + strconv.Itoa(i)).Word("cut").Uniform() },
		"numbers": func(i int) float64 { return Of(7).Word("job").Number(uint64(i)).Uniform() },
		"seeds":   func(i int) float64 { return Of(uint64(i)).Word("job").Uniform() },
	}
	for name, draw := range draws {
		var sum, squares, products, last float64
		for i := range n {
			u := draw(i)
			if u <= 0 || u >= 1 {
				t.Fatalf("%s: %v", name, u)
			}
			sum += u
			squares += u * u
			products += (u - 0.5) * (last - 0.5)
			last = u
		}
		if z := (sum/n - 0.5) * math.Sqrt(12*n); math.Abs(z) > 4 {
			t.Errorf("%s: the mean is %.2f standard errors off", name, z)
		}
		if z := (squares/n - 1.0/3) * math.Sqrt(45.0/4*n); math.Abs(z) > 4 {
			t.Errorf("%s: the mean square is %.2f standard errors off", name, z)
		}
		if z := products / math.Sqrt(n) * 12; math.Abs(z) > 4 {
			t.Errorf("%s: neighbours go together by %.2f standard errors", name, z)
		}
	}
}

func TestExponential(t *testing.T) {
	const n, mean = 200_000, 3.6
	s, sum, over := New(3), 0.0, 0
	for range n {
		x := s.Exponential(mean)
		sum += x
		if x > mean {
			over++
		}
	}
	if z := (sum/n/mean - 1) * math.Sqrt(n); math.Abs(z) > 4 {
		t.Errorf("the mean is %.2f standard errors off", z)
	}
	p := math.Exp(-1)
	if z := (float64(over)/n - p) / math.Sqrt(p*(1-p)/n); math.Abs(z) > 4 {
		t.Errorf("%d of %d are over the mean, %.2f standard errors off", over, n, z)
	}
}

func TestNames(t *testing.T) {
	if Of(1).Word("ab").Word("c") == Of(1).Word("a").Word("bc") {
		t.Error("words run together")
	}
	if Of(1).Word("a").Uniform() != Of(1).Word("a").Uniform() {
		t.Error("one name has two numbers")
	}
	if Of(1).Word("a") == Of(2).Word("a") {
		t.Error("two seeds give the same")
	}
}
