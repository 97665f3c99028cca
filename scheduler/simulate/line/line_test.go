package line

import (
	"strings"
	"testing"
)

func TestRefused(t *testing.T) {
	one := Station{Servers: 1, Service: Fixed(1)}
	from := []Source{{Gap: Fixed(1)}}
	for _, tt := range []struct {
		line Line
		opt  Options
		want string
	}{
		{Line{Sources: from}, Options{Served: 1}, "needs stations"},
		{Line{Stations: []Station{one}}, Options{Served: 1}, "either sources or customers that go round"},
		{Line{Sources: from, Round: 2, Stations: []Station{one}}, Options{Served: 1}, "either sources or"},
		{Line{Sources: from, Stations: []Station{one}}, Options{}, "more are needed"},
		{Line{Sources: from, Stations: []Station{one}}, Options{Served: 3, WarmUp: 3}, "more are needed"},
		{Line{Sources: []Source{{}}, Stations: []Station{one}}, Options{Served: 1}, "source 0 has no gap"},
		{Line{Sources: from, Stations: []Station{{Service: Fixed(1)}}}, Options{Served: 1}, "station 0 has 0 servers"},
		{Line{Sources: from, Stations: []Station{{Servers: 2, Service: Fixed(1), Room: 1}}}, Options{Served: 1}, "room for 1 and 2 servers"},
		{Line{Round: 1, Stations: []Station{{Servers: 1, Service: Fixed(1), Room: 3}}}, Options{Served: 1}, "go round"},
		{Line{Sources: from, Stations: []Station{one}}, Options{Served: 1, WarmUp: -1}, "more are needed"},
		{Line{Sources: []Source{{Gap: Fixed(0)}}, Stations: []Station{one}}, Options{Served: 9}, "faster than they are served"},
		{Line{Sources: []Source{{Gap: Fixed(0), Most: 3}}, Stations: []Station{one}}, Options{Served: 9}, "comes to a stand after 3"},
	} {
		if _, err := Run(tt.line, tt.opt); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("got %v, want something about %q", err, tt.want)
		}
	}
}

func TestSameSeedSameResult(t *testing.T) {
	l := open(Exponential(1), Station{Servers: 2, Service: Uniform(0.5, 2.5)})
	play := func(seed uint64) int64 {
		r, err := Run(l, Options{Seed: seed, Served: 1000})
		if err != nil {
			t.Fatal(err)
		}
		return r.Area
	}
	if first, again := play(1), play(1); first != again {
		t.Error("one seed gives two results")
	}
	if play(1) == play(2) {
		t.Error("two seeds give one result")
	}
}
