package ganttview

import (
	"io"
	"testing"
)

func BenchmarkPNG1000(b *testing.B) {
	p := Picture{Title: "Plan", Zone: ahead, Charts: []Chart{workshop(270, 24, 22, 2)}}
	for b.Loop() {
		if err := PNG(io.Discard, p); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSVG1000(b *testing.B) {
	p := Picture{Title: "Plan", Zone: ahead, Charts: []Chart{workshop(270, 24, 22, 2)}}
	for b.Loop() {
		if err := SVG(io.Discard, p); err != nil {
			b.Fatal(err)
		}
	}
}
