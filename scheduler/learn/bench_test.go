package learn

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

func known(b *testing.B, devices, runs int) (*Model, []Key, []Observation) {
	b.Helper()
	r := rand.New(rand.NewPCG(31, 0))
	m := New(nil)
	ks := make([]Key, devices)
	for i := range ks {
		ks[i] = Key{Device: fmt.Sprint("device-", i), Operation: "print", Mode: "fine"}
	}
	seen := make([]Observation, 0, 1024)
	for range cap(seen) {
		o, _ := lognormal(1.2, 0.15).withSpoilt(0.05).run(r)
		seen = append(seen, o)
	}
	for i := range devices * runs {
		if err := m.Observe(ks[i%devices], seen[i%len(seen)]); err != nil {
			b.Fatal(err)
		}
	}
	m.settle()
	return m, ks, seen
}

// sorting is the measure of all: the time of one sort of a full ring, in ns. Many rings, so that the processor does not
// learn the one by heart.
func sorting(b *testing.B) float64 {
	b.Helper()
	m, ks, _ := known(b, 50, ringSize)
	buffer := make([]int32, ringSize)
	const rounds = 20_000
	start := time.Now()
	for i := range rounds {
		copy(buffer, m.keys[ks[i%len(ks)]].ring)
		slices.Sort(buffer)
	}
	return float64(time.Since(start).Nanoseconds()) / rounds
}

// Each line gives its time and, as sorts/op, how many sorts of a plain slice of the same ring it is worth.
func BenchmarkLearn(b *testing.B) {
	report := func(b *testing.B, sort float64) {
		b.ReportAllocs()
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/sort, "sorts/op")
	}
	b.Run("Observe", func(b *testing.B) {
		sort := sorting(b)
		m, ks, seen := known(b, 50, ringSize)
		b.ResetTimer()
		for i := range b.N {
			_ = m.Observe(ks[i%len(ks)], seen[i%len(seen)])
		}
		report(b, sort)
	})
	b.Run("ObserveThenEstimate", func(b *testing.B) {
		sort := sorting(b)
		m, ks, seen := known(b, 50, ringSize)
		b.ResetTimer()
		for i := range b.N {
			k := ks[i%len(ks)]
			_ = m.Observe(k, seen[i%len(seen)])
			m.Estimate(k, time.Hour)
		}
		report(b, sort)
	})
	for _, runs := range []int{0, 5, 30, ringSize} {
		b.Run(fmt.Sprintf("Estimate/runs=%d", runs), func(b *testing.B) {
			sort := sorting(b)
			m, ks, _ := known(b, 50, runs)
			b.ResetTimer()
			for i := range b.N {
				m.Estimate(ks[i%len(ks)], time.Hour)
			}
			report(b, sort)
		})
		b.Run(fmt.Sprintf("Quantile/runs=%d", runs), func(b *testing.B) {
			sort := sorting(b)
			m, ks, _ := known(b, 50, runs)
			b.ResetTimer()
			for i := range b.N {
				m.Quantile(ks[i%len(ks)], time.Hour, float64(i%1000)/1000)
			}
			report(b, sort)
		})
	}
}
