package physics

import (
	"fmt"
	"math"
	"time"

	"tandem/scheduler/badfield"
)

// Storage is how a printed panel waits.
type Storage string

// The ways of waiting, from the slowest drying to the fastest. Tightly rolled film needs longer ("Outgassing and
// Installing", a film manufacturer's bulletin no. 34).
const (
	TightRoll Storage = "tight-roll"
	LooseRoll Storage = "loose-roll"
	Hung      Storage = "hung-or-flat"
)

// Climate is the air around it.
type Climate string

// The climates.
const (
	RoomClimate Climate = ""           // neither of the others, or not known
	HumidCool   Climate = "humid-cool" // solvent leaves more slowly
	WarmFans    Climate = "warm-fans"  // warm, dry, moving air
)

// Drying is a printed panel. What leaves it are vapours: air the room, and keep fans and heaters that may spark away.
type Drying struct {
	Ink             string
	Media           string
	CoveragePercent float64 // sum of all inks where they are heaviest: 0 to 400 with four inks, up to 1,000 with more
	Storage         Storage
	Climate         Climate
}

// DryRule is a least wait for the panels it matches. Empty fields match all.
type DryRule struct {
	Ink     string
	Media   string
	Storage Storage
	// CoverageFrom and CoverageTo bound the coverage in percent: from <= coverage < to. Both 0: any. To 0: no upper end.
	CoverageFrom, CoverageTo float64

	BeforeLaminating time.Duration
	BeforeCutting    time.Duration
	BeforeUse        time.Duration // full cure, before the decal is applied; 0: not known

	// Adjust lengthens or shortens the time before laminating by storage, coverage and climate, up to the next whole minute.
	// Without it the rule holds as it stands.
	Adjust bool
	// NeverUnder is the least that Adjust comes down to.
	NeverUnder time.Duration
	Source     string // who says so
}

// DryTable is the drying rules of a shop. If none of Shop matches, Default is asked; the one with the most fields set wins,
// of those the first.
type DryTable struct {
	Shop    []DryRule
	Default []DryRule // see DefaultDryRules
}

// Wait is the least wait after printing. It is a floor, not a proof that the panel is dry: smell, tack and softness
// against unprinted film are the proof ("Outgassing and Installing").
type Wait struct {
	BeforeLaminating time.Duration
	BeforeCutting    time.Duration
	BeforeUse        time.Duration
	Factor           float64 // by which storage, coverage and climate changed the time before laminating; 1: not at all
	Extra            time.Duration
	Rule             DryRule // the rule that was used
	OfShop           bool    // it is one of the shop's own
}

// AdhesiveBuild is how long a laminated decal's glue should rest before it is applied (common practice, no source).
const AdhesiveBuild = 24 * time.Hour

// Figures of Adjust. That tight rolls take longer, that warm fans at least double the rate and that humid or cool air adds 1
// to 2 days is from "Outgassing and Installing"; the size of the storage factors is common practice, no source. Drying
// stretches above 240 to 260 % coverage (trade press): the time grows in proportion beyond 240 % (common practice, no source).
const (
	tightFactor    = 2
	hungFactor     = 0.75
	warmFansFactor = 0.5
	humidCoolExtra = 24 * time.Hour
	heavyCoverage  = 240 // percent
	mostCoverage   = 1000
)

// DefaultDryRules returns the rules that hold where the shop has none of its own. A kiss cut needs no dry ink: laminating
// is what has to wait, so none of them asks for a wait before cutting.
//
// Some ink sets come down from 24 h to 6 h ("The evolution of solvent-based inkjet printing", trade magazine); some resin
// inks need none; a fast coating takes aqueous ink in 1 h. That is for a rule of the shop.
func DefaultDryRules() []DryRule {
	const h = time.Hour
	const bulletin = `"Outgassing and Installing", film manufacturer's bulletin no. 34`
	return []DryRule{
		{
			Ink: "solvent", BeforeLaminating: 24 * h, Adjust: true, NeverUnder: 24 * h,
			Source: `"Print. Laminate. Cut. Done!", shop blog (24 to 48 h); "Lamination and procrastination", trade blog (24 h usual)`,
		},
		{Ink: "eco-solvent", BeforeLaminating: 24 * h, Adjust: true, NeverUnder: 12 * h, Source: bulletin},
		{
			Ink: "latex", Source: "often 0, at most 12 h: the film supplier decides (common practice, no source)",
		},
		{
			Ink: "latex", CoverageFrom: heavyCoverage, BeforeLaminating: 12 * h,
			Source: bulletin + ", EU version: the heater dries only the top layer; 12 h is common practice, no source",
		},
		{
			Ink: "uv", BeforeUse: 24 * h,
			Source: "0 for handling, 12 to 24 h for full cure and adhesion on flexible film (common practice, no source)",
		},
		{
			Ink: "aqueous", BeforeLaminating: 24 * h,
			Source: "1 to 24 h by coating and coverage: the upper end, as the coating is not known (common practice, no source)",
		},
	}
}

// Least returns the least wait of a panel. An ink without a rule gives an *Error: no wait is safe to assume.
func (t DryTable) Least(d Drying) (Wait, error) {
	if err := d.check(); err != nil {
		return Wait{}, err
	}
	if err := checkRules("shop", t.Shop); err != nil {
		return Wait{}, err
	}
	if err := checkRules("default", t.Default); err != nil {
		return Wait{}, err
	}
	rule, ofShop := best(t.Shop, d), true
	if rule == nil {
		rule, ofShop = best(t.Default, d), false
	}
	if rule == nil {
		return Wait{}, badfield.New("ink", "is %.40q, for which there is no drying rule on media %.40q: add one to the shop's rules", d.Ink, d.Media)
	}
	w := Wait{
		BeforeLaminating: rule.BeforeLaminating, BeforeCutting: rule.BeforeCutting, BeforeUse: rule.BeforeUse,
		Factor: 1, Rule: *rule, OfShop: ofShop,
	}
	if !rule.Adjust || rule.BeforeLaminating == 0 {
		return w, nil
	}
	w.Factor, w.Extra = rule.adjustment(d)
	ns := math.Round(float64(rule.BeforeLaminating)*w.Factor) + float64(w.Extra)
	if ns >= float64(mostTime-time.Hour) {
		return Wait{}, badfield.New("before_laminating", "of the rule for ink %.40q becomes longer than 292 years: give a time in hours", rule.Ink)
	}
	w.BeforeLaminating = max(wholeMinutes(time.Duration(ns)), rule.NeverUnder)
	return w, nil
}

// wholeMinutes rounds up: nobody dries to the second, and a least time is never rounded down.
func wholeMinutes(d time.Duration) time.Duration {
	if rest := d % time.Minute; rest > 0 {
		d += time.Minute - rest
	}
	return d
}

// adjustment leaves out what the rule itself asks for: it has that in its time already.
func (r DryRule) adjustment(d Drying) (factor float64, extra time.Duration) {
	factor = 1
	if r.Storage == "" {
		switch d.Storage {
		case TightRoll:
			factor *= tightFactor
		case Hung:
			factor *= hungFactor
		case LooseRoll:
		}
	}
	if d.CoveragePercent > heavyCoverage && !r.asksCoverage() {
		factor *= d.CoveragePercent / heavyCoverage
	}
	switch d.Climate {
	case WarmFans:
		factor *= warmFansFactor
	case HumidCool:
		extra = humidCoolExtra
	case RoomClimate:
	}
	return factor, extra
}

func best(rules []DryRule, d Drying) *DryRule {
	var found *DryRule
	most := -1
	for i := range rules {
		if n := rules[i].match(d); n > most {
			found, most = &rules[i], n
		}
	}
	return found
}

// match returns how many of the rule's fields are set, or -1 if one of them does not match.
func (r DryRule) match(d Drying) int {
	n := 0
	for _, f := range [][2]string{{r.Ink, d.Ink}, {r.Media, d.Media}, {string(r.Storage), string(d.Storage)}} {
		switch f[0] {
		case "":
		case f[1]:
			n++
		default:
			return -1
		}
	}
	if r.asksCoverage() {
		if d.CoveragePercent < r.CoverageFrom || r.CoverageTo > 0 && d.CoveragePercent >= r.CoverageTo {
			return -1
		}
		n++
	}
	return n
}

func (r DryRule) asksCoverage() bool { return r.CoverageFrom > 0 || r.CoverageTo > 0 }

func (d Drying) check() error {
	var k checks
	if d.Ink == "" {
		k.fail("ink", "is missing: name the ink set, since it decides the wait")
	}
	k.coverage("coverage_percent", d.CoveragePercent)
	switch d.Storage {
	case TightRoll, LooseRoll, Hung:
	default:
		k.fail("storage", "is %.40q: give %s, %s or %s", d.Storage, TightRoll, LooseRoll, Hung)
	}
	switch d.Climate {
	case RoomClimate, HumidCool, WarmFans:
	default:
		k.fail("climate", "is %.40q: give %s, %s or leave it empty", d.Climate, HumidCool, WarmFans)
	}
	return k.err
}

func (k *checks) coverage(field string, percent float64) {
	if !(percent >= 0 && percent <= mostCoverage) {
		k.fail(field, "is %v: give 0 to %d percent, 100 for each ink laid down in full", percent, mostCoverage)
	}
}

func checkRules(list string, rules []DryRule) error {
	var k checks
	for i, r := range rules {
		at := func(field string) string { return fmt.Sprintf("%s[%d].%s", list, i, field) }
		switch r.Storage {
		case "", TightRoll, LooseRoll, Hung:
		default:
			k.fail(at("storage"), "is %.40q: give %s, %s, %s or leave it empty", r.Storage, TightRoll, LooseRoll, Hung)
		}
		k.coverage(at("coverage_from"), r.CoverageFrom)
		k.coverage(at("coverage_to"), r.CoverageTo)
		if r.CoverageTo > 0 && r.CoverageTo <= r.CoverageFrom {
			k.fail(at("coverage_to"), "is %v, not above coverage_from (%v): no panel would match", r.CoverageTo, r.CoverageFrom)
		}
		k.duration(at("before_laminating"), r.BeforeLaminating)
		k.duration(at("before_cutting"), r.BeforeCutting)
		k.duration(at("before_use"), r.BeforeUse)
		k.duration(at("never_under"), r.NeverUnder)
	}
	return k.err
}
