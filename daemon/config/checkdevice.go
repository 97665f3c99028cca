package config

import (
	"fmt"
	"maps"
	"slices"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// Operations with a meaning of their own here; all others are words of the shop.
const (
	opPrint = "print"
	opDry   = "dry"
)

func (c *check) device(field string, d *tandemv1.Device) {
	c.text(field+".display_name", d.GetDisplayName())
	if n := d.GetCapacity(); n < 0 || n > mostCapacity {
		c.add(field+".capacity", "is %d; give the runs it can hold at once, 1 to %d", n, mostCapacity)
	}
	c.slots(field+".slots", d.GetSlots())
	c.words(field+".capabilities", d.GetCapabilities())
	c.amount(field+".price", d.GetPrice())
	c.amount(field+".running_hour", d.GetRunningHour())
	kind := c.driver(field+".driver", d)
	c.watches(field+".watch", d)
	c.count(field+".abilities", len(d.GetAbilities()), mostAbilities)
	if len(d.GetAbilities()) == 0 {
		c.add(field+".abilities", "is empty; say at least one operation the device can do")
	}
	seen := map[string]int{}
	for i, a := range d.GetAbilities() {
		at := fmt.Sprintf("%s.abilities[%d]", field, i)
		c.id(at+".operation", a.GetOperation())
		if first, twice := seen[a.GetOperation()]; twice && a.GetOperation() != "" {
			c.add(at+".operation", "%s is the operation of abilities[%d] too; keep one", yamlfile.Quote(a.GetOperation()), first)
		} else {
			seen[a.GetOperation()] = i
		}
		c.ability(at, a, kind)
		c.attendance(at, d, a)
		if a.GetContinuesLoaded() && len(d.GetAbilities()) < 2 {
			c.add(at+".continues_loaded", "needs another ability whose work stays on the device; remove it")
		}
	}
	if loaded := d.GetLoadedMedia(); loaded != "" {
		c.supply(field+".loaded_media", loaded)
		if !accepts(d, loaded) {
			c.add(field+".loaded_media", "%s is not among the media or films its abilities accept; add it there or load another", yamlfile.Quote(loaded))
		}
	}
}

// slots of a rack are told apart by their names.
func (c *check) slots(field string, slots []string) {
	c.count(field, len(slots), mostCapacity)
	seen := map[string]bool{}
	for i, s := range slots {
		at := fmt.Sprintf("%s[%d]", field, i)
		c.id(at, s)
		if seen[s] {
			c.add(at, "%s is there twice; keep one", yamlfile.Quote(s))
		}
		seen[s] = true
	}
}

// accepts says whether one of the device's abilities takes the media or film. An ability that names neither takes any.
func accepts(d *tandemv1.Device, supply string) bool {
	for _, a := range d.GetAbilities() {
		if len(a.GetMedia())+len(a.GetFilms()) == 0 || slices.Contains(a.GetMedia(), supply) || slices.Contains(a.GetFilms(), supply) {
			return true
		}
	}
	return len(d.GetAbilities()) == 0
}

// driver checks the device's driver and returns its kind. A process of its own may be of a kind that is not known here.
func (c *check) driver(field string, d *tandemv1.Device) Kind {
	name := d.GetDriver().GetKind()
	if name == "" {
		c.add(field+".kind", "is missing; name the kind of driver, such as sim, rack or operator")
		return Kind{}
	}
	c.words(field+".settings", d.GetDriver().GetSettings())
	if !tandemv1.ValidID(name) {
		c.id(field+".kind", name)
		return Kind{}
	}
	kind, err := c.kinds(name)
	if err != nil {
		if !d.GetDriver().GetExternal() {
			c.add(field+".kind", "%v", err)
		}
		return Kind{}
	}
	if kind.CheckDevice == nil {
		return kind
	}
	c.joined(field+".settings", kind.CheckDevice(d))
	return kind
}

func (c *check) ability(field string, a *tandemv1.Ability, kind Kind) {
	for _, list := range []struct {
		name  string
		ids   []string
		check func(field, id string)
	}{
		{"media", a.GetMedia(), c.supply},
		{"inks", a.GetInks(), c.id},
		{"modes", a.GetModes(), c.id},
		{"films", a.GetFilms(), c.supply},
	} {
		c.count(field+"."+list.name, len(list.ids), mostNames)
		seen := map[string]bool{}
		for i, id := range list.ids {
			at := fmt.Sprintf("%s.%s[%d]", field, list.name, i)
			list.check(at, id)
			if seen[id] {
				c.add(at, "%s is named twice; keep one", yamlfile.Quote(id))
			}
			seen[id] = true
		}
	}
	c.width(field+".max_width_um", a.GetMaxWidthUm())
	c.duration(field+".setup", a.GetSetup())
	c.duration(field+".per_piece", a.GetPerPiece())
	c.duration(field+".per_metre", a.GetPerMetre())
	c.duration(field+".per_path_metre", a.GetPerPathMetre())
	c.duration(field+".media_changeover", a.GetMediaChangeover())
	c.duration(field+".mode_changeover", a.GetModeChangeover())
	c.speeds(field, a)
	if u := a.GetUnattendedStart(); u != nil {
		c.unattended(field+".unattended_start", a, u, kind)
	}
}

// unattended checks who let a device start with nobody beside it. A moving blade or a nip point never may.
func (c *check) unattended(field string, a *tandemv1.Ability, u *tandemv1.UnattendedStart, kind Kind) {
	switch op := a.GetOperation(); {
	case op == opPrint, op == opDry && kind.Manual:
	case op == opDry:
		c.add(field, "is for drying without motion, on a device that people load; remove it, so that a person at the device starts every run")
	default:
		c.add(field, "is for print and for drying only; remove it, so that a person at the device starts every run")
	}
	if u.GetAllowedBy() == "" {
		c.add(field+".allowed_by", "is missing; name the person who takes the responsibility")
	}
	c.text(field+".allowed_by", u.GetAllowedBy())
	switch t := u.GetAllowTime(); {
	case t == nil:
		c.add(field+".allow_time", "is missing; give the time it was allowed, such as 2026-03-02T07:30:00+01:00")
	case !t.IsValid() || t.AsTime().Year() < 2000 || t.AsTime().Year() > 2200:
		c.add(field+".allow_time", "is not a time between the years 2000 and 2200")
	}
}

// words checks a mapping of names to text.
func (c *check) words(field string, m map[string]string) {
	c.count(field, len(m), mostSettings)
	for _, name := range slices.Sorted(maps.Keys(m)) {
		if name == "" {
			c.add(field, "has an entry without a name")
		}
		c.text(field, name)
		c.text(fmt.Sprintf("%s[%s]", field, yamlfile.Quote(name)), m[name])
	}
}
