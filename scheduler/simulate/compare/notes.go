package compare

import (
	"fmt"
	"slices"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// leastBasis is how much of the floor's own hours the jobs should fill before anybody judges a year by them.
const leastBasis = 40 * time.Hour

// basisWords says when the work played is too little to judge by.
func (c *Comparison) basisWords() []string {
	var out []string
	first := c.floors[0]
	open := over(first.plays, func(p *play) float64 { return c.covers(first, p) }).GetMean()
	if open < leastBasis.Seconds() {
		out = append(out, fmt.Sprintf("This covers %s of the floor's hours: too little to judge a year by. Play the jobs of some weeks, or a mix.", span(open)))
	}
	if c.replications > 1 && c.replications < 10 {
		out = append(out, fmt.Sprintf("%s say little about chance: ask for 20 or more.", plural(c.replications, "replication", "replications")))
	}
	for _, f := range c.floors {
		if took, planned, lagging := c.lags(f); lagging {
			out = append(out, fmt.Sprintf("%s does not keep up: it takes %s of its hours for what comes in %s. The longer this goes on, the longer jobs wait: its flow times hold for these days only.", f.name, span(took), span(planned)))
		}
	}
	return out
}

// notes says what is assumed and what was left out.
func (c *Comparison) notes() []string {
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	switch {
	case c.certain():
		say("Runs take exactly as long as expected; nothing is left to chance.")
	case c.req.GetExact():
		say("Runs take exactly as long as expected; only the jobs differ, %s.", plural(c.replications, "replication", "replications"))
	default:
		say("%s, each with the same luck on every floor: what differs is the floors.", plural(c.replications, "replication", "replications"))
	}
	if !c.req.GetExact() {
		out = append(out, c.durationNotes()...)
	}
	if c.mix != nil {
		say("Jobs come at random while somebody is on %s, %.3g a day on average, kinds, sizes and due times at random between their bounds. They are the same on every floor.", c.floors[0].name, c.mix.spec.GetJobsPerDay())
		if n := len(c.mix.windows); n < int(c.mix.spec.GetDays()) {
			say("Only %s of the %d asked for has a shift.", plural(n, "day", "days"), c.mix.spec.GetDays())
		}
	}
	out = append(out, c.peopleNotes()...)
	say("A device that must be started waits %s for a person.", span(c.reaction.Seconds()))
	say("Floors begin empty, with the media loaded that their files name. No device breaks down, nothing is spoiled, media never runs out, and everybody is equally quick.")
	for i, v := range c.req.GetFloors() {
		if missing := unpriced(c.newDevices(c.floors[i])); len(missing) > 0 && v.GetInvest() == 0 && c.floors[0].file.GetMoney() != nil {
			say("No price is given for %s on %s: it is taken to cost nothing.", list(missing), c.floors[i].name)
		}
		if i > 0 && v.GetFloor().GetMoney() != nil && c.floors[0].file.GetMoney() == nil {
			say("Money is not reckoned: the first floor's file says nothing about it.")
		}
	}
	return out
}

// peopleNotes says who is there, floors alike together.
func (c *Comparison) peopleNotes() []string {
	var texts []string
	floors := map[string][]string{}
	for _, f := range c.floors {
		text := "no shifts are named: people are always there, as many as are needed"
		if f.people.Limited() {
			text = fmt.Sprintf("people are there as the shifts say, %.0f h a week and %.1f at a time on average; each tends one device at a time",
				f.people.Attended(c.start, c.start.AddDate(0, 0, 28)).Hours()/4, f.crew(c))
		}
		if floors[text] == nil {
			texts = append(texts, text)
		}
		floors[text] = append(floors[text], f.name)
	}
	var out []string
	for _, text := range texts {
		where := "On " + list(floors[text])
		if len(texts) == 1 && len(c.floors) > 1 {
			where = "On all floors"
		}
		out = append(out, where+" "+text+".")
	}
	return out
}

// unpriced returns the devices without a price.
func unpriced(devices []*tandemv1.Device) []string {
	var out []string
	for _, d := range devices {
		if d.GetPrice() == 0 {
			out = append(out, d.GetId())
		}
	}
	return out
}

// fewRuns is how many runs of a device are needed before its spread is its own.
const fewRuns = 5

// durationNotes says where the spread of durations comes from.
func (c *Comparison) durationNotes() []string {
	var assumed []string
	measured := 0
	seen := map[string]bool{}
	for _, f := range c.floors {
		for _, d := range f.file.GetDevices() {
			for _, a := range d.GetAbilities() {
				name := d.GetId() + " " + a.GetOperation()
				if seen[name] || a.GetOperation() == "dry" || !f.plays[0].operations[a.GetOperation()] {
					continue
				}
				seen[name] = true
				if c.runsOf(d.GetId(), a.GetOperation()) >= fewRuns {
					measured++
				} else if !slices.Contains(assumed, d.GetId()) {
					assumed = append(assumed, d.GetId())
				}
			}
		}
	}
	switch {
	case len(assumed) == 0:
		return []string{"Durations spread as those of the devices' own runs did."}
	case measured == 0:
		return []string{"No run of these devices has been measured: the figures in the floor files are taken as right, and how far single runs spread about them is assumed."}
	}
	const most = 6
	names := assumed
	if len(names) > most {
		names = append(names[:most:most], fmt.Sprintf("%d more", len(assumed)-most))
	}
	return []string{fmt.Sprintf("Durations spread as those of the devices' own runs did; of %s too few have been measured: there the floor file's figures are taken as right, and the spread is assumed.", list(names))}
}

// runsOf returns how many runs of a device's operation are known, in all its modes.
func (c *Comparison) runsOf(device, operation string) int {
	n := 0
	for _, r := range c.known.Rows() {
		if r.Key.Device == device && r.Key.Operation == operation {
			n += r.Basis.Runs
		}
	}
	return n
}
