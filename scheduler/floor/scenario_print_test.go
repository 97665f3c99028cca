package floor

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// clock shows a time of the first day as 08:30, or 08:30:05 if it is not a whole minute; of a later one with its date.
func (s *stage) clock(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	layout := "15:04"
	if t.Second() != 0 || t.Nanosecond() != 0 {
		layout = "15:04:05.999"
	}
	if t.YearDay() != time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC).YearDay() {
		layout = "Jan-2 " + layout
	}
	return t.UTC().Format(layout)
}

// eventLine shows an event as its kind, what it is about, its other fields as name=value, and who caused it.
func (s *stage) eventLine(e *ledgerv1.Event) string {
	m := e.ProtoReflect()
	field := m.WhichOneof(m.Descriptor().Oneofs().ByName("kind"))
	var out []string
	switch k := e.GetKind().(type) {
	case *ledgerv1.Event_FloorConfigured:
		for _, d := range k.FloorConfigured.GetFloor().GetDevices() {
			out = append(out, d.GetId())
		}
	case *ledgerv1.Event_JobCreated:
		out = append(out, k.JobCreated.GetJob().GetId(), "code="+k.JobCreated.GetCode())
		for i, p := range k.JobCreated.GetJob().GetPanels() {
			out = append(out, fmt.Sprintf("%s=%s(%d)", p.GetId(), k.JobCreated.GetPanelCodes()[i], p.GetPieces()))
		}
	case *ledgerv1.Event_PiecesRemade:
		out = append(out, k.PiecesRemade.GetJob(), "panel="+k.PiecesRemade.GetPanel().GetId(), fmt.Sprintf("pieces=%d", k.PiecesRemade.GetPanel().GetPieces()))
		for _, st := range k.PiecesRemade.GetSteps() {
			out = append(out, fmt.Sprintf("step=%s<%s", st.GetId(), strings.Join(st.GetAfter(), ";")))
		}
		for _, j := range k.PiecesRemade.GetJoins() {
			out = append(out, fmt.Sprintf("join=%s<%s", j.GetStep(), j.GetAfter()))
		}
	case *ledgerv1.Event_RunGranted:
		r := k.RunGranted.GetRun()
		out = append(out, fmt.Sprintf("%s %s/%s on %s fence=%d number=%d pieces=%d expected=%v",
			r.GetId(), r.GetJob(), r.GetStep(), r.GetDevice(), r.GetFence(), r.GetNumber(), r.GetPieces(), r.GetExpectedDuration().AsDuration()))
	case *ledgerv1.Event_LotReceived:
		l := k.LotReceived.GetLot()
		out = append(out, l.GetId(), "code="+k.LotReceived.GetCode(), l.GetMedia(), Metres(l.GetLengthUm()))
	case *ledgerv1.Event_LotMeasured:
		out = append(out, k.LotMeasured.GetLot(), Metres(k.LotMeasured.GetRemainingUm()), fmt.Sprintf("%q", k.LotMeasured.GetNote()))
	case *ledgerv1.Event_RequestAnswered:
		out = append(out, k.RequestAnswered.GetRequestId(), k.RequestAnswered.GetSubject())
	default:
		out = s.fields(m.Get(field).Message())
	}
	line := string(field.Name()) + " " + strings.Join(out, " ")
	if e.GetActor() != "" {
		line += fmt.Sprintf(" (%s)", e.GetActor())
	}
	return line
}

// fields shows the fields that are set, in the order of their numbers; a first field of the kind that names the subject
// stands alone.
func (s *stage) fields(m protoreflect.Message) []string {
	var set []protoreflect.FieldDescriptor
	m.Range(func(f protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
		set = append(set, f)
		return true
	})
	slices.SortFunc(set, func(a, b protoreflect.FieldDescriptor) int { return int(a.Number() - b.Number()) })
	var out []string
	for _, f := range set {
		v := s.value(f, m.Get(f))
		if f.Number() == 1 {
			out = append(out, v)
		} else {
			out = append(out, fmt.Sprintf("%s=%s", f.Name(), v))
		}
	}
	return out
}

func (s *stage) value(f protoreflect.FieldDescriptor, v protoreflect.Value) string {
	switch {
	case f.IsList():
		var all []string
		for i := range v.List().Len() {
			all = append(all, v.List().Get(i).String())
		}
		return strings.Join(all, ",")
	case f.Enum() != nil:
		name := string(f.Enum().Values().ByNumber(v.Enum()).Name())
		for _, prefix := range []string{"JOB_STATE_", "DEVICE_STATE_", "DEVICE_PHASE_", "LINK_", "OUTCOME_"} {
			name = strings.TrimPrefix(name, prefix)
		}
		return strings.ReplaceAll(strings.ToLower(name), "_", "-")
	case f.Message() != nil:
		switch m := v.Message().Interface().(type) {
		case *timestamppb.Timestamp:
			return s.clock(m.AsTime())
		case *durationpb.Duration:
			return m.AsDuration().String()
		case *tandemv1.Registration:
			return fitLine(m)
		}
	}
	if text := v.String(); !strings.Contains(text, " ") {
		return text
	}
	return `"` + v.String() + `"`
}

// fitLine shows the fit of a panel's marks.
func fitLine(g *tandemv1.Registration) string {
	out := g.GetPanelCode()
	if g.GetScaleX() != 0 {
		out += fmt.Sprintf(" residual=%d scale=%gx%g rotation=%g skew=%g", g.GetResidualUm(), g.GetScaleX(), g.GetScaleY(), g.GetRotationDegrees(), g.GetSkewDegrees())
	}
	if !g.GetAccepted() {
		out += " refused: " + g.GetReason()
	}
	return "(" + out + ")"
}

// state shows a job, a device or a lot as it is now.
func (s *stage) state(w *words) string {
	id := w.next()
	var out strings.Builder
	if j, ok := s.floor.Job(id); ok {
		state, reasons := j.State(s.now)
		fmt.Fprintf(&out, "%s %s %s\n", j.ID, Keyword(state), orDash(strings.Join(reasons, ",")))
		for _, st := range j.Steps {
			out.WriteString("  " + s.stepLine(st) + "\n")
		}
		for _, p := range j.Panels {
			place := orDash(p.Place)
			if p.Slot != "" {
				place += " slot=" + p.Slot
			}
			fmt.Fprintf(&out, "  panel %s good=%d spoiled=%d place=%s\n", p.ID, p.Good, p.Spoiled, place)
		}
		return out.String()
	}
	if l, ok := s.floor.Lot(id); ok {
		return lotLine(l.View()) + "\n"
	}
	d, err := s.floor.needDevice(id)
	if err != nil {
		w.fail("%v", err)
		return ""
	}
	v := d.View(s.now)
	fmt.Fprintf(&out, "%s %s %s link=%s", d.ID, DeviceKeyword(v.GetState()), orDash(strings.Join(v.GetStateReasons(), ",")), strings.ToLower(strings.TrimPrefix(v.GetLink().String(), "LINK_")))
	if d.Loaded != "" {
		out.WriteString(" loaded=" + d.Loaded)
	}
	if d.Lot != nil {
		fmt.Fprintf(&out, " lot=%s(%s, %s reserved)", v.GetLoadedLot(), Metres(v.GetLoadedRemainingUm()), Metres(v.GetLoadedReservedUm()))
	}
	if v.GetBlade() != "" || v.GetBladeUsedUm() != 0 {
		fmt.Fprintf(&out, " blade=%s(%s)", orDash(v.GetBlade()), Metres(v.GetBladeUsedUm()))
	}
	for _, r := range v.GetRuns() {
		fmt.Fprintf(&out, "\n  %s %s/%s %s %s", r.GetRun(), r.GetJob(), r.GetStep(), Keyword(r.GetState()), orDash(strings.Join(r.GetStateReasons(), ",")))
	}
	return out.String() + "\n"
}

func (s *stage) stepLine(st *Step) string {
	v := st.View(s.now)
	line := fmt.Sprintf("%s %s %s good=%d spoiled=%d left=%d", st.ID(), Keyword(v.GetState()), orDash(strings.Join(v.GetStateReasons(), ",")), v.GetPiecesGood(), v.GetPiecesSpoiled(), v.GetPiecesLeft())
	if t := v.GetReadyTime(); t != nil && st.Open() {
		line += " ready=" + s.clock(t.AsTime())
	}
	for _, r := range v.GetRuns() {
		line += fmt.Sprintf(" %s:%s", r.GetId(), Keyword(r.GetState()))
		if took := lotsLine(r); took != "" {
			line += "(" + took + ")"
		}
		if r.GetOverrideNote() != "" {
			line += fmt.Sprintf("(%q)", r.GetOverrideNote())
		}
	}
	return line
}

// lotsLine shows which lots a run takes or took from.
func lotsLine(r *tandemv1.Run) string {
	var parts []string
	for _, u := range r.GetEarlierLots() {
		parts = append(parts, fmt.Sprintf("%d from %s %s", u.GetPieces(), orDash(u.GetLot()), Metres(u.GetLengthUm())))
	}
	if r.GetLot() != "" {
		parts = append(parts, r.GetLot()+" "+Metres(r.GetLotLengthUm()))
	}
	return strings.Join(parts, ", ")
}

func lotLine(l *tandemv1.Lot) string {
	return fmt.Sprintf("%s %s %s of %s left, %s reserved, on %s %s", l.GetId(), l.GetMedia(), Metres(l.GetRemainingUm()), Metres(l.GetLengthUm()),
		Metres(l.GetReservedUm()), orDash(l.GetDevice()), orDash(strings.Join(l.GetStateReasons(), ",")))
}

// explanation shows why a step waits, and for each device what stands in the way.
func explanation(e *tandemv1.ExplainStepResponse) string {
	out := e.GetSummary() + "\n"
	for _, c := range e.GetCandidates() {
		out += fmt.Sprintf("  %s eligible=%t work=%v", c.GetDevice(), c.GetEligible(), c.GetWork().AsDuration())
		if c.GetReason() != "" {
			out += ": " + c.GetReason()
		}
		out += "\n"
	}
	return out
}

// orders shows what a device still has to be told.
func (s *stage) orders(w *words) string {
	d, err := s.floor.needDevice(w.next())
	if err != nil {
		w.fail("%v", err)
		return ""
	}
	var out strings.Builder
	for _, o := range s.floor.Orders(d, s.heard[d.ID], s.now) {
		switch k := o.GetKind().(type) {
		case *driverv1.Order_Grant:
			g := k.Grant
			fmt.Fprintf(&out, "grant %s fence=%d %s/%s pieces=%d", g.GetRun(), g.GetFence(), g.GetJob(), g.GetStep(), g.GetPieces())
			for _, p := range g.GetPanels() {
				fmt.Fprintf(&out, " %s=%gx%g", p.GetPanelCode(), float64(p.GetWidthUm())/1000, float64(p.GetLengthUm())/1000)
			}
			if g.GetMayStart() {
				fmt.Fprintf(&out, " may start before %s", s.clock(g.GetStartBefore().AsTime()))
			}
			if g.GetReadyTime() != nil {
				fmt.Fprintf(&out, " not done before %s", s.clock(g.GetReadyTime().AsTime()))
			}
			out.WriteString("\n")
		case *driverv1.Order_Stop:
			fmt.Fprintf(&out, "stop %s fence=%d\n", k.Stop.GetRun(), k.Stop.GetFence())
		case *driverv1.Order_Settle:
			fmt.Fprintf(&out, "settle %s fence=%d\n", k.Settle.GetRun(), k.Settle.GetFence())
		}
	}
	if out.Len() == 0 {
		return "none\n"
	}
	return out.String()
}

// unrecorded shows the work that devices report and the ledger does not have.
func (s *stage) unrecorded() string {
	var out strings.Builder
	for _, u := range s.floor.Unrecorded() {
		fmt.Fprintln(&out, u)
	}
	if out.Len() == 0 {
		return "none\n"
	}
	return out.String()
}
