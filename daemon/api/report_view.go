package api

import (
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/kpi"
)

// mostLate bounds the list of late jobs of one part.
const mostLate = 100

func periodOf(i kpi.Interval) *tandemv1.Period {
	return &tandemv1.Period{FromTime: timestamppb.New(i.From), ToTime: timestamppb.New(i.To)}
}

// stampOf is a time on the wire; the zero time is absent.
func stampOf(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

func classTimes(a *kpi.Account) []*tandemv1.ClassTime {
	var out []*tandemv1.ClassTime
	for c := range kpi.Classes {
		out = append(out, &tandemv1.ClassTime{Class: c.String(), Planned: durationpb.New(a.Planned[c]), Outside: durationpb.New(a.Outside[c])})
	}
	return out
}

func indicators(values []kpi.Value) []*tandemv1.Indicator {
	var out []*tandemv1.Indicator
	for _, v := range values {
		i := &tandemv1.Indicator{Id: v.ID, Formula: v.Formula, Lacks: v.Lacks}
		if v.Known {
			i.Value = new(v.Value)
		}
		out = append(out, i)
	}
	return out
}

func devicePeriod(v *kpi.DevicePart) *tandemv1.DevicePeriod {
	t := v.Times
	out := &tandemv1.DevicePeriod{
		Device: v.Device, Period: periodOf(v.Interval), Shift: v.Shift, Operations: v.Operations, Classes: classTimes(&v.Account),
		Times: &tandemv1.DeviceTimes{
			PlannedOperation: durationpb.New(t.POT), PlannedBusy: durationpb.New(t.PBT), UnitBusy: durationpb.New(t.AUBT),
			UnitProcessing: durationpb.New(t.AUPT), Production: durationpb.New(t.APT), Setup: durationpb.New(t.ASUT),
			Delay: durationpb.New(t.ADET), Down: durationpb.New(t.ADOT), Silence: durationpb.New(v.Account.Silence()),
		},
		Indicators: indicators(v.Values), Runs: int32(v.Runs), RunsFailed: int32(v.Failed),
		Pieces: v.Quantities.Produced, PiecesGood: v.Quantities.Good, PiecesSpoiled: v.Quantities.Scrap, PiecesRemade: v.Remade, SquareMetres: v.AreaM2, RunStops: int32(v.Stops),
		Changeovers: &tandemv1.Changeovers{
			Runs: int32(v.Changes.Any), Media: int32(v.Changes.Media), Film: int32(v.Changes.Film), Mode: int32(v.Changes.Mode), Blade: int32(v.Changes.Blade), Loads: int32(v.Loads),
		},
	}
	for _, s := range v.Standing {
		out.Standstills = append(out.Standstills, &tandemv1.Standstill{Class: s.Class.String(), Reason: s.Why, Times: int32(s.Times), Duration: durationpb.New(s.Long)})
	}
	return out
}

func jobPeriod(v *kpi.JobPart) *tandemv1.JobPeriod {
	out := &tandemv1.JobPeriod{
		Period: periodOf(v.Interval), Shift: v.Shift, Accepted: int32(v.Accepted), Completed: int32(v.Completed), Canceled: int32(v.Canceled),
		Aborted: int32(v.Aborted), Open: int32(v.Open), PiecesGood: v.Good, PiecesSpoiled: v.Spoiled, SquareMetres: v.AreaM2,
		Due: int32(v.Due), OnTime: int32(v.OnTime), Indicators: indicators(v.Values), Flow: &tandemv1.FlowTime{Jobs: int32(v.Flow.N)},
	}
	if v.Flow.N > 0 {
		out.Flow.Mean, out.Flow.P50, out.Flow.P90 = durationpb.New(v.Flow.Mean), durationpb.New(v.Flow.P50), durationpb.New(v.Flow.P90)
	}
	for _, o := range v.Operations {
		out.Operations = append(out.Operations, &tandemv1.OperationSum{
			Operation: o.Operation, Runs: int32(o.Runs), PiecesGood: o.Good, PiecesSpoiled: o.Spoiled, SquareMetres: o.AreaM2, RunTime: durationpb.New(o.Hours),
		})
	}
	for _, l := range v.Late[:min(len(v.Late), mostLate)] {
		out.Late = append(out.Late, &tandemv1.LateJob{
			Job: l.Job, Code: l.Code, DisplayName: l.Name, DueTime: stampOf(l.Due), EndTime: stampOf(l.Finished), Late: durationpb.New(l.Late),
		})
	}
	return out
}

func wastePeriod(v *kpi.WastePart) *tandemv1.WastePeriod {
	out := &tandemv1.WastePeriod{Period: periodOf(v.Interval), Shift: v.Shift, Pieces: v.Made, Spoiled: spoilage(v.Causes), Remade: spoilage(v.Remakes)}
	for _, m := range v.Media {
		out.Media = append(out.Media, &tandemv1.MediaUse{
			Media: m.Media, WidthUm: m.WidthUm, LotsReceived: int32(m.Lots), ReceivedUm: m.ReceivedUm, Runs: int32(m.Runs), RunsWithoutLot: int32(m.NoLot),
			UsedUm: m.UsedUm, LaidUm: m.LaidUm, SpoiledUm: m.SpoiledUm, LostUm: m.LostUm(), PieceSquareMetres: m.PiecesM2, PieceWebSquareMetres: m.OfM2,
		})
	}
	return out
}

func spoilage(list []kpi.Cause) []*tandemv1.Spoilage {
	var out []*tandemv1.Spoilage
	for _, c := range list {
		out = append(out, &tandemv1.Spoilage{
			Operation: c.Operation, Device: c.Device, Cause: c.Why, ByPerson: c.ByPerson, Times: int32(c.Times), Pieces: c.Pieces, SquareMetres: c.AreaM2,
		})
	}
	return out
}

func nightReport(out *tandemv1.NightReport, w *kpi.Watch) {
	for i := range w.Devices {
		d := &w.Devices[i]
		out.Devices = append(out.Devices, &tandemv1.NightDevice{
			Device: d.Device, Classes: classTimes(&d.Account), RunsCompleted: int32(d.Completed), RunsFailed: int32(d.Failed),
			PiecesGood: d.Good, PiecesSpoiled: d.Spoiled, SquareMetres: d.AreaM2, LastWorkTime: stampOf(d.LastWork),
		})
	}
	for _, s := range w.Standing {
		out.Standstills = append(out.Standstills, &tandemv1.NightStandstill{
			Device: s.Device, Period: periodOf(s.Interval), Open: s.Open, Class: s.Class.String(), Reason: s.Why, Run: s.Run, Job: s.Job, Step: s.Step,
		})
	}
	for _, j := range w.Ended {
		out.Jobs = append(out.Jobs, &tandemv1.NightJob{Job: j.Job, Code: j.Code, DisplayName: j.Name, EndTime: stampOf(j.At), State: j.State, PiecesGood: j.Pieces})
	}
}
