package floor

import (
	"fmt"
	"slices"
	"strings"
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
)

// mostLotLength bounds a lot: 100 km.
const mostLotLength = mostLength

// ReceiveLot takes a roll or stack into account.
type ReceiveLot struct{ Lot *tandemv1.Lot }

func (c ReceiveLot) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	if c.Lot == nil {
		return Decision{}, invalid("lot", "is missing")
	}
	v := &check{}
	lot := lotInputs(c.Lot)
	if lot.GetId() == "" {
		lot.Id = f.freeLotID()
	}
	v.id("lot.id", lot.GetId())
	switch known := f.stock.media[lot.GetMedia()]; {
	case lot.GetMedia() == "":
		v.add("lot.media", "is missing: name the media or film it is of")
	case !tandemv1.ValidID(lot.GetMedia()):
		v.id("lot.media", lot.GetMedia())
	case known == nil && len(f.stock.media) > 0:
		v.add("lot.media", "%q is not in the floor file's media list: add it there, or name one of %s", lot.GetMedia(), f.someMedia())
	case lot.GetLengthUm() == 0 && known.GetRollLengthUm() == 0:
		v.add("lot.length_um", "is missing: give it, or give %s a roll_length_um in the floor file", lot.GetMedia())
	case lot.GetLengthUm() == 0:
		lot.LengthUm = known.GetRollLengthUm()
	}
	v.length("lot.length_um", lot.GetLengthUm(), mostLotLength)
	v.text("lot.note", lot.GetNote(), mostNote)
	if len(v.violations) > 0 {
		return Decision{}, &Error{Kind: Invalid, Reason: "INVALID_FIELD", Message: "the lot cannot be received", Violations: v.violations}
	}
	if _, taken := f.stock.byID[lot.GetId()]; taken {
		return Decision{}, &Error{
			Kind: Exists, Reason: "LOT_EXISTS",
			Message: fmt.Sprintf("there is a lot %q already; choose another id, or none and it is made up", lot.GetId()),
		}
	}
	return Decision{
		Subject: "lots/" + lot.GetId(),
		Events: []*ledgerv1.Event{{Kind: &ledgerv1.Event_LotReceived{LotReceived: &ledgerv1.LotReceived{
			Lot: lot, Code: code.Format(code.Lot, f.counters.GetLot()+1),
		}}}},
	}, nil
}

// freeLotID makes up an id.
func (f *Floor) freeLotID() string {
	for n := f.counters.GetLot() + 1; ; n++ {
		id := fmt.Sprintf("lot-%d", n)
		if _, taken := f.stock.byID[id]; !taken {
			return id
		}
	}
}

// someMedia names the first few of the floor file's media.
func (f *Floor) someMedia() string {
	var names []string
	for _, m := range f.file.GetMedia() {
		names = append(names, m.GetId())
	}
	return few(names)
}

func (f *Floor) needLot(field, id string) (*Lot, error) {
	if id == "" {
		return nil, invalid(field, "is missing: name the lot by its id, or scan or key the code on it")
	}
	if l, ok := f.Lot(id); ok {
		return l, nil
	}
	e := Missing("lot", id)
	e.Violations = []Violation{{Field: field, Problem: "compare it with the code on the roll, or receive the lot first"}}
	return nil, e
}

// MeasureLot corrects what is left of a lot; 0 takes it out of use.
type MeasureLot struct {
	Lot       string // id or code
	Remaining int64
	Note      string
}

func (c MeasureLot) decide(f *Floor, now time.Time, _ Meta) (Decision, error) {
	l, err := f.needLot("id", c.Lot)
	if err != nil {
		return Decision{}, err
	}
	if c.Remaining < 0 || c.Remaining > mostLotLength {
		return Decision{}, invalid("remaining_um", "%d um is not between 0 and %d um; 0 takes the lot out of use", c.Remaining, mostLotLength)
	}
	out := Decision{Subject: l.subject()}
	if l.Remaining == c.Remaining {
		return out, nil
	}
	if l.Device != nil {
		for _, r := range l.Device.Live {
			if r.Lot == l && r.State == tandemv1.JobState_JOB_STATE_PROCESSING && c.Remaining > 0 {
				return Decision{}, conflict("LOT_IN_USE", "%s takes from %s on %s right now: measure it once that stands still or has ended; only 0, for an empty roll, can be booked meanwhile", r.ID, l.ID, l.Device.ID)
			}
		}
	}
	out.Events = []*ledgerv1.Event{measured(l, c.Remaining, c.Note)}
	if d := l.Device; d != nil {
		out.Events = append(out.Events, d.nowServed(d.Loaded, l, c.Remaining, d.fresh, now)...)
	}
	return out, nil
}

func measured(l *Lot, remaining int64, note string) *ledgerv1.Event {
	e := &ledgerv1.LotMeasured{Lot: l.ID, RemainingUm: remaining, Note: note}
	if l.Device != nil {
		e.Device = l.Device.ID
	}
	return &ledgerv1.Event{Kind: &ledgerv1.Event_LotMeasured{LotMeasured: e}}
}

// LoadMedia records which media or film is on a device, and which lot of it if that is kept account of. A run that waited
// only for it, and that may start unattended, may start now.
type LoadMedia struct {
	Device string
	Media  string // empty: that of the lot
	Lot    string // id or code; empty: none that is kept account of
	Note   string // why, if nobody has changed it
}

func (c LoadMedia) decide(f *Floor, now time.Time, _ Meta) (Decision, error) {
	d, err := f.needDevice(c.Device)
	if err != nil {
		return Decision{}, err
	}
	var lot *Lot
	if c.Lot != "" {
		if lot, err = f.needLot("lot", c.Lot); err != nil {
			return Decision{}, err
		}
		if c.Media != "" && c.Media != lot.Media() {
			return Decision{}, invalid("media", "%q is not what %s is of, which is %s: leave it out", shorten(c.Media), lot.ID, lot.Media())
		}
		c.Media = lot.Media()
	}
	if c.Media == "" {
		return Decision{}, invalid("media", "name the media or film that is on the device, or its lot")
	}
	if len(f.stock.media) > 0 && f.stock.media[c.Media] == nil {
		return Decision{}, invalid("media", "%q is not in the floor file's media list: add it there, or name one of %s", shorten(c.Media), f.someMedia())
	}
	out := Decision{Subject: d.subject()}
	if d.Loaded == c.Media && d.Lot == lot {
		return out, nil
	}
	if err := d.canLoad(c.Media, lot); err != nil {
		return Decision{}, err
	}
	loaded := func(device, media, lot string) {
		out.Events = append(out.Events, &ledgerv1.Event{Kind: &ledgerv1.Event_MediaLoaded{
			MediaLoaded: &ledgerv1.MediaLoaded{Device: device, Media: media, Lot: lot, Note: c.Note},
		}})
	}
	var remaining int64
	if lot != nil {
		remaining = lot.Remaining
		if lot.Device != nil {
			loaded(lot.Device.ID, "", "")
		}
		loaded(d.ID, c.Media, lot.ID)
	} else {
		loaded(d.ID, c.Media, "")
	}
	out.Events = append(out.Events, d.nowServed(c.Media, lot, remaining, true, now)...)
	return out, nil
}

// canLoad says why that media, and that lot of it, cannot be loaded on the device now.
func (d *Device) canLoad(media string, lot *Lot) error {
	for _, r := range d.Live {
		switch need := r.Step.Supply(); {
		case need == "" || need == media || d.Loaded == media:
		case r.begun():
			return conflict("DEVICE_BUSY", "%s has begun on %s with %s: other media cannot be loaded before %s has ended or a person has resolved it", d.ID, r.Step.Job.ID, need, r.ID)
		case r.MayStart:
			return conflict("DEVICE_BUSY", "%s may begin %s of %s with %s at any moment: pause %s first, so that it is taken back, or wait until it has ended", d.ID, r.ID, r.Step.Job.ID, need, d.ID)
		}
	}
	if lot == nil {
		return nil
	}
	if lot.Remaining == 0 {
		return conflict("LOT_EMPTY", "%s is empty or out of use: load another, or measure what is left of it first", lot.ID)
	}
	if why := d.cannotTake(media); why != "" {
		return conflict("DEVICE_CANNOT", "%s %s", d.ID, why)
	}
	if lot.Device == nil || lot.Device == d {
		return nil
	}
	for _, r := range lot.Device.Live {
		if r.Lot == lot && r.firm() {
			return conflict("LOT_IN_USE", "%s is on %s, where %s of %s takes from it: it can be loaded elsewhere once that has ended", lot.ID, lot.Device.ID, r.Step.ID(), r.Step.Job.ID)
		}
	}
	return nil
}

// cannotTake says why none of the device's abilities takes a media or film; "" if one does. An ability that lists neither
// media nor films takes any.
func (d *Device) cannotTake(media string) string {
	width := d.stock.media[media].GetWidthUm()
	var narrow int64
	for _, a := range d.Spec.GetAbilities() {
		if len(a.GetMedia())+len(a.GetFilms()) > 0 && !slices.Contains(a.GetMedia(), media) && !slices.Contains(a.GetFilms(), media) {
			continue
		}
		if most := a.GetMaxWidthUm(); most > 0 && width > most {
			narrow = max(narrow, most)
			continue
		}
		return ""
	}
	if narrow > 0 {
		return fmt.Sprintf("takes at most %d mm, %s is %d mm wide", narrow/1000, media, width/1000)
	}
	var takes []string
	for _, a := range d.Spec.GetAbilities() {
		takes = append(takes, slices.Concat(a.GetMedia(), a.GetFilms())...)
	}
	slices.Sort(takes)
	return fmt.Sprintf("does not take %s; it takes %s", media, strings.Join(slices.Compact(takes), ", "))
}

// nowServed lets those of the device's waiting runs begin that waited only for this media or lot, and that may start
// unattended.
func (d *Device) nowServed(media string, lot *Lot, remaining int64, fresh bool, now time.Time) []*ledgerv1.Event {
	reached := map[*Run]bool{}
	if lot != nil {
		for _, c := range d.claims(media, lot, remaining, fresh) {
			reached[c.run] = true
		}
	}
	var out []*ledgerv1.Event
	for _, r := range d.Live {
		if r.waitsForStart() && !r.Step.Job.OnHold() && r.Override == "" && r.NeedsLoad() && r.Step.Supply() == media && (lot == nil || reached[r]) {
			out = append(out, r.allowedUnattended(now)...)
		}
	}
	return out
}

// ReplaceBlade records that a blade was put in; its counter begins anew.
type ReplaceBlade struct {
	Device string
	Blade  string // kind; empty: the same as before
}

func (c ReplaceBlade) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	d, err := f.needDevice(c.Device)
	if err != nil {
		return Decision{}, err
	}
	blade := c.Blade
	if blade == "" {
		blade = d.Blade
	}
	switch {
	case blade != "" && !tandemv1.ValidID(blade):
		return Decision{}, invalid("blade", "%q is not an id: %s", shorten(blade), tandemv1.IDRule)
	case !slices.ContainsFunc(d.Spec.GetAbilities(), hasBlade):
		return Decision{}, conflict("NO_BLADE", "%s has no blade: none of its abilities cuts", d.ID)
	}
	for _, r := range d.Live {
		switch {
		case r.State == tandemv1.JobState_JOB_STATE_PROCESSING:
			return Decision{}, conflict("DEVICE_BUSY", "%s works on %s: the head moves; replace the blade once it stands still", d.ID, r.ID)
		case r.MayStart && !r.begun():
			return Decision{}, conflict("DEVICE_BUSY", "%s may begin %s at any moment: lock %s for maintenance first", d.ID, r.ID, d.ID)
		}
	}
	return Decision{
		Subject: d.subject(),
		Events: []*ledgerv1.Event{{Kind: &ledgerv1.Event_BladeReplaced{
			BladeReplaced: &ledgerv1.BladeReplaced{Device: d.ID, Blade: blade},
		}}},
	}, nil
}

// hasBlade says whether an ability works with a blade that wears.
func hasBlade(a *tandemv1.Ability) bool {
	return a.GetOperation() == cut || a.GetBladeLifeUm() > 0 || a.GetBladeChangeover() != nil || a.GetCutMotion() != nil || a.GetPerPathMetre() != nil
}

func (l *Lot) subject() string { return "lots/" + l.ID }
