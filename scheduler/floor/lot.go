package floor

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

// Lot is a roll, or a stack of sheets, of one media or film. Lengths are micrometres. Its books close at any time:
// length received + corrected - used = remaining.
type Lot struct {
	ID        string
	Code      string
	Number    uint64        // order of receipt
	Spec      *tandemv1.Lot // inputs only
	Remaining int64
	Used      int64   // what runs have taken
	Corrected int64   // what measurements have put right
	archived  int64   // of Used, what runs have taken whose jobs have left the floor
	Device    *Device // it is on; nil: on none
	Receive   time.Time
	Revision  uint64
	stock     *stock
}

// stock is every lot ever received, and what the floor file says of their media.
type stock struct {
	lots  []*Lot // in the order in which they were received
	byID  map[string]*Lot
	media map[string]*tandemv1.Media
}

func newStock() *stock {
	return &stock{byID: map[string]*Lot{}, media: map[string]*tandemv1.Media{}}
}

func (k *stock) add(l *Lot) {
	l.stock = k
	k.lots = append(k.lots, l)
	k.byID[l.ID] = l
}

// Lot returns the lot with that id or code.
func (f *Floor) Lot(idOrCode string) (*Lot, bool) {
	if l, ok := f.stock.byID[idOrCode]; ok {
		return l, true
	}
	s, ok := f.lookup(idOrCode)
	return s.lot, ok && s.lot != nil
}

// Lots returns every lot in the order in which they were received.
func (f *Floor) Lots() []*Lot { return f.stock.lots }

// Media returns the media or film of the lot.
func (l *Lot) Media() string { return l.Spec.GetMedia() }

// Reserved returns what live runs still take of the lot.
func (l *Lot) Reserved() int64 {
	if l.Device == nil {
		return 0
	}
	var sum int64
	for _, r := range l.Device.Live {
		if r.Lot == l {
			sum += r.LotLength
		}
	}
	return sum
}

// Free returns what no live run has reserved.
func (l *Lot) Free() int64 { return max(l.Remaining-l.Reserved(), 0) }

// reaches says whether the lot holds so much more. An empty one does not even hold what has no known length.
func (l *Lot) reaches(need int64) bool {
	return l.Remaining > 0 && (need == 0 || l.Remaining-l.Reserved() >= need)
}

// take books what a run has used. If it used more than was left, the lot held more than its books said.
func (l *Lot) take(um int64) {
	l.Used += um
	l.Remaining -= um
	if l.Remaining < 0 {
		l.Corrected -= l.Remaining
		l.Remaining = 0
	}
}

// measure corrects what is left.
func (l *Lot) measure(um int64) {
	l.Corrected += um - l.Remaining
	l.Remaining = um
}

// reason returns media-empty-error, media-low-warning or nothing.
func (l *Lot) reason() string {
	switch {
	case l.Remaining == 0:
		return ReasonMediaEmpty
	case l.Remaining < l.stock.media[l.Media()].GetLowUm():
		return ReasonMediaLow
	}
	return ""
}

// View returns the lot as clients see it.
func (l *Lot) View() *tandemv1.Lot {
	out := proto.CloneOf(l.Spec)
	out.Code, out.RemainingUm, out.ReservedUm = l.Code, l.Remaining, l.Reserved()
	out.ReceiveTime, out.Revision = stamp(l.Receive), l.Revision
	if l.Device != nil {
		out.Device = l.Device.ID
	}
	if why := l.reason(); why != "" {
		out.StateReasons = []string{why}
	}
	return out
}

// lotInputs returns a copy of a lot with only its inputs.
func lotInputs(l *tandemv1.Lot) *tandemv1.Lot {
	return &tandemv1.Lot{Id: l.GetId(), Media: l.GetMedia(), LengthUm: l.GetLengthUm(), Note: l.GetNote()}
}

// partOf returns part of whole of a length, rounded up. Lengths and pieces are bounded so that the product fits.
func partOf(um int64, part, whole int32) int64 {
	if whole <= 0 || part == whole {
		return um
	}
	return (um*int64(part) + int64(whole) - 1) / int64(whole)
}

// partLength returns the length of web of n of the step's pieces.
func (s *Step) partLength(n int32) int64 { return partOf(s.Spec.GetLengthUm(), n, s.Whole()) }

// lotNeed returns what n pieces of a step take from a lot on the device: their length, lead and tail, and the web-up if the
// lot is put on for them. 0 if the step's length is not known.
func (d *Device) lotNeed(s *Step, n int32, webUp bool) int64 {
	if s.Spec.GetLengthUm() == 0 {
		return 0
	}
	a := d.Ability(s.Operation())
	need := s.partLength(n) + a.GetRunWasteUm()
	if webUp {
		need += a.GetWebUpUm()
	}
	return need
}

// webUpDue says whether the next run to be given to the device loses the web-up of the lot on it: a fresh one, whose web-up
// no live run has reserved.
func (d *Device) webUpDue() bool {
	return d.fresh && !slices.ContainsFunc(d.Live, func(r *Run) bool { return r.Lot != nil && r.Lot == d.Lot })
}

// tooShort says whether the lot on the device is of the step's media or film and does not reach for the pieces left.
func (d *Device) tooShort(s *Step) bool {
	return d.Lot != nil && s.Supply() == d.Loaded && !d.Lot.reaches(d.lotNeed(s, s.Left(), d.webUpDue()))
}

// ready says whether what the step needs is on the device, as far as anybody keeps account of it.
func (d *Device) ready(s *Step) bool {
	need := s.Supply()
	return need == "" || (need == d.Loaded && !d.tooShort(s))
}

// Reach returns the greatest length, in micrometres, for which the lot on the device is long enough without its lead, tail
// and web-up; below 0 if it is empty. It is false if nobody keeps account of that supply there, so that any length will do.
func (d *Device) Reach(a *tandemv1.Ability, supply string) (um int64, counted bool) {
	switch {
	case d.Lot == nil || supply == "" || supply != d.Loaded:
		return 0, false
	case d.Lot.Remaining == 0:
		return -1, true
	}
	free := d.Lot.Remaining - d.Lot.Reserved() - a.GetRunWasteUm()
	if d.webUpDue() {
		free -= a.GetWebUpUm()
	}
	return max(free, 0), true
}

// LengthLeft returns the length of web of the pieces the step still has to do, in micrometres; 0 if it is not known.
func (s *Step) LengthLeft() int64 { return s.partLength(s.Left()) }

// lacks says what is wrong with the media or film on the device for n pieces of a step and which lots would do; the reason
// is empty if nothing is wrong.
func (d *Device) lacks(s *Step, n int32) (reason, text string) {
	need := s.Supply()
	switch {
	case need == "":
		return "", ""
	case need != d.Loaded:
		return reasonMismatch, fmt.Sprintf("%s has %s, load %s first%s", d.ID, orNothing(d.Loaded), need, d.offer(s, n))
	case d.Lot == nil || d.Lot.reaches(d.lotNeed(s, n, d.webUpDue())):
		return "", ""
	case d.Lot.Remaining == 0:
		return reasonShort, fmt.Sprintf("%s on %s is empty, load more %s first%s", d.Lot.ID, d.ID, need, d.offer(s, n))
	}
	return reasonShort, fmt.Sprintf("%s takes %s and %s on %s has %s free, load a longer roll of %s first%s",
		s.ID(), Metres(d.lotNeed(s, n, d.webUpDue())), d.Lot.ID, d.ID, Metres(d.Lot.Free()), need, d.offer(s, n))
}

// Lacks says what must be loaded on the device before it can begin the pieces left of the step; "" if nothing must.
func (d *Device) Lacks(s *Step) string {
	_, why := d.lacks(s, s.Left())
	return why
}

// ShortRoll says that the lot on the device is too short for the pieces left of the step; "" if it is not.
func (d *Device) ShortRoll(s *Step) string {
	if !d.tooShort(s) {
		return ""
	}
	return fmt.Sprintf("%s has %s free, it takes %s", d.Lot.ID, Metres(d.Lot.Free()), Metres(d.lotNeed(s, s.Left(), d.webUpDue())))
}

// Reasons for programs why a run may not begin with what is on its device.
const (
	reasonMismatch = "MEDIA_MISMATCH"
	reasonShort    = "LOT_TOO_SHORT"
)

// offer names up to three lots that would do for n pieces of a step on the device, those that are on no device first, and
// of them the shortest, so that remnants are used up.
func (d *Device) offer(s *Step, n int32) string {
	const most = 3
	need := d.lotNeed(s, n, true)
	var fit []*Lot
	for _, l := range d.stock.lots {
		if l.Media() == s.Supply() && l != d.Lot && l.reaches(need) && (l.Device == nil || l.Reserved() == 0) {
			fit = append(fit, l)
		}
	}
	if len(fit) == 0 {
		return ""
	}
	slices.SortStableFunc(fit, func(a, b *Lot) int {
		if (a.Device == nil) != (b.Device == nil) {
			if a.Device == nil {
				return -1
			}
			return 1
		}
		return cmp.Compare(a.Remaining, b.Remaining)
	})
	var names []string
	for _, l := range fit[:min(len(fit), most)] {
		name := fmt.Sprintf("%s (%s, %s", l.ID, l.Code, Metres(l.Remaining))
		if l.Device != nil {
			name += ", on " + l.Device.ID
		}
		names = append(names, name+")")
	}
	return ": " + strings.Join(names, " or ") + " will do"
}

// Metres writes a length in micrometres as people at a roll say it, to the millimetre.
func Metres(um int64) string {
	s := strconv.FormatFloat(float64(um)/1e6, 'f', 3, 64)
	return strings.TrimRight(strings.TrimRight(s, "0"), ".") + " m"
}
