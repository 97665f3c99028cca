package physics

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

const hour = time.Hour

// The sources are those of the rules.
func TestDefaultDryRules(t *testing.T) {
	tests := []struct {
		name   string
		panel  Drying
		want   time.Duration
		source string
	}{
		// "has to wait 24 to 48 hours", "Print. Laminate. Cut. Done!"; 24 h usual, "Lamination and procrastination".
		{"solvent, hung", Drying{Ink: "solvent", Storage: Hung, CoveragePercent: 200}, 24 * hour, "24 to 48 h"},
		{"solvent, loose", Drying{Ink: "solvent", Storage: LooseRoll, CoveragePercent: 200}, 24 * hour, "24 to 48 h"},
		{"solvent, tight", Drying{Ink: "solvent", Storage: TightRoll, CoveragePercent: 200}, 48 * hour, "24 to 48 h"},
		{"solvent, fans", Drying{Ink: "solvent", Storage: Hung, Climate: WarmFans}, 24 * hour, "24 to 48 h"},
		// "Outgassing and Installing": 24 h; at least 12 h loosely wound, warm and dry; 1 to 2 days more if humid or cool.
		{"eco-solvent", Drying{Ink: "eco-solvent", Storage: LooseRoll, CoveragePercent: 240}, 24 * hour, "bulletin no. 34"},
		{"eco-solvent, fans", Drying{Ink: "eco-solvent", Storage: LooseRoll, Climate: WarmFans}, 12 * hour, "bulletin no. 34"},
		{"eco-solvent, fans, hung", Drying{Ink: "eco-solvent", Storage: Hung, Climate: WarmFans}, 12 * hour, "bulletin no. 34"},
		{"eco-solvent, humid", Drying{Ink: "eco-solvent", Storage: LooseRoll, Climate: HumidCool}, 48 * hour, "bulletin no. 34"},
		{"eco-solvent, humid, tight", Drying{Ink: "eco-solvent", Storage: TightRoll, Climate: HumidCool}, 72 * hour, "bulletin no. 34"},
		// The sizes of these factors are common practice, no source.
		{"eco-solvent, hung", Drying{Ink: "eco-solvent", Storage: Hung}, 18 * hour, "bulletin no. 34"},
		{"eco-solvent, 360 %", Drying{Ink: "eco-solvent", Storage: LooseRoll, CoveragePercent: 360}, 36 * hour, "bulletin no. 34"},
		{"eco-solvent, 360 %, tight", Drying{Ink: "eco-solvent", Storage: TightRoll, CoveragePercent: 360}, 72 * hour, "bulletin no. 34"},
		{"eco-solvent, 250 %", Drying{Ink: "eco-solvent", Storage: LooseRoll, CoveragePercent: 250}, 25 * hour, "bulletin no. 34"},
		{"eco-solvent, 240.01 %", Drying{Ink: "eco-solvent", Storage: LooseRoll, CoveragePercent: 240.01}, 24*hour + time.Minute, "bulletin no. 34"}, // 3.6 s more
		// 0 to 12 h, "Outgassing and Installing", EU version.
		{"latex", Drying{Ink: "latex", Storage: TightRoll, CoveragePercent: 239.9}, 0, "the film supplier decides"},
		{"latex, heavy", Drying{Ink: "latex", Storage: Hung, CoveragePercent: 240}, 12 * hour, "only the top layer"},
		// Common practice, no source.
		{"uv", Drying{Ink: "uv", Storage: TightRoll, CoveragePercent: 400}, 0, "12 to 24 h for full cure"},
		{"aqueous", Drying{Ink: "aqueous", Storage: LooseRoll}, 24 * hour, "1 to 24 h"},
	}
	table := DryTable{Default: DefaultDryRules()}
	for _, tt := range tests {
		w, err := table.Least(tt.panel)
		if err != nil || w.BeforeLaminating != tt.want || w.OfShop || !strings.Contains(w.Rule.Source, tt.source) {
			t.Errorf("%s: %+v, %v, want %v by %q", tt.name, w, err, tt.want, tt.source)
		}
		if w.BeforeCutting != 0 {
			t.Errorf("%s: a kiss cut waits %v", tt.name, w.BeforeCutting)
		}
		if want := tt.panel.Ink == "uv"; want != (w.BeforeUse == 24*hour) {
			t.Errorf("%s: %v before use", tt.name, w.BeforeUse)
		}
	}
}

func TestDryTableChooses(t *testing.T) {
	table := DryTable{
		Default: DefaultDryRules(),
		Shop: []DryRule{
			{Ink: "eco-solvent", BeforeLaminating: 6 * hour, Source: "fast set"}, // "The evolution of solvent-based inkjet printing": 24 h down to 6 h
			{Media: "cast", BeforeLaminating: 30 * hour},
			{Ink: "eco-solvent", Media: "cast", BeforeLaminating: 10 * hour, BeforeCutting: 2 * hour, BeforeUse: 40 * hour},
			{Ink: "eco-solvent", Storage: TightRoll, BeforeLaminating: 20 * hour, Adjust: true},
			{Ink: "eco-solvent", Media: "cast", CoverageFrom: 100, CoverageTo: 200, BeforeLaminating: 11 * hour, Adjust: true},
			{Ink: "eco-solvent", Media: "cast", BeforeLaminating: 99 * hour}, // later, so never
		},
	}
	tests := []struct {
		name  string
		panel Drying
		want  time.Duration
		shop  bool
	}{
		{"the shop's before the default", Drying{Ink: "eco-solvent", Media: "vinyl", Storage: LooseRoll, CoveragePercent: 300}, 6 * hour, true},
		{"not adjusted unless said", Drying{Ink: "eco-solvent", Storage: LooseRoll, Climate: HumidCool}, 6 * hour, true},
		{"any ink", Drying{Ink: "solvent", Media: "cast", Storage: TightRoll}, 30 * hour, true},
		{"more fields win", Drying{Ink: "eco-solvent", Media: "cast", Storage: LooseRoll, CoveragePercent: 200}, 10 * hour, true},
		{"most fields win", Drying{Ink: "eco-solvent", Media: "cast", Storage: LooseRoll, CoveragePercent: 100}, 11 * hour, true},
		{"first of two alike", Drying{Ink: "eco-solvent", Media: "cast", Storage: TightRoll, CoveragePercent: 50}, 10 * hour, true},
		{"a rule for the storage is not adjusted by it", Drying{Ink: "eco-solvent", Storage: TightRoll, Climate: WarmFans}, 10 * hour, true},
		{"a rule for the coverage is adjusted by storage", Drying{Ink: "eco-solvent", Media: "cast", Storage: TightRoll, CoveragePercent: 199}, 22 * hour, true},
		{"the default where the shop has none", Drying{Ink: "aqueous", Media: "vinyl", Storage: LooseRoll}, 24 * hour, false},
	}
	for _, tt := range tests {
		w, err := table.Least(tt.panel)
		if err != nil || w.BeforeLaminating != tt.want || w.OfShop != tt.shop {
			t.Errorf("%s: %+v, %v, want %v", tt.name, w, err, tt.want)
		}
	}
	w, err := table.Least(tests[3].panel)
	if err != nil || w.BeforeCutting != 2*hour || w.BeforeUse != 40*hour || w.Factor != 1 {
		t.Errorf("%+v, %v, want the rule's own waits", w, err)
	}
}

func TestDryErrors(t *testing.T) {
	good := Drying{Ink: "solvent", Storage: LooseRoll, CoveragePercent: 100}
	change := func(f func(*Drying)) Drying {
		d := good
		f(&d)
		return d
	}
	for _, tt := range []struct {
		field string
		panel Drying
	}{
		{"ink", change(func(d *Drying) { d.Ink = "" })},
		{"ink", change(func(d *Drying) { d.Ink = "gravy" })},
		{"coverage_percent", change(func(d *Drying) { d.CoveragePercent = -1 })},
		{"coverage_percent", change(func(d *Drying) { d.CoveragePercent = 1001 })},
		{"coverage_percent", change(func(d *Drying) { d.CoveragePercent = math.NaN() })},
		{"coverage_percent", change(func(d *Drying) { d.CoveragePercent = math.Inf(1) })},
		{"storage", change(func(d *Drying) { d.Storage = "" })},
		{"climate", change(func(d *Drying) { d.Climate = "moon" })},
	} {
		_, err := DryTable{Default: DefaultDryRules()}.Least(tt.panel)
		wantField(t, fmt.Sprintf("%+v", tt.panel), err, tt.field)
	}
	for field, rule := range map[string]DryRule{
		"shop[0].storage":           {Storage: "drawer"},
		"shop[0].coverage_from":     {CoverageFrom: math.NaN()},
		"shop[0].coverage_to":       {CoverageFrom: 200, CoverageTo: 200},
		"shop[0].before_laminating": {BeforeLaminating: -1},
		"shop[0].before_cutting":    {BeforeCutting: -1},
		"shop[0].before_use":        {BeforeUse: -1},
		"shop[0].never_under":       {NeverUnder: -1},
	} {
		_, err := DryTable{Shop: []DryRule{rule}}.Least(good)
		wantField(t, field, err, field)
	}
	_, err := DryTable{Default: []DryRule{{}, {BeforeUse: -1}}}.Least(good)
	wantField(t, "default", err, "default[1].before_use")
	good.Storage = TightRoll
	_, err = DryTable{Shop: []DryRule{{BeforeLaminating: math.MaxInt64 / 3 * 2, Adjust: true}}}.Least(good)
	wantField(t, "overflow", err, "before_laminating")
}

// More ink never dries sooner, nor does a tighter roll or worse air.
func TestDryGrows(t *testing.T) {
	table := DryTable{Default: DefaultDryRules()}
	rapid.Check(t, func(t *rapid.T) {
		ink := rapid.SampledFrom([]string{"solvent", "eco-solvent", "latex", "uv", "aqueous"}).Draw(t, "ink")
		c := rapid.Float64Range(0, 1000)
		a, b := c.Draw(t, "a"), c.Draw(t, "b")
		storage, climate := []Storage{Hung, LooseRoll, TightRoll}, []Climate{WarmFans, RoomClimate, HumidCool}
		i, k := rapid.IntRange(0, 2).Draw(t, "storage"), rapid.IntRange(0, 2).Draw(t, "climate")
		j, l := rapid.IntRange(i, 2).Draw(t, "worse storage"), rapid.IntRange(k, 2).Draw(t, "worse climate")
		better, err := table.Least(Drying{Ink: ink, CoveragePercent: min(a, b), Storage: storage[i], Climate: climate[k]})
		if err != nil {
			t.Fatal(err)
		}
		worse, err := table.Least(Drying{Ink: ink, CoveragePercent: max(a, b), Storage: storage[j], Climate: climate[l]})
		if err != nil {
			t.Fatal(err)
		}
		if worse.BeforeLaminating < better.BeforeLaminating {
			t.Errorf("%+v is less than %+v", worse, better)
		}
	})
}
