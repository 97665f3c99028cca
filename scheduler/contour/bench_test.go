package contour_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"tandem/scheduler/contour"
)

// sheet is a sheet of n by n letters, each of straight and curved pieces and a hole.
func sheet(n int) []byte {
	var b strings.Builder
	for i := range n * n {
		fmt.Fprintf(&b, `<path transform="translate(%d %d)" d="M0 0h4q6 0 6 6t-6 6c-1 0-2 1-4 1zM2 2a1.5 2 0 1 1 3 0 1.5 2 0 1 1-3 0z"/>`, i%n*15, i/n*15)
	}
	return []byte(fmt.Sprintf(`<svg width="%[1]dmm" height="%[1]dmm" viewBox="0 0 %[1]d %[1]d">%[2]s</svg>`, n*15, b.String()))
}

// fastest is the shortest of many runs of f, in nanoseconds.
func fastest(f func()) float64 {
	best := math.Inf(1)
	for range 200 {
		begun := time.Now()
		f()
		best = min(best, float64(time.Since(begun).Nanoseconds()))
	}
	return best
}

// BenchmarkTime gives ns per segment, and how many times as long it takes as adding up the chords of the same points.
func BenchmarkTime(b *testing.B) {
	c := mustParse(b, sheet(60), contour.Options{})
	segments := float64(c.Figures[0].Segments)
	m := contour.Motion{SpeedUmS: 600_000, AccelerationUmS2: 3_000_000}
	walk := fastest(func() {
		sum := 0.0
		for i := range c.Lines {
			points := c.Lines[i].Points
			for j := 1; j < len(points); j++ {
				x, y := points[j].X-points[j-1].X, points[j].Y-points[j-1].Y
				sum += math.Sqrt(x*x + y*y)
			}
		}
		if sum == 0 {
			b.Fatal("no length")
		}
	})
	for b.Loop() {
		if _, err := c.Time(m); err != nil {
			b.Fatal(err)
		}
	}
	one := float64(b.Elapsed().Nanoseconds()) / float64(b.N)
	b.ReportMetric(one/segments, "ns/segment")
	b.ReportMetric(one/walk, "x-walk")
}

// BenchmarkParse gives ns per segment, and how many times as long it takes as one pass over the bytes of the file.
func BenchmarkParse(b *testing.B) {
	file := sheet(60)
	segments := 0
	walk := fastest(func() {
		sum := 0
		for _, c := range file {
			sum += int(c)
		}
		if sum == 0 {
			b.Fatal("no bytes")
		}
	})
	b.SetBytes(int64(len(file)))
	b.ReportAllocs()
	for b.Loop() {
		segments = mustParse(b, file, contour.Options{}).Figures[0].Segments
	}
	one := float64(b.Elapsed().Nanoseconds()) / float64(b.N)
	b.ReportMetric(one/float64(segments), "ns/segment")
	b.ReportMetric(one/walk, "x-walk")
}
