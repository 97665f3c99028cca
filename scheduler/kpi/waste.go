package kpi

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// WastePart is what was spoiled, made again and used up in a part of the period.
type WastePart struct {
	Part
	Made    int64      // pieces of the runs that ended in the part, each operation counted
	Causes  []Cause    // of spoiled pieces, the most first
	Remakes []Cause    // of pieces made again, the most first: only Why, Times and Pieces are set
	Media   []MediaUse // by media
}

// Cause is why pieces were spoiled. What a device counts itself has its run's reasons, or no Why.
type Cause struct {
	Operation, Device string // empty: nobody knows
	Why               string
	ByPerson          bool
	Times             int
	Pieces            int64
	AreaM2            float64 // of web, where its size is known
}

// MediaUse is what was used of one media or film. Lengths are micrometres of web; a width of 0 is not known.
type MediaUse struct {
	Media      string
	WidthUm    int64
	Lots       int   // received
	ReceivedUm int64 // of these lots
	// UsedUm is what runs that ended in the part took from lots, LaidUm what the layouts of the pieces they made are long. What is between is lost
	// in web-up, leads and tails. Runs without a lot or a length are in neither: NoLot counts them.
	UsedUm, LaidUm int64
	SpoiledUm      int64 // of LaidUm, for pieces that were spoiled in the run itself or found later
	Runs, NoLot    int
	// PiecesM2 is the area of the good pieces, and OfM2 that of the web that was used for them, where the sizes of both are known.
	PiecesM2, OfM2 float64
}

// LostUm returns what was lost without a piece on it.
func (m MediaUse) LostUm() int64 { return max(m.UsedUm-m.LaidUm, 0) }

// WasteParts returns what was wasted in each part.
func (p *Past) WasteParts(parts []Part) []WastePart {
	var out []WastePart
	for _, part := range parts {
		v := WastePart{Part: part}
		v.spoiled(p)
		v.remakes(p)
		v.media(p)
		out = append(out, v)
	}
	return out
}

func (v *WastePart) spoiled(p *Past) {
	add := func(c Cause) {
		i := slices.IndexFunc(v.Causes, func(o Cause) bool {
			return o.Operation == c.Operation && o.Device == c.Device && o.Why == c.Why && o.ByPerson == c.ByPerson
		})
		if i < 0 {
			v.Causes = append(v.Causes, c)
			return
		}
		o := &v.Causes[i]
		o.Times, o.Pieces, o.AreaM2 = o.Times+1, o.Pieces+c.Pieces, o.AreaM2+c.AreaM2
	}
	for i := range p.Runs {
		r := &p.Runs[i]
		if !v.holds(r.Ended) {
			continue
		}
		v.Made += r.Made()
		if r.Spoiled > 0 {
			area := 0.0
			if r.Made() > 0 {
				area = r.AreaM2() * float64(r.Spoiled) / float64(r.Made())
			}
			why := strings.Join(r.Reasons, " ")
			if strings.HasPrefix(why, "job-completed") {
				why = ""
			}
			add(Cause{Operation: r.Operation, Device: r.Device, Why: why, Times: 1, Pieces: r.Spoiled, AreaM2: area})
		}
	}
	for _, f := range p.Found {
		if v.holds(f.At) {
			add(Cause{Operation: f.Operation, Device: f.Device, Why: f.Note, ByPerson: true, Times: 1, Pieces: f.Pieces})
		}
	}
	slices.SortStableFunc(v.Causes, func(a, b Cause) int {
		return cmp.Or(cmp.Compare(b.Pieces, a.Pieces), strings.Compare(a.Operation, b.Operation), strings.Compare(a.Device, b.Device), strings.Compare(a.Why, b.Why))
	})
}

func (v *WastePart) remakes(p *Past) {
	for _, r := range p.Remakes {
		if !v.holds(r.At) {
			continue
		}
		i := slices.IndexFunc(v.Remakes, func(o Cause) bool { return o.Why == r.Note })
		if i < 0 {
			v.Remakes = append(v.Remakes, Cause{Why: r.Note, ByPerson: true})
			i = len(v.Remakes) - 1
		}
		v.Remakes[i].Times++
		v.Remakes[i].Pieces += r.Pieces
	}
	slices.SortStableFunc(v.Remakes, func(a, b Cause) int { return cmp.Or(cmp.Compare(b.Pieces, a.Pieces), strings.Compare(a.Why, b.Why)) })
}

func (v *WastePart) media(p *Past) {
	of := func(media string) *MediaUse {
		i := slices.IndexFunc(v.Media, func(m MediaUse) bool { return m.Media == media })
		if i < 0 {
			v.Media = append(v.Media, MediaUse{Media: media, WidthUm: p.width(media)})
			i = len(v.Media) - 1
		}
		return &v.Media[i]
	}
	lots := map[string]*Lot{}
	for i := range p.Lots {
		l := &p.Lots[i]
		lots[l.ID] = l
		if v.holds(l.Received) {
			m := of(l.Media)
			m.Lots++
			m.ReceivedUm += l.LengthUm
		}
	}
	for i := range p.Runs {
		r := &p.Runs[i]
		if !v.holds(r.Ended) || !r.began() || r.Supply == "" {
			continue
		}
		m := of(r.Supply)
		m.Runs++
		var used int64
		for _, u := range r.Lots {
			if l := lots[u.Lot]; l != nil && l.Media != r.Supply {
				of(l.Media).UsedUm += u.LengthUm // a person let it begin with other media
				m = of(r.Supply)
				continue
			}
			used += u.LengthUm
		}
		if used == 0 || r.LengthUm == 0 || r.Pieces == 0 {
			m.UsedUm += used
			m.NoLot++
			continue
		}
		part := func(n int64) int64 { return int64(float64(r.LengthUm) * float64(n) / float64(r.Pieces)) }
		m.UsedUm += used
		m.LaidUm += min(part(r.Made()), used)
		scrap := min(r.Spoiled+r.Found, r.Made())
		m.SpoiledUm += min(part(scrap), used)
		if r.PiecesM2 > 0 && m.WidthUm > 0 {
			m.PiecesM2 += r.PiecesM2 * float64(r.Made()-scrap) / float64(r.Pieces)
			m.OfM2 += float64(used) / 1e6 * float64(m.WidthUm) / 1e6
		}
	}
	slices.SortFunc(v.Media, func(a, b MediaUse) int { return strings.Compare(a.Media, b.Media) })
}

// width returns how wide a media is, by the last floor file that has it.
func (p *Past) width(media string) int64 {
	for _, f := range slices.Backward(p.Floors) {
		for _, m := range f.File.GetMedia() {
			if m.GetId() == media {
				return m.GetWidthUm()
			}
		}
	}
	return 0
}

// Of returns the past of some devices: what their runs did, and the spoiled pieces that are put down to them. Remakes and received lots
// belong to no device and are left out, unless no device is named.
func (p *Past) Of(devices []string) *Past {
	if len(devices) == 0 {
		return p
	}
	out := *p
	out.Runs = slices.DeleteFunc(slices.Clone(p.Runs), func(r Run) bool { return !slices.Contains(devices, r.Device) })
	out.Found = slices.DeleteFunc(slices.Clone(p.Found), func(f Found) bool { return !slices.Contains(devices, f.Device) })
	out.Remakes = nil
	out.Lots = slices.Clone(p.Lots)
	for i := range out.Lots {
		out.Lots[i].Received = time.Time{}
	}
	return &out
}
