package floor

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/duration"
	"tandem/scheduler/registration"
)

// The marks of a panel are read by the cutter before it cuts, and say whether the panel can be the one it was told to cut.
// This is a check of identity beside the scan of the panel's code. It is not a safety function: it guards decals, not
// hands, and the stop it causes is as late as any other order over a network.

const (
	// mostBoxes keeps a grant below the size of a message. Panels beyond it are cut without this check.
	mostBoxes = 400
	// mostReadings is how many readings of a run are looked at in one status: the last ones.
	mostReadings = 64
	// mostAccepted is how many fits of a panel are kept in one run; a refused one always is, once.
	mostAccepted = 3
)

// box returns where the marks of a panel are for a device that reads n of them: the first n of the four corners. It is nil
// where marks cannot tell anything: the panel's size is not known, or is none that a device could find marks on.
func (p *Panel) box(n int32) []registration.Point {
	w, l := float64(p.Spec.GetWidthUm()), float64(p.Spec.GetLengthUm())
	corners := []registration.Point{{}, {X: w}, {X: w, Y: l}, {Y: l}}
	if w <= 0 || l <= 0 || n < 2 {
		return nil
	}
	if _, _, err := registration.Fit(corners, corners); err != nil {
		return nil
	}
	return corners[:min(int(n), len(corners))]
}

// marks returns how many marks of each panel the device reads for a step: none unless it cuts.
func (d *Device) marks(s *Step) int32 {
	if s.Operation() != cut {
		return 0
	}
	return duration.MarksOf(d.Ability(cut))
}

// boxes returns what a device must know of its panels to find their marks.
func (r *Run) boxes() []*driverv1.PanelBox {
	n := r.Device.marks(r.Step)
	if n == 0 {
		return nil
	}
	var out []*driverv1.PanelBox
	for _, p := range r.Step.Panels {
		if len(out) < mostBoxes && p.box(n) != nil {
			out = append(out, &driverv1.PanelBox{PanelCode: p.Code, WidthUm: p.Spec.GetWidthUm(), LengthUm: p.Spec.GetLengthUm()})
		}
	}
	return out
}

// misregistered returns the first fit that says that a panel cannot be the right one, or nil.
func (r *Run) misregistered() *tandemv1.Registration {
	for _, g := range r.Registrations {
		if !g.GetAccepted() {
			return g
		}
	}
	return nil
}

// registered returns what follows from the marks that a device has read: the fits that are new and, if one of them is
// refused, a stop. Once one is, nothing that the device reads later lets the run go on: a person decides.
func (r *Run) registered(rs *driverv1.RunStatus) []*ledgerv1.Event {
	readings := rs.GetMarkReadings()
	n := r.Device.marks(r.Step)
	if len(readings) == 0 || n == 0 || r.Device.Manual() || r.misregistered() != nil {
		return nil
	}
	readings = readings[max(len(readings)-mostReadings, 0):]
	var events []*ledgerv1.Event
	known, refused := slices.Clone(r.Registrations), false
	for _, m := range readings {
		i := slices.IndexFunc(r.Step.Panels, func(p *Panel) bool { return p.Code == m.GetPanelCode() })
		if i < 0 {
			continue
		}
		nominal := r.Step.Panels[i].box(n)
		if nominal == nil {
			continue
		}
		fit := register(m, nominal)
		if !news(known, fit) {
			continue
		}
		known, refused = append(known, fit), refused || !fit.GetAccepted()
		events = append(events, &ledgerv1.Event{Kind: &ledgerv1.Event_PanelRegistered{
			PanelRegistered: &ledgerv1.PanelRegistered{Run: r.ID, Registration: fit},
		}})
	}
	if refused && !r.Stopping && !ended(rs.GetState()) {
		events = append(events, stopping(r, true))
	}
	return events
}

// news says whether a fit tells something that is not known yet: a cutter may read a panel again and again.
func news(known []*tandemv1.Registration, fit *tandemv1.Registration) bool {
	accepted := 0
	for _, k := range known {
		switch {
		case k.GetPanelCode() != fit.GetPanelCode():
		case !k.GetAccepted() || proto.Equal(k, fit):
			return false
		default:
			accepted++
		}
	}
	return !fit.GetAccepted() || accepted < mostAccepted
}

// register fits a reading to where the marks were laid out, and judges it by the usual limits.
func register(m *driverv1.MarkReading, nominal []registration.Point) *tandemv1.Registration {
	out := &tandemv1.Registration{PanelCode: m.GetPanelCode()}
	if n := len(m.GetMarks()); n != len(nominal) {
		out.Reason = fmt.Sprintf("cannot be told from another panel: the device has read %d marks, and %d were asked for: read each mark once, in the order given", n, len(nominal))
		return out
	}
	read := make([]registration.Point, len(nominal))
	for i, at := range m.GetMarks() {
		read[i] = registration.Point{X: float64(at.GetXUm()), Y: float64(at.GetYUm())}
	}
	_, q, err := registration.Fit(nominal, read)
	if err != nil {
		out.Reason = "cannot be told from another panel: " + err.Error() + orderHint(nominal, read)
		return out
	}
	out.ResidualUm = int64(math.Round(q.MaxResidualUm))
	out.ScaleX, out.ScaleY = rounded(q.ScaleX, 6), rounded(q.ScaleY, 6)
	if q.ScaleY > 0 { // they mean nothing for a mirrored panel
		out.RotationDegrees, out.SkewDegrees = rounded(q.Rotation, 4), rounded(q.Skew, 4)
	}
	v := registration.Judge(q, registration.Limits{})
	if out.Accepted = v.Accepted; !v.Accepted {
		out.Reason = v.Reason + orderHint(nominal, read)
	}
	return out
}

// orderHint says in which order the readings would fit, if they would in any: a hint for the person at the cutter.
func orderHint(nominal, read []registration.Point) string {
	order, ok, err := registration.Order(nominal, read, registration.Limits{})
	if err != nil || !ok {
		return ""
	}
	var words []string
	for _, i := range order {
		words = append(words, fmt.Sprint(i+1))
	}
	return "; the marks fit if they were read in the order " + strings.Join(words, ", ")
}

// rounded keeps what a sensor can tell, so that what is written is as readable as what was read.
func rounded(v float64, digits int) float64 {
	p := math.Pow10(digits)
	if v = math.Round(v*p) / p; v == 0 {
		return 0 // and never -0, which is not written
	}
	return v
}

// applyPanelRegistered keeps a fit with its run.
func (f *Floor) applyPanelRegistered(e *ledgerv1.PanelRegistered) {
	r := f.mustRun(e.GetRun())
	r.Registrations = append(r.Registrations, e.GetRegistration())
	f.touchRun(r)
}

// blockMisregistered leaves a step to a person whose run had a panel that cannot be the right one, however the run ended:
// a device that has cut it to the end before it heard of the stop has done no work that counts unseen.
func (r *Run) blockMisregistered() {
	r.Step.Blocked = ReasonRegistrationFailed
	switch {
	case slices.Contains(r.Reasons, ReasonRegistrationFailed):
	case r.State == tandemv1.JobState_JOB_STATE_CANCELED:
		r.Reasons = []string{ReasonRegistrationFailed}
	default:
		r.Reasons = append([]string{ReasonRegistrationFailed}, r.Reasons...)
	}
}

// misregistration says what is wrong with a run's panel and what a person is to do.
func (r *Run) misregistration() string {
	g := r.misregistered()
	what := fmt.Sprintf("panel %s on %s %s", g.GetPanelCode(), r.Device.ID, g.GetReason())
	if r.Step.Live == r {
		return fmt.Sprintf("%s is being stopped: %s", r.Step.ID(), what)
	}
	return fmt.Sprintf("%s was stopped after %d of %d pieces: %s. Check that the right panel lies there, the right way round, and scan its code; then resolve %s with again, or with keep and the number of good pieces",
		r.Step.ID(), r.Good, r.Pieces, what, r.ID)
}
