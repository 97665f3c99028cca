package config

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// Problem is what is wrong with one field of a floor file.
type Problem struct {
	Field   string // path such as devices[2].abilities[0].setup
	Problem string // what is wrong and what would be right
}

// String returns field and problem.
func (p Problem) String() string { return p.Field + ": " + p.Problem }

// Limits of a floor. They are far beyond a shop's and keep a slip of the pen from harming it.
const (
	mostProblems  = 50
	mostEntries   = 10_000 // devices, media, people
	mostNames     = 1000   // media, inks and the like of an ability
	mostAbilities = 64
	mostSettings  = 64 // settings, capabilities
	mostText      = 200
	mostCapacity  = 10_000
	mostDuration  = 30 * 24 * time.Hour
	mostWidth     = int64(20_000_000) // 20 m, in micrometres
)

const idRule = "use 1 to 63 lower case letters, digits and dashes, no dash first"

// CheckFloor returns everything that is wrong with a floor, in the order of its fields; nothing if it is right.
func CheckFloor(f *tandemv1.FloorFile, kinds Kinds) []Problem {
	c := &check{kinds: kinds}
	c.text("display_name", f.GetDisplayName())
	c.media(f.GetMedia())
	c.count("devices", len(f.GetDevices()), mostEntries)
	if len(f.GetDevices()) == 0 {
		c.add("devices", "is empty; describe at least one device")
	}
	seen := map[string]int{}
	for i, d := range f.GetDevices() {
		field := fmt.Sprintf("devices[%d]", i)
		c.unique(seen, "devices", i, d.GetId())
		c.device(field, d)
	}
	c.people(f.GetPeople())
	c.rules(f.GetRules())
	c.shifts(f)
	c.money(f.GetMoney())
	return c.problems
}

type check struct {
	kinds    Kinds
	supplies []string // media and films; empty: names are free
	problems []Problem
}

func (c *check) add(field, format string, args ...any) {
	if len(c.problems) < mostProblems {
		c.problems = append(c.problems, Problem{Field: field, Problem: fmt.Sprintf(format, args...)})
	}
}

func (c *check) id(field, id string) {
	switch {
	case id == "":
		c.add(field, "is missing; %s", idRule)
	case !tandemv1.ValidID(id):
		c.add(field, "%s is not an id; %s", yamlfile.Quote(id), idRule)
	}
}

// unique checks the id of entry i of a list and that no entry before it has the same.
func (c *check) unique(seen map[string]int, list string, i int, id string) {
	field := fmt.Sprintf("%s[%d].id", list, i)
	c.id(field, id)
	if first, twice := seen[id]; twice && id != "" {
		c.add(field, "%s is the id of %s[%d] too; give each its own", yamlfile.Quote(id), list, first)
		return
	}
	seen[id] = i
}

func (c *check) text(field, s string) {
	switch {
	case len(s) > mostText:
		c.add(field, "has %d bytes; shorten it to %d", len(s), mostText)
	case !utf8.ValidString(s), strings.ContainsFunc(s, unicode.IsControl):
		c.add(field, "holds control characters or broken text; write plain text")
	}
}

func (c *check) count(field string, n, most int) {
	if n > most {
		c.add(field, "has %d entries; at most %d are taken", n, most)
	}
}

func (c *check) width(field string, um int64) {
	if um < 0 || um > mostWidth {
		c.add(field, "is %g mm; give a width from 0 to %d mm", float64(um)/1000, mostWidth/1000)
	}
}

// length checks a length against a number of metres.
func (c *check) length(field string, um int64, metres int64) {
	if um < 0 || um > metres*1_000_000 {
		c.add(field, "is %g mm; give a length from 0 to %d m", float64(um)/1000, metres)
	}
}

func (c *check) optionalID(field, id string) {
	if id != "" {
		c.id(field, id)
	}
}

func (c *check) duration(field string, d *durationpb.Duration) {
	if d == nil {
		return
	}
	if err := d.CheckValid(); err != nil || d.AsDuration() < 0 || d.AsDuration() > mostDuration {
		c.add(field, "is not between 0 and 720h (30 days)")
	}
}

func (c *check) media(list []*tandemv1.Media) {
	c.count("media", len(list), mostEntries)
	seen := map[string]int{}
	for i, m := range list {
		field := fmt.Sprintf("media[%d]", i)
		c.unique(seen, "media", i, m.GetId())
		c.text(field+".display_name", m.GetDisplayName())
		c.width(field+".width_um", m.GetWidthUm())
		c.length(field+".sheet_length_um", m.GetSheetLengthUm(), 100)
		c.length(field+".roll_length_um", m.GetRollLengthUm(), 10_000)
		c.length(field+".low_um", m.GetLowUm(), 10_000)
		if most := m.GetRollLengthUm(); most > 0 && m.GetLowUm() >= most {
			c.add(field+".low_um", "is not below roll_length_um: a new roll would be low; give less than %g mm", float64(most)/1000)
		}
		c.optionalID(field+".blade", m.GetBlade())
		if n := m.GetThroughPasses(); n < 0 || n > 20 {
			c.add(field+".through_passes", "is %d; give 0 to 20 passes", n)
		}
		c.supplies = append(c.supplies, m.GetId())
	}
}

func (c *check) people(list []*tandemv1.Person) {
	c.count("people", len(list), mostEntries)
	seen := map[string]int{}
	for i, p := range list {
		c.unique(seen, "people", i, p.GetId())
		c.text(fmt.Sprintf("people[%d].display_name", i), p.GetDisplayName())
	}
}

// supply checks a reference to the media list.
func (c *check) supply(field, id string) {
	if !tandemv1.ValidID(id) {
		c.add(field, "%s is not an id; %s", yamlfile.Quote(id), idRule)
		return
	}
	if len(c.supplies) == 0 || slices.Contains(c.supplies, id) {
		return
	}
	if near := yamlfile.Nearest(id, c.supplies); near != "" {
		c.add(field, "there is no media %q; did you mean %s?", id, near)
		return
	}
	c.add(field, "there is no media %q; add it to the media list", id)
}
