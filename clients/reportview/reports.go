package reportview

import (
	"fmt"
	"image/color"
	"strconv"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// When names a part of a period.
type When func(p *tandemv1.Period, shift string) string

// Tones of the classes and of other parts. Work is dark and strong, what is lost warm, what nobody knows pale.
var (
	toneWork    = color.RGBA{0x2f, 0x6d, 0xa8, 0xff}
	toneSetup   = color.RGBA{0x7f, 0xb2, 0xdd, 0xff}
	toneCleanup = color.RGBA{0xb9, 0xd6, 0xee, 0xff}
	toneWaiting = color.RGBA{0xf1, 0xd3, 0x70, 0xff}
	toneIdle    = color.RGBA{0xe3, 0xe6, 0xe9, 0xff}
	toneDelay   = color.RGBA{0xe8, 0x8a, 0x3c, 0xff}
	toneDown    = color.RGBA{0xb7, 0x3a, 0x35, 0xff}
	tonePaused  = color.RGBA{0xcb, 0xa0, 0xb8, 0xff}
	toneMaint   = color.RGBA{0x8a, 0x76, 0xb0, 0xff}
	toneOffline = color.RGBA{0xa9, 0xb0, 0xb7, 0xff}
	toneUnheard = color.RGBA{0xc6, 0xcb, 0xd0, 0xff}
	toneGood    = color.RGBA{0x4b, 0x94, 0x62, 0xff}
)

// classParts are the classes in the order of the bars.
var classParts = []struct {
	class, name string
	tone        color.RGBA
}{
	{"production", "production", toneWork},
	{"setup", "set-up", toneSetup},
	{"cleanup", "cleanup", toneCleanup},
	{"delay", "delay in a run", toneDelay},
	{"down", "down", toneDown},
	{"paused", "paused", tonePaused},
	{"maintenance", "maintenance", toneMaint},
	{"waiting", "waits to be begun", toneWaiting},
	{"idle", "idle", toneIdle},
	{"offline", "offline", toneOffline},
	{"not-reported", "not reported", toneUnheard},
}

func classChart(title string) Chart {
	c := Chart{Title: title, Unit: "hours"}
	for _, p := range classParts {
		c.Parts = append(c.Parts, Part{p.name, p.tone})
	}
	return c
}

// classHours returns a device's time by class: only what was planned, and work.
func classHours(list []*tandemv1.ClassTime, all bool) []float64 {
	out := make([]float64, len(classParts))
	for i, p := range classParts {
		for _, c := range list {
			if c.GetClass() != p.class {
				continue
			}
			t := c.GetPlanned().AsDuration()
			if all || p.class == "production" || p.class == "setup" || p.class == "cleanup" {
				t += c.GetOutside().AsDuration()
			}
			out[i] = t.Hours()
		}
	}
	return out
}

// Devices draws what devices did with their planned time, and their OEE index.
func Devices(m *tandemv1.DeviceReport, when When) Picture {
	c := classChart("What they did in the shop's hours, and work outside of them")
	index := Chart{Title: "OEE index (ISO 22400-2)", Unit: "per cent", Least: 100, Parts: []Part{{"OEE index", toneGood}}}
	divided := len(m.GetPeriods()) > 0 && m.GetPeriods()[0].GetPeriod().String() != m.GetSource().GetPeriod().String()
	for _, d := range m.GetPeriods() {
		name := d.GetDevice()
		if divided {
			name += ", " + when(d.GetPeriod(), d.GetShift())
		}
		note := "no planned time"
		if planned := d.GetTimes().GetPlannedBusy().AsDuration(); planned > 0 {
			note = fmt.Sprintf("%.0f %% production", 100*d.GetTimes().GetProduction().AsDuration().Seconds()/planned.Seconds())
		}
		c.Rows = append(c.Rows, Row{name, classHours(d.GetClasses(), false), note})
		row := Row{Name: name, Values: []float64{0}, Note: "no data"}
		for _, i := range d.GetIndicators() {
			if i.GetId() == "oee-index" && i.Value != nil {
				row.Values[0], row.Note = 100*i.GetValue(), fmt.Sprintf("%.1f %%", 100*i.GetValue())
			}
		}
		index.Rows = append(index.Rows, row)
	}
	return Picture{"Devices, " + when(m.GetSource().GetPeriod(), ""), []Chart{c, index}}
}

// Jobs draws what became of jobs in each part, which were on time, and how long they took.
func Jobs(m *tandemv1.JobReport, when When) Picture {
	ended := Chart{Title: "Jobs that ended", Unit: "jobs", Parts: []Part{{"completed", toneGood}, {"canceled", toneOffline}, {"given up", toneDown}}}
	due := Chart{Title: "Jobs that were due", Unit: "jobs", Parts: []Part{{"on time", toneGood}, {"late", toneDelay}}}
	flow := Chart{Title: "Time from intake to completion", Unit: "hours", Parts: []Part{{"half within", toneWork}, {"9 of 10 within", toneCleanup}}}
	for _, p := range m.GetPeriods() {
		name := when(p.GetPeriod(), p.GetShift())
		total := p.GetCompleted() + p.GetCanceled() + p.GetAborted()
		ended.Rows = append(ended.Rows, Row{name, []float64{float64(p.GetCompleted()), float64(p.GetCanceled()), float64(p.GetAborted())}, strconv.Itoa(int(total))})
		note := "none due"
		if p.GetDue() > 0 {
			note = fmt.Sprintf("%.0f %% on time", 100*float64(p.GetOnTime())/float64(p.GetDue()))
		}
		due.Rows = append(due.Rows, Row{name, []float64{float64(p.GetOnTime()), float64(p.GetDue() - p.GetOnTime())}, note})
		p50, p90 := p.GetFlow().GetP50().AsDuration().Hours(), p.GetFlow().GetP90().AsDuration().Hours()
		note = "no data"
		if p.GetFlow().GetJobs() > 0 {
			note = fmt.Sprintf("%.1f h, %.1f h", p50, p90)
		}
		flow.Rows = append(flow.Rows, Row{name, []float64{p50, max(p90-p50, 0)}, note})
	}
	return Picture{"Jobs, " + when(m.GetSource().GetPeriod(), ""), []Chart{ended, due, flow}}
}

// Waste draws why pieces were spoiled, the most first, and where the media went.
func Waste(m *tandemv1.WasteReport, when When) Picture {
	causes := Chart{Title: "Spoiled pieces", Unit: "pieces", Parts: []Part{{"found by a person", toneDown}, {"counted by the device", toneDelay}}}
	media := Chart{Title: "Media used", Unit: "metres", Parts: []Part{{"good pieces", toneGood}, {"spoiled pieces", toneDown}, {"lost without a piece", toneDelay}}}
	divided := len(m.GetPeriods()) > 1
	for _, p := range m.GetPeriods() {
		named := func(name string) string {
			if divided {
				return name + ", " + when(p.GetPeriod(), p.GetShift())
			}
			return name
		}
		for _, s := range p.GetSpoiled() {
			name := ""
			for _, part := range []string{s.GetDevice(), s.GetCause()} {
				if name != "" && part != "" {
					name += ": "
				}
				name += part
			}
			if name == "" {
				name = "nobody knows"
			}
			row := Row{named(name), []float64{0, float64(s.GetPieces())}, strconv.FormatInt(s.GetPieces(), 10)}
			if s.GetByPerson() {
				row.Values[0], row.Values[1] = row.Values[1], 0
			}
			causes.Rows = append(causes.Rows, row)
		}
		for _, u := range p.GetMedia() {
			metres := func(um int64) float64 { return float64(max(um, 0)) / 1e6 }
			row := Row{named(u.GetMedia()), []float64{metres(u.GetLaidUm() - u.GetSpoiledUm()), metres(u.GetSpoiledUm()), metres(u.GetLostUm())}, "no lot known"}
			if u.GetUsedUm() > 0 {
				row.Note = fmt.Sprintf("%.1f m, %.1f %% waste", metres(u.GetUsedUm()), 100*float64(u.GetSpoiledUm()+u.GetLostUm())/float64(u.GetUsedUm()))
			}
			media.Rows = append(media.Rows, row)
		}
	}
	return Picture{"Waste, " + when(m.GetSource().GetPeriod(), ""), []Chart{causes, media}}
}

// Night draws what devices did with all of their time.
func Night(m *tandemv1.NightReport, when When) Picture {
	c := classChart("What devices did")
	for _, d := range m.GetDevices() {
		note := "did not work"
		if t := d.GetLastWorkTime(); t != nil {
			var worked time.Duration
			for _, k := range d.GetClasses() {
				if k.GetClass() == "production" {
					worked = k.GetPlanned().AsDuration() + k.GetOutside().AsDuration()
				}
			}
			note = fmt.Sprintf("%.1f h production", worked.Hours())
		}
		c.Rows = append(c.Rows, Row{d.GetDevice(), classHours(d.GetClasses(), true), note})
	}
	return Picture{"Night, " + when(m.GetSource().GetPeriod(), ""), []Chart{c}}
}
