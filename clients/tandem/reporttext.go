package main

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// hours shows a time as hours and minutes, such as 7:15.
func hours(d time.Duration) span {
	if d > 0 && d < 30*time.Second {
		return span{plain, "<0:01"}
	}
	minutes := int64(d.Round(time.Minute) / time.Minute)
	return span{plain, fmt.Sprintf("%d:%02d", minutes/60, minutes%60)}
}

// share shows a ratio in per cent; a dash where it has no denominator.
func share(v *float64) span {
	if v == nil {
		return span{plain, "-"}
	}
	return span{plain, strconv.FormatFloat(100**v, 'f', 1, 64) + " %"}
}

// shareOf is part by whole.
func shareOf[N int32 | int64](part, whole N) span {
	if whole == 0 {
		return span{plain, "-"}
	}
	v := float64(part) / float64(whole)
	return share(&v)
}

// whole shows a count.
func whole[N int32 | int64](n N) span { return span{plain, strconv.FormatInt(int64(n), 10)} }

// squareMetres shows an area; a dash for none: its size may not be known.
func squareMetres(v float64) span {
	switch {
	case v <= 0:
		return span{plain, "-"}
	case v < 10:
		return span{plain, strconv.FormatFloat(v, 'f', 2, 64) + " m2"}
	case v < 100:
		return span{plain, strconv.FormatFloat(v, 'f', 1, 64) + " m2"}
	}
	return span{plain, strconv.FormatFloat(v, 'f', 0, 64) + " m2"}
}

// rollMetres shows a length of web.
func rollMetres(um int64) span {
	return span{plain, strconv.FormatFloat(float64(um)/1e6, 'f', 1, 64) + " m"}
}

// classSum adds up classes of a device's time, planned and outside.
func classSum(classes []*tandemv1.ClassTime, names ...string) time.Duration {
	var sum time.Duration
	for _, c := range classes {
		for _, n := range names {
			if c.GetClass() == n {
				sum += c.GetPlanned().AsDuration() + c.GetOutside().AsDuration()
			}
		}
	}
	return sum
}

func indicator(list []*tandemv1.Indicator, id string) *tandemv1.Indicator {
	for _, i := range list {
		if i.GetId() == id {
			return i
		}
	}
	return &tandemv1.Indicator{Id: id}
}

// showDevices prints what devices did with their time.
func (r *reporting) showDevices(m *tandemv1.DeviceReport) {
	zone := sourceZone(m.GetSource())
	if r.quiet {
		seen := map[string]bool{}
		for _, d := range m.GetPeriods() {
			if !seen[d.GetDevice()] {
				seen[d.GetDevice()] = true
				r.text("%s", d.GetDevice())
			}
		}
		return
	}
	if len(m.GetPeriods()) == 0 {
		r.say("nothing is known of any device in this time")
		return
	}
	r.headline("devices", m.GetSource())
	r.line()
	t := table{head: []string{
		"DEVICE", "PLANNED", "PRODUCTION", "SET-UP", "DELAY", "DOWN", "WAITING", "IDLE", "SILENT", "AVAILABLE", "EFFECTIVE", "QUALITY", "OEE", "RUNS", "PIECES", "AREA", "CHANGES",
	}}
	for _, d := range m.GetPeriods() {
		v := d.GetTimes()
		value := func(id string) span { return share(indicator(d.GetIndicators(), id).Value) }
		idle := plannedOf(d.GetClasses(), "idle")
		cells := []span{
			{strong, d.GetDevice()},
			hours(v.GetPlannedBusy().AsDuration()), hours(v.GetProduction().AsDuration()), hours(v.GetSetup().AsDuration()),
			hours(v.GetDelay().AsDuration()), hours(v.GetDown().AsDuration()), hours(plannedOf(d.GetClasses(), "waiting")), hours(idle), hours(v.GetSilence().AsDuration()),
			value("availability"), value("effectiveness"), value("quality-ratio"), value("oee-index"),
			whole(d.GetRuns()), whole(d.GetPieces()), squareMetres(d.GetSquareMetres()), whole(d.GetChangeovers().GetRuns()),
			r.when(d.GetPeriod(), d.GetShift(), zone),
		}
		t.add(cells...)
	}
	r.put(t)
	r.line()
	r.text("Times are hours:minutes. PLANNED: the shop's hours without maintenance, and work outside of them. DELAY: stood still in a run; DOWN: without")
	r.text("one. WAITING: had work that nobody had begun. SILENT: nobody knows. AVAILABLE to OEE are key performance indicators of ISO 22400-2.")
	r.standstills(m, zone)
	if r.all {
		r.indicators(m, zone)
	}
}

// when is the cell that names a part; put shows that column only where the period is divided.
func (r *reporting) when(p *tandemv1.Period, shift string, zone *time.Location) span {
	return span{plain, partText(p, shift, zone)}
}

// put prints a table whose rows end with a cell of when.
func (r *reporting) put(t table) {
	if r.period != "" {
		t.head = append(t.head, "WHEN")
	} else {
		for i, row := range t.rows {
			t.rows[i] = row[:len(t.head)]
		}
	}
	t.print(r.printer)
}

func plannedOf(classes []*tandemv1.ClassTime, name string) time.Duration {
	for _, c := range classes {
		if c.GetClass() == name {
			return c.GetPlanned().AsDuration()
		}
	}
	return 0
}

// standstills prints why devices stood still.
func (r *reporting) standstills(m *tandemv1.DeviceReport, zone *time.Location) {
	t := table{head: []string{"DEVICE", "NO WORK FOR", "TIMES", "CLASS", "BECAUSE"}}
	for _, d := range m.GetPeriods() {
		for _, s := range d.GetStandstills() {
			t.add(span{strong, d.GetDevice()}, span{plain, shortSpan(s.GetDuration())}, whole(s.GetTimes()), span{plain, s.GetClass()}, span{plain, orDash(s.GetReason())},
				r.when(d.GetPeriod(), d.GetShift(), zone))
		}
	}
	if len(t.rows) > 0 {
		r.line()
		r.put(t)
	}
}

func shortSpan(d *durationpb.Duration) string {
	if v := d.AsDuration(); v < time.Minute {
		return wording.Span(v.Round(time.Second))
	}
	return wording.Span(d.AsDuration().Round(time.Minute))
}

// indicators prints every indicator, and what those lack that have no value.
func (r *reporting) indicators(m *tandemv1.DeviceReport, zone *time.Location) {
	t := table{head: []string{"DEVICE", "INDICATOR", "VALUE", "FORMULA", "LACKS"}}
	for _, d := range m.GetPeriods() {
		for _, i := range d.GetIndicators() {
			t.add(span{strong, d.GetDevice()}, span{plain, i.GetId()}, share(i.Value), span{plain, i.GetFormula()}, span{plain, orDash(i.GetLacks())}, r.when(d.GetPeriod(), d.GetShift(), zone))
		}
	}
	r.line()
	r.put(t)
}

// showJobs prints what became of jobs.
func (r *reporting) showJobs(m *tandemv1.JobReport, clock wording.Clock) {
	zone := clock.Zone
	if r.quiet {
		for _, p := range m.GetPeriods() {
			for _, l := range p.GetLate() {
				r.text("%s", l.GetJob())
			}
		}
		return
	}
	r.headline("jobs", m.GetSource())
	r.line()
	t := table{head: []string{
		"TAKEN IN", "COMPLETED", "CANCELED", "GIVEN UP", "OPEN", "PIECES", "SPOILED", "AREA", "MEAN TIME", "HALF WITHIN", "9 OF 10 WITHIN", "DUE", "ON TIME", "PIECES/H",
	}}
	for _, p := range m.GetPeriods() {
		f := p.GetFlow()
		t.add(whole(p.GetAccepted()), whole(p.GetCompleted()), whole(p.GetCanceled()), whole(p.GetAborted()), whole(p.GetOpen()), whole(p.GetPiecesGood()), whole(p.GetPiecesSpoiled()),
			squareMetres(p.GetSquareMetres()), flowText(f.GetMean()), flowText(f.GetP50()), flowText(f.GetP90()), whole(p.GetDue()), shareOf(p.GetOnTime(), p.GetDue()),
			throughput(indicator(p.GetIndicators(), "throughput-rate").Value), r.when(p.GetPeriod(), p.GetShift(), zone))
	}
	r.put(t)
	r.line()
	r.text("Times are from intake to completion. ON TIME: of the jobs due, those completed by then. PIECES/H: by the hours from a job's first start to its end.")
	r.operations(m, zone)
	r.late(m, clock)
}

// operations prints what each operation did.
func (r *reporting) operations(m *tandemv1.JobReport, zone *time.Location) {
	t := table{head: []string{"OPERATION", "RUNS", "GOOD", "SPOILED", "AREA", "RUN TIME"}}
	for _, p := range m.GetPeriods() {
		for _, o := range p.GetOperations() {
			t.add(span{strong, o.GetOperation()}, whole(o.GetRuns()), whole(o.GetPiecesGood()), whole(o.GetPiecesSpoiled()), squareMetres(o.GetSquareMetres()),
				hours(o.GetRunTime().AsDuration()), r.when(p.GetPeriod(), p.GetShift(), zone))
		}
	}
	if len(t.rows) > 0 {
		r.line()
		r.put(t)
	}
}

// late prints the jobs that were late.
func (r *reporting) late(m *tandemv1.JobReport, clock wording.Clock) {
	t := table{head: []string{"LATE JOB", "DUE", "DONE", "LATE BY", "FOR"}}
	for _, p := range m.GetPeriods() {
		for _, l := range p.GetLate() {
			done := span{plain, clock.At(l.GetEndTime())}
			if l.GetEndTime() == nil {
				done = span{bad, "open"}
			}
			t.add(span{strong, l.GetJob()}, span{plain, clock.At(l.GetDueTime())}, done, span{plain, shortSpan(l.GetLate())}, span{plain, l.GetDisplayName()})
		}
	}
	if len(t.rows) > 0 {
		r.line()
		t.print(r.printer)
	}
}

func flowText(d *durationpb.Duration) span {
	if d == nil {
		return span{plain, "-"}
	}
	return span{plain, shortSpan(d)}
}

func throughput(v *float64) span {
	switch {
	case v == nil:
		return span{plain, "-"}
	case *v < 100:
		return span{plain, strconv.FormatFloat(*v, 'f', 1, 64)}
	}
	return span{plain, strconv.FormatFloat(*v, 'f', 0, 64)}
}

// showWaste prints what was wasted.
func (r *reporting) showWaste(m *tandemv1.WasteReport, zone *time.Location) {
	r.headline("waste", m.GetSource())
	var made, lost int64
	causes := table{head: []string{"SPOILED", "OF ALL", "TIMES", "OPERATION", "DEVICE", "AREA", "FOUND BY", "CAUSE"}}
	remade := table{head: []string{"MADE AGAIN", "TIMES", "CAUSE"}}
	media := table{head: []string{"MEDIA", "WIDTH", "RECEIVED", "USED", "LAID OUT", "SPOILED", "LOST", "WASTE", "COVERED", "RUNS", "WITHOUT LOT"}}
	for _, p := range m.GetPeriods() {
		made += p.GetPieces()
		when := r.when(p.GetPeriod(), p.GetShift(), zone)
		for _, s := range p.GetSpoiled() {
			lost += s.GetPieces()
			by, cause := "device", orElse(s.GetCause(), "-")
			if s.GetByPerson() {
				by = "person"
			}
			causes.add(whole(s.GetPieces()), spoiledShare(s, p), whole(s.GetTimes()), span{plain, orDash(s.GetOperation())}, span{strong, orDash(s.GetDevice())},
				squareMetres(s.GetSquareMetres()), span{plain, by}, span{plain, cause}, when)
		}
		for _, s := range p.GetRemade() {
			remade.add(whole(s.GetPieces()), whole(s.GetTimes()), span{plain, orDash(s.GetCause())}, when)
		}
		for _, u := range p.GetMedia() {
			width := span{plain, "-"}
			if u.GetWidthUm() > 0 {
				width = span{plain, wording.Millimetres(u.GetWidthUm())}
			}
			length := rollMetres
			if u.GetUsedUm() == 0 && u.GetRuns() == u.GetRunsWithoutLot() {
				length = func(int64) span { return span{plain, "-"} }
			}
			media.add(span{strong, u.GetMedia()}, width, rollMetres(u.GetReceivedUm()), length(u.GetUsedUm()), length(u.GetLaidUm()), length(u.GetSpoiledUm()),
				length(u.GetLostUm()), shareOf(u.GetLostUm()+u.GetSpoiledUm(), u.GetUsedUm()), covered(u), whole(u.GetRuns()), whole(u.GetRunsWithoutLot()), when)
		}
	}
	r.line(span{plain, fmt.Sprintf("%s spoiled, %d made, each operation counted", wording.Count(int(lost), "piece"), made)})
	for _, t := range []table{causes, remade, media} {
		if len(t.rows) > 0 {
			r.line()
			r.put(t)
		}
	}
	if len(media.rows) > 0 {
		r.line()
		r.text("LOST: web-up, leads and tails, without a piece on it. WASTE: lost and spoiled, of what was used. COVERED: area of the good")
		r.text("pieces, of the web used for them. Runs WITHOUT LOT are in no length.")
	}
}

// spoiledShare is the share of spoiled pieces in those made. More than those were made before the period, or not at all, as those of a
// job that was canceled, and are no share of them.
func spoiledShare(s *tandemv1.Spoilage, p *tandemv1.WastePeriod) span {
	if s.GetPieces() > p.GetPieces() {
		return span{plain, "-"}
	}
	return shareOf(s.GetPieces(), p.GetPieces())
}

// covered is what of the web has become good pieces.
func covered(u *tandemv1.MediaUse) span {
	if u.GetPieceWebSquareMetres() <= 0 {
		return span{plain, "-"}
	}
	v := u.GetPieceSquareMetres() / u.GetPieceWebSquareMetres()
	return share(&v)
}

// showNight prints the morning report.
func (r *reporting) showNight(m *tandemv1.NightReport, clock wording.Clock) {
	if r.quiet {
		for _, w := range m.GetWaiting() {
			r.text("%s", words("/", orElse(w.GetJob(), w.GetDevice()), w.GetStep()))
		}
		return
	}
	r.headline("night", m.GetSource())
	t := table{head: []string{"DEVICE", "WORKED", "STOOD STILL", "IDLE", "SILENT", "RUNS", "FAILED", "GOOD", "SPOILED", "AREA", "LAST WORK"}}
	for _, d := range m.GetDevices() {
		c := d.GetClasses()
		failed := whole(d.GetRunsFailed())
		if d.GetRunsFailed() > 0 {
			failed.Style = bad
		}
		t.add(span{strong, d.GetDevice()}, hours(classSum(c, "production", "setup", "cleanup")), hours(classSum(c, "delay", "down", "paused", "maintenance")),
			hours(classSum(c, "idle", "waiting")), hours(classSum(c, "offline", "not-reported")), whole(d.GetRunsCompleted()), failed, whole(d.GetPiecesGood()), whole(d.GetPiecesSpoiled()),
			squareMetres(d.GetSquareMetres()), span{plain, clock.At(d.GetLastWorkTime())})
	}
	if len(t.rows) > 0 {
		r.line()
		t.print(r.printer)
	}
	still := table{head: []string{"NO WORK FROM", "UNTIL", "FOR", "DEVICE", "CLASS", "IN", "BECAUSE"}}
	for _, s := range m.GetStandstills() {
		until := span{plain, clock.At(s.GetPeriod().GetToTime())}
		if s.GetOpen() {
			until = span{bad, "it goes on"}
		}
		long := s.GetPeriod().GetToTime().AsTime().Sub(s.GetPeriod().GetFromTime().AsTime())
		still.add(span{plain, clock.At(s.GetPeriod().GetFromTime())}, until, span{plain, shortSpan(durationpb.New(long))}, span{strong, s.GetDevice()}, span{plain, s.GetClass()},
			span{plain, orDash(words("/", s.GetJob(), s.GetStep()))}, span{plain, orDash(s.GetReason())})
	}
	jobs := table{head: []string{"ENDED", "JOB", "HOW", "PIECES", "FOR"}}
	for _, j := range m.GetJobs() {
		how := span{plain, wording.JobState(j.GetState())}
		if j.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED {
			how.Style = warned
		}
		jobs.add(span{plain, clock.At(j.GetEndTime())}, span{strong, j.GetJob()}, how, whole(j.GetPiecesGood()), span{plain, j.GetDisplayName()})
	}
	waiting := table{head: []string{"WAITS NOW", "SINCE", "WHAT"}}
	for _, w := range m.GetWaiting() {
		waiting.add(span{strong, words("/", orElse(w.GetJob(), w.GetDevice()), w.GetStep())}, span{plain, clock.At(w.GetSinceTime())}, span{plain, w.GetWhat()})
	}
	drying := table{head: []string{"PANEL", "JOB", "DRY", "WHERE", "NEXT"}}
	for _, d := range m.GetDrying() {
		dry := span{good, "since " + clock.At(d.GetDryTime())}
		if !d.GetDry() {
			dry = span{plain, "at " + clock.When(d.GetDryTime())}
		}
		drying.add(span{strong, d.GetPanelCode()}, span{plain, d.GetJob()}, dry, span{plain, orDash(d.GetPlace())}, span{plain, orDash(strings.Join(d.GetNext(), ", "))})
	}
	for _, t := range []table{still, jobs, waiting, drying} {
		if len(t.rows) > 0 {
			r.line()
			t.print(r.printer)
		}
	}
	switch {
	case len(t.rows) == 0:
		r.line()
		r.text("Nothing is known of any device in this time.")
	case len(still.rows) == 0:
		r.line()
		r.text("No device stood still.")
	}
	if len(waiting.rows) == 0 {
		r.line()
		r.text("Nothing waits for a person now.")
	}
}
