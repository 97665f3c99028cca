package wording

import (
	"testing"

	tandemv1 "tandem/proto/tandem/v1"
)

func TestSupply(t *testing.T) {
	for _, c := range []struct {
		supply *tandemv1.Supply
		want   string
		ending bool
	}{
		{&tandemv1.Supply{DisplayName: "Magenta", Kind: "ink", LevelKnown: true, LevelPercent: 62}, "Magenta, ink: 62 % left", false},
		{&tandemv1.Supply{DisplayName: "Magenta", Kind: "ink", LevelKnown: true, LevelPercent: 11}, "Magenta, ink: 11 % left", false},
		{&tandemv1.Supply{DisplayName: "Magenta", Kind: "ink", LevelKnown: true, LevelPercent: 10}, "Magenta, ink: 10 % left, low", true},
		{&tandemv1.Supply{Kind: "ink", LevelKnown: true}, "ink: 0 % left, low", true},
		{&tandemv1.Supply{DisplayName: "Tank", Kind: "waste-ink", Receptacle: true, LevelKnown: true, LevelPercent: 5}, "Tank, waste-ink: 5 % full", false},
		{&tandemv1.Supply{DisplayName: "Tank", Kind: "waste-ink", Receptacle: true, LevelKnown: true, LevelPercent: 90}, "Tank, waste-ink: 90 % full, nearly full", true},
		{&tandemv1.Supply{DisplayName: "Roll", Kind: "media"}, "Roll, media: level not known", false},
		{&tandemv1.Supply{}, "level not known", false},
	} {
		if got := Supply(c.supply); got != c.want || SupplyEnding(c.supply) != c.ending {
			t.Errorf("%v: %q, ending %t, want %q, %t", c.supply, got, SupplyEnding(c.supply), c.want, c.ending)
		}
	}
}
