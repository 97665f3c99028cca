package compare

import (
	"fmt"

	tandemv1 "tandem/proto/tandem/v1"
)

// conclusion says in sentences how the floors did, each against the first one, and which is the better choice.
func (c *Comparison) conclusion(outcomes []*tandemv1.FloorOutcome, backs []back) []string {
	var out []string
	out = append(out, c.unfinishedWords(outcomes)...)
	for i := range c.floors {
		if i == 0 {
			continue
		}
		out = append(out, c.mainWords(i, outcomes)...)
		out = append(out, c.lateWords(i, outcomes)...)
		out = append(out, c.newDeviceWords(i, outcomes)...)
		out = append(out, c.moneyWords(i, backs[i])...)
	}
	out = append(out, c.choiceWords(outcomes, backs)...)
	if len(c.floors) == 1 {
		f := outcomes[0]
		out = append(out, fmt.Sprintf("%s takes %s for %s; a job takes %s from hand-in to end.", f.GetName(), span(f.GetMakespan().GetMean()), c.workWords(), span(f.GetFlowTime().GetMean())))
		out = append(out, fmt.Sprintf("What holds it back: %s.", f.GetBottleneck()))
	}
	return append(out, c.basisWords()...)
}

// workWords names the work that was played.
func (c *Comparison) workWords() string {
	if c.mix == nil {
		return "these " + plural(len(c.req.GetJobs()), "job", "jobs")
	}
	return fmt.Sprintf("this mix (%.3g jobs a day, %s)", c.mix.spec.GetJobsPerDay(), plural(len(c.mix.windows), "day", "days"))
}

func (c *Comparison) unfinishedWords(outcomes []*tandemv1.FloorOutcome) []string {
	var out []string
	for _, o := range outcomes {
		if o.GetUnfinished() > 0 {
			out = append(out, fmt.Sprintf("On %s %.1f jobs are never finished: a step of theirs cannot be done there as it is. Its figures leave them out, so do not compare them.", o.GetName(), o.GetUnfinished()))
		}
	}
	return out
}

// mainWords compares what the floors are judged by first.
func (c *Comparison) mainWords(i int, outcomes []*tandemv1.FloorOutcome) []string {
	first, o := outcomes[0], outcomes[i]
	here, there, d := o.GetMakespan(), first.GetMakespan(), o.GetDifferences()[0]
	does := "needs"
	what := ""
	if c.byFlow() {
		here, there, d = o.GetFlowTime(), first.GetFlowTime(), o.GetDifferences()[1]
		does, what = "takes", " from hand-in to end of a job"
	}
	if !c.told(d) {
		s := fmt.Sprintf("With %s no difference between %s and %s can be told: %s and %s%s.", c.workWords(), o.GetName(), first.GetName(), span(here.GetMean()), span(there.GetMean()), what)
		if !c.certain() {
			s += fmt.Sprintf(" Chance alone moves the difference by %s either way; a smaller one takes more replications to see.", span((d.GetHigh()-d.GetLow())/2))
		}
		return []string{s}
	}
	base := there.GetMean()
	less, word := -d.GetMean()/base, "less"
	low, high := -d.GetHigh()/base, -d.GetLow()/base
	if less < 0 {
		less, low, high, word = -less, -high, -low, "more"
	}
	s := fmt.Sprintf("With %s %s %s %s in place of %s on %s%s: %s %s", c.workWords(), o.GetName(), does, span(here.GetMean()), span(there.GetMean()), first.GetName(), what, percent(less), word)
	if !c.certain() {
		s += fmt.Sprintf(" (between %s and %s in 95 of 100 such comparisons)", percent(low), percent(high))
	}
	return []string{s + "."}
}

// lateWords says whether fewer jobs are late.
func (c *Comparison) lateWords(i int, outcomes []*tandemv1.FloorOutcome) []string {
	first, o := c.floors[0], c.floors[i]
	if first.plays[0].due == 0 {
		return nil
	}
	here, there := outcomes[i].GetLateShare().GetMean(), outcomes[0].GetLateShare().GetMean()
	switch d := paired(first.plays, o.plays, lateShare); {
	case c.told(d):
		return []string{fmt.Sprintf("%s ends %s of the jobs late that have a due time, in place of %s.", o.name, percent(here), percent(there))}
	case c.told(outcomes[i].GetDifferences()[2]):
		word := "less"
		if outcomes[i].GetDifferences()[2].GetMean() > 0 {
			word = "more"
		}
		return []string{fmt.Sprintf("As many jobs are late on %s, but by %s: %s a job in place of %s, weighted by priority.", o.name, word, span(outcomes[i].GetWeightedTardiness().GetMean()), span(outcomes[0].GetWeightedTardiness().GetMean()))}
	}
	if there == 0 && here == 0 {
		return []string{"No job is late on either floor."}
	}
	return []string{fmt.Sprintf("Lateness does not decide: %s of the jobs are late on %s, %s on %s.", percent(here), o.name, percent(there), first.name)}
}

// idle is the share of attended time below which a new device is said to stand idle.
const idle = 0.15

// newDeviceWords says what becomes of the devices that the first floor does not have, and what holds the floor back.
func (c *Comparison) newDeviceWords(i int, outcomes []*tandemv1.FloorOutcome) []string {
	f, o := c.floors[i], outcomes[i]
	b := c.bottleneck(f)
	var out []string
	for _, d := range c.newDevices(f) {
		for _, did := range o.GetDevices() {
			if did.GetDevice() != d.GetId() {
				continue
			}
			works := share(did.GetBusy()+did.GetChangeover(), 1-did.GetClosed())
			switch {
			case works >= idle:
				out = append(out, fmt.Sprintf("%s would work %s of the time people are there.", d.GetId(), percent(works)))
			case b.found && !b.people && does(d, b.operation):
				out = append(out, fmt.Sprintf("%s would work only %s of the time people are there.", d.GetId(), percent(works)))
			default:
				out = append(out, fmt.Sprintf("%s would mostly stand idle: it works %s of the time people are there, because it is not what holds the floor back.", d.GetId(), percent(works)))
			}
		}
	}
	before := c.bottleneck(c.floors[0])
	switch {
	case !b.found:
		out = append(out, fmt.Sprintf("What holds %s back is %s.", f.name, b.words(c, f)))
	case before.found && before.probe == b.probe:
		out = append(out, fmt.Sprintf("What holds the floor back before and after is %s.", b.words(c, f)))
	default:
		out = append(out, fmt.Sprintf("What holds %s back is %s.", f.name, b.words(c, f)))
	}
	return out
}

func does(d *tandemv1.Device, operation string) bool {
	for _, a := range d.GetAbilities() {
		if a.GetOperation() == operation {
			return true
		}
	}
	return false
}

// moneyWords says whether a floor pays.
func (c *Comparison) moneyWords(i int, b back) []string {
	if !b.reckoned {
		return nil
	}
	f := c.floors[i]
	money := func(v float64) string { return amount(v, c.floors[0].file.GetMoney().GetCurrency()) }
	span := func() string {
		if c.replications == 1 {
			return ""
		}
		return fmt.Sprintf(" (%s to %s)", money(b.gain.GetLow()), money(b.gain.GetHigh()))
	}
	var out []string
	switch {
	case b.years == nil && b.invest == 0:
		return append(out, fmt.Sprintf("%s never pays: it brings %s a year%s.", f.name, money(b.gain.GetMean()), span()))
	case b.years == nil:
		return append(out, fmt.Sprintf("%s never pays: it costs %s and brings %s a year%s.", f.name, money(b.invest), money(b.gain.GetMean()), span()))
	case c.replications > 1 && b.gain.GetLow() <= 0:
		out = append(out, fmt.Sprintf("Whether %s pays cannot be told: it costs %s and brings %s a year, but anything from %s to %s is likely.", f.name, money(b.invest), money(b.gain.GetMean()), money(b.gain.GetLow()), money(b.gain.GetHigh())))
	case b.invest == 0:
		out = append(out, fmt.Sprintf("%s costs nothing to get to and brings %s a year%s.", f.name, money(b.gain.GetMean()), span()))
	default:
		s := fmt.Sprintf("%s costs %s and brings %s a year%s: it has paid after %s years", f.name, money(b.invest), money(b.gain.GetMean()), span(), oneDecimal(b.years.GetMean()))
		if c.replications > 1 {
			s += fmt.Sprintf(" (%s to %s)", oneDecimal(b.years.GetLow()), oneDecimal(b.years.GetHigh()))
		}
		out = append(out, s+".")
	}
	if _, _, lagging := c.lags(c.floors[0]); lagging {
		out = append(out, fmt.Sprintf("Take that as a sign and not as a forecast: %s does not keep up with this mix, and jobs that get later and later cost more and more.", c.floors[0].name))
	}
	if b.lateGain > b.gain.GetMean()/2 {
		out = append(out, fmt.Sprintf("Most of that, %s a year, is jobs that are no longer late: it stands or falls with what a late hour costs (%s).", money(b.lateGain), money(c.floors[0].file.GetMoney().GetLateHour())))
	}
	return out
}

// writtenOff is over how many years what a floor costs is spread when floors are weighed against one another.
const writtenOff = 7

// choiceWords names the better choice, and why.
func (c *Comparison) choiceWords(outcomes []*tandemv1.FloorOutcome, backs []back) []string {
	if len(c.floors) < 2 {
		return nil
	}
	for _, o := range outcomes {
		if o.GetUnfinished() > 0 {
			return nil
		}
	}
	best, why := c.choiceByTime()
	if backs[1].reckoned {
		best, why = c.choiceByMoney(backs)
	}
	s := fmt.Sprintf("The better choice is %s: %s.", c.floors[best].name, why)
	if device, other := combinedOnly(c.floors[best].file), c.otherApart(best); device != "" && other {
		s += fmt.Sprintf(" %s prints and cuts, one after the other: with so little to do at a time that costs little, and a panel that is not laminated is cut without being loaded, set up and started again.", device)
	}
	return []string{s}
}

// choiceByMoney weighs what a floor brings in a year against what it costs, spread over some years. A gain that cannot be told
// from none counts as none.
func (c *Comparison) choiceByMoney(backs []back) (int, string) {
	best, most := 0, 0.0
	for i, b := range backs {
		if i == 0 || (c.replications > 1 && b.gain.GetLow() <= 0) {
			continue
		}
		if net := b.gain.GetMean() - b.invest/writtenOff; net > most {
			best, most = i, net
		}
	}
	if best == 0 {
		return 0, fmt.Sprintf("no other brings more than it costs within %d years", writtenOff)
	}
	return best, fmt.Sprintf("it brings most, what it costs spread over %d years", writtenOff)
}

// noticeable is the part of the time by which a floor must be faster to be chosen for it.
const noticeable = 0.01

// choiceByTime takes the fastest floor, or the cheapest of those that are as fast: the first of them if prices do not tell.
func (c *Comparison) choiceByTime() (int, string) {
	measure := c.measure()
	mean := func(i int) float64 { return over(c.floors[i].plays, measure).GetMean() }
	fastest := 0
	for i := range c.floors {
		if mean(i) < mean(fastest) {
			fastest = i
		}
	}
	best := -1
	for i := range c.floors {
		d := paired(c.floors[fastest].plays, c.floors[i].plays, measure)
		asFast := i == fastest || !c.told(d) || d.GetMean() < noticeable*mean(fastest)
		if asFast && (best < 0 || c.price(i) < c.price(best)) {
			best = i
		}
	}
	switch {
	case best != fastest && c.price(best) < c.price(fastest):
		return best, fmt.Sprintf("it is as fast as %s, as far as can be told, and costs less", c.floors[fastest].name)
	case best != fastest:
		return best, "no other is faster by more than 1 %, as far as can be told"
	case best == 0:
		return best, "it is the fastest as it is"
	case c.price(best) > 0:
		return best, "it is the fastest; whether that is worth its price takes money in the floor file to say"
	}
	return best, "it is the fastest; no prices are given"
}

// price is what the devices of a floor cost, and what it costs to get there.
func (c *Comparison) price(i int) float64 {
	sum := c.req.GetFloors()[i].GetInvest()
	for _, d := range c.floors[i].file.GetDevices() {
		sum += d.GetPrice()
	}
	return sum
}

// combinedOnly returns the device by which alone a floor prints and cuts; "" if it has others for either.
func combinedOnly(file *tandemv1.FloorFile) string {
	name := ""
	for _, d := range file.GetDevices() {
		print, cut := does(d, "print"), does(d, "cut")
		switch {
		case print && cut && name == "":
			name = d.GetId()
		case print || cut:
			return ""
		}
	}
	return name
}

// otherApart says whether another floor prints and cuts on separate devices.
func (c *Comparison) otherApart(best int) bool {
	for i, f := range c.floors {
		if i != best && combinedOnly(f.file) == "" {
			return true
		}
	}
	return false
}
