package compare

import (
	"fmt"
	"math"

	tandemv1 "tandem/proto/tandem/v1"
)

// back is what a floor costs more and brings more than the first one.
type back struct {
	reckoned bool
	invest   float64
	gain     *tandemv1.Estimate // a year
	years    *tandemv1.Estimate // nil: never
	lateGain float64            // part of the gain: jobs that are no longer late
	lines    []string
}

func (b back) message() *tandemv1.PayBack {
	return &tandemv1.PayBack{Invest: b.invest, GainPerYear: b.gain, Years: b.years, Reckoning: b.lines}
}

// newDevices returns the devices of a floor that the first one does not have, or has with nothing to do.
func (c *Comparison) newDevices(f *contestant) []*tandemv1.Device {
	have := map[string]bool{}
	for _, d := range c.floors[0].file.GetDevices() {
		have[d.GetId()] = len(d.GetAbilities()) > 0
	}
	var out []*tandemv1.Device
	for _, d := range f.file.GetDevices() {
		if !have[d.GetId()] && len(d.GetAbilities()) > 0 {
			out = append(out, d)
		}
	}
	return out
}

// invest returns what it costs to get to the floor.
func (c *Comparison) invest(i int) float64 {
	if v := c.req.GetFloors()[i].GetInvest(); v != 0 {
		return v
	}
	sum := 0.0
	for _, d := range c.newDevices(c.floors[i]) {
		sum += d.GetPrice()
	}
	return sum
}

// year is how a year goes on a floor.
type year struct {
	open    float64 // hours in which somebody is there
	present float64 // operators' hours; 0: not known
}

func (c *Comparison) year(f *contestant) year {
	end := c.start.AddDate(1, 0, 0)
	y := year{open: f.people.Attended(c.start, end).Hours()}
	if f.people.Limited() {
		for _, w := range f.people.Windows(c.start, end) {
			y.present += float64(w.Operators) * w.To.Sub(w.From).Hours()
		}
	}
	if given := f.file.GetMoney().GetYearHours(); given > 0 {
		y.present *= share(given, y.open)
		y.open = given
	}
	return y
}

// cost is what one replication costs on a floor, lateness apart: work and running.
func (p *play) cost(f *contestant, m *tandemv1.Money, paidByHour bool) float64 {
	sum := 0.0
	if paidByHour {
		sum = p.work / 3600 * m.GetOperatorHour()
	}
	for i, d := range f.file.GetDevices() {
		if i < len(p.devices) {
			sum += (p.devices[i].Spent.Busy + p.devices[i].Spent.Changeover).Hours() * d.GetRunningHour()
		}
	}
	return sum
}

// back reckons what a floor brings against the first one. Money is as in the first floor's file.
func (c *Comparison) back(i int) back {
	first, f := c.floors[0], c.floors[i]
	m := first.file.GetMoney()
	b := back{invest: c.invest(i), reckoned: m != nil && i > 0}
	if !b.reckoned {
		return b
	}
	there, here := c.year(first), c.year(f)
	// People are paid by their shifts where those differ, else by what they do: the rest of their time is worth something.
	byHour := math.Abs(there.present-here.present) < 1
	var gains, late []float64
	for n := range f.plays {
		a, o := first.plays[n], f.plays[n]
		playsAYear := share(there.open*3600, c.covers(first, a))
		lateHours := (a.late - o.late) / 3600 * playsAYear
		freed := c.freed(f, o, here) - c.freed(first, a, there)
		gain := (a.cost(first, m, byHour)-o.cost(f, m, byHour))*playsAYear + lateHours*m.GetLateHour() + freed*there.open*m.GetMarginHour()
		if !byHour {
			gain -= (here.present - there.present) * m.GetOperatorHour()
		}
		gains, late = append(gains, gain), append(late, lateHours*m.GetLateHour())
	}
	b.gain, b.lateGain = estimate(gains), estimate(late).GetMean()
	b.years = yearsOf(b.invest, b.gain)
	b.lines = c.reckoning(i, b, there, here, byHour)
	return b
}

// covers returns for how many seconds of a floor's hours a replication stands: those that its jobs took, or those of the days
// of the mix.
func (c *Comparison) covers(f *contestant, p *play) float64 {
	if c.mix == nil {
		return p.open
	}
	return f.people.Attended(c.start, c.mix.end).Seconds()
}

// keepsUp is how many times the hours of the days of a mix a floor may take for what comes in them and still be said to keep
// up with it: the last jobs that come are finished later.
const keepsUp = 1.1

// lags says by how much a floor takes longer than the days of a mix last, in its own hours: more than that is not keeping up.
func (c *Comparison) lags(f *contestant) (took, planned float64, lagging bool) {
	if c.mix == nil {
		return 0, 0, false
	}
	took, planned = over(f.plays, func(p *play) float64 { return p.open }).GetMean(), c.covers(f, f.plays[0])
	return took, planned, planned > 0 && took > keepsUp*planned
}

// freed returns what a floor leaves free, as a share of the first floor's year and up to a number that is the same for all
// floors. The same jobs, again and again, leave free what they do not fill, each floor by its own hours. A mix comes as it
// comes: only a floor that does not keep up with it loses by it.
func (c *Comparison) freed(f *contestant, p *play, y year) float64 {
	if c.mix != nil {
		return -max(share(p.open, c.covers(f, p))-keepsUp, 0)
	}
	first := c.floors[0]
	return -share(p.open*c.year(first).open, y.open*c.firstOpen())
}

// firstOpen returns how many seconds of its hours the first floor takes for the jobs, in the mean.
func (c *Comparison) firstOpen() float64 {
	return over(c.floors[0].plays, func(p *play) float64 { return p.open }).GetMean()
}

// yearsOf returns after how many years an investment has come back; nil if it never does.
func yearsOf(invest float64, gain *tandemv1.Estimate) *tandemv1.Estimate {
	if gain.GetMean() <= 0 {
		return nil
	}
	y := &tandemv1.Estimate{Mean: invest / gain.GetMean(), Low: invest / gain.GetHigh(), High: math.Inf(1)}
	if gain.GetLow() > 0 {
		y.High = invest / gain.GetLow()
	}
	return y
}

// reckoning says how the money was reckoned.
func (c *Comparison) reckoning(i int, b back, there, here year, byHour bool) []string {
	m := c.floors[0].file.GetMoney()
	money := func(v float64) string { return amount(v, m.GetCurrency()) }
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if c.req.GetFloors()[i].GetInvest() != 0 {
		say("What it costs to get there, %s, is as given.", money(b.invest))
	} else if len(c.newDevices(c.floors[i])) == 0 {
		say("Nothing is bought; what is sold brings nothing.")
	} else {
		say("What it costs to get there, %s, is the sum of the prices of the devices that %s does not have; what is sold brings nothing.", money(b.invest), c.floors[0].name)
	}
	say("A year has %.0f h in which somebody is there; the work compared is taken to come again and again as long as they last.", there.open)
	if byHour {
		say("People cost %s an hour in which they work: what they save can be used for other work.", money(m.GetOperatorHour()))
	} else {
		say("People cost %s an hour in which they are there: %.0f h a year in place of %.0f h.", money(m.GetOperatorHour()), here.present, there.present)
	}
	running := 0.0
	for _, d := range append(c.floors[0].file.GetDevices(), c.floors[i].file.GetDevices()...) {
		running = max(running, d.GetRunningHour())
	}
	if running > 0 {
		say("Devices cost their running_hour for each hour of work, changeover and set-up.")
	} else {
		say("Running devices costs nothing: no running_hour is given.")
	}
	if m.GetMarginHour() > 0 {
		if c.mix == nil {
			say("Hours of a year that the same work leaves free earn %s each. That holds only if there is more work to fill them with.", money(m.GetMarginHour()))
		} else {
			say("A floor that does not keep up with the mix loses %s for each hour that it lags behind. One that keeps up earns no more by being faster: the mix brings no more work.", money(m.GetMarginHour()))
		}
	} else {
		say("Hours that the same work leaves free earn nothing: no margin_hour is given.")
	}
	if m.GetLateHour() > 0 {
		say("An hour by which a job of priority 50 is late costs %s, of other priorities in proportion.", money(m.GetLateHour()))
	} else {
		say("Lateness costs nothing: no late_hour is given.")
	}
	say("Interest, tax, repairs, floor space and resale are left out.")
	return out
}
