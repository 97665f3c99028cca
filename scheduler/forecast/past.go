package forecast

import (
	"math"
	"slices"
	"strings"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/calendar"
	"tandem/scheduler/floor"
)

// How far the past is looked back on.
const (
	lookBack   = 28 * 24 * time.Hour
	mostPast   = 1000 // jobs
	mostWaits  = 200  // of people's reactions
	leastComes = 5    // jobs, below which nobody can say how they come
)

// What is assumed before anything was seen; our own choice, no source. A stop in 40 hours of work, as sure as if those 40 hours
// had been seen; 20 minutes to put it right, one of three longer than 54; people come after two minutes on average, as sure
// as if ten of them had been seen.
const (
	assumedBetween  = 40 * time.Hour
	assumedRepair   = 20 * time.Minute
	assumedSpread   = 1.0 // of the logarithm of a repair
	repairsWorth    = 3
	reactionsWorth  = 10
	assumedReaction = 2 * time.Minute
	longestReaction = 4 * time.Hour
)

// Past is what a floor has seen, as far as a forecast needs it: which jobs came when, how often machines stood still in a run
// and for how long, and how long people took to come.
type Past struct {
	since, until time.Time
	jobs         []came // oldest first
	days         []day
	zone         *time.Location
	people       *calendar.Calendar

	waits    []time.Duration // of a run, for somebody to come
	repairs  moments         // logarithms of seconds
	worked   map[string]time.Duration
	stopped  map[string]int
	allWork  time.Duration
	allStops int
}

// came is a job that came in.
type came struct {
	at  time.Time
	job *tandemv1.Job
}

// day is a whole day of the past: its jobs by the time since midnight.
type day struct {
	date time.Time
	open bool // somebody was there
	jobs []came
}

// moments are of a sample of normal numbers.
type moments struct{ n, sum, squares float64 }

func (m *moments) add(x float64) { m.n++; m.sum += x; m.squares += x * x }

// Read reads the past of a floor off the jobs it still has: those of the last four weeks, at most a thousand. It must be the
// whole floor, not a clone of what is open.
func Read(f *floor.Floor, now time.Time) *Past {
	p := &Past{until: now, since: now, zone: f.Calendar().Location(), people: f.Calendar().Clone(), worked: map[string]time.Duration{}, stopped: map[string]int{}}
	n := 0
	for _, j := range slices.Backward(f.Jobs) {
		if n == mostPast || now.Sub(j.Create) > lookBack {
			break
		}
		n++
		p.since = j.Create
		if !j.IsGang() { // its members came, not it
			p.jobs = append(p.jobs, came{j.Create, j.Spec})
		}
		for _, s := range j.Steps {
			for _, r := range s.Runs {
				p.run(r, now)
			}
		}
	}
	slices.Reverse(p.jobs)
	if n < len(f.Jobs) && n < mostPast { // it was there before: nothing came between
		p.since = now.Add(-lookBack)
	}
	p.byDay()
	return p
}

func (p *Past) run(r *floor.Run, now time.Time) {
	if r.Start.IsZero() {
		return
	}
	if r.StartedBy != "" && !strings.HasPrefix(r.StartedBy, "unattended") && len(p.waits) < mostWaits {
		p.waits = append(p.waits, min(max(r.Start.Sub(r.Grant), 0), longestReaction))
	}
	if r.Device.Manual() || r.Step.Drying() {
		return
	}
	work := r.Worked(now)
	if !r.End.IsZero() {
		work = max(r.End.Sub(r.Start)-r.Stopped, 0)
	}
	p.worked[r.Device.ID] += work
	p.allWork += work
	if r.Stopped > 0 || !r.StillSince().IsZero() {
		p.stopped[r.Device.ID]++
		p.allStops++
	}
	if r.Stopped > 0 {
		p.repairs.add(math.Log(max(r.Stopped.Seconds(), 1)))
	}
}

// byDay sorts the jobs into the whole days that were seen.
func (p *Past) byDay() {
	midnight := func(t time.Time) time.Time {
		l := t.In(p.zone)
		return time.Date(l.Year(), l.Month(), l.Day(), 0, 0, 0, 0, p.zone)
	}
	at := 0
	for date := midnight(p.since).AddDate(0, 0, 1); ; date = date.AddDate(0, 0, 1) {
		end := date.AddDate(0, 0, 1)
		if end.After(p.until) {
			return
		}
		d := day{date: date, open: p.people.Attended(date, end) > 0}
		for at < len(p.jobs) && p.jobs[at].at.Before(date) {
			at++
		}
		for at < len(p.jobs) && p.jobs[at].at.Before(end) {
			d.jobs = append(d.jobs, p.jobs[at])
			at++
		}
		p.days = append(p.days, d)
	}
}

// faults returns the shape and the rate of what is known of a device's stops, as a gamma distribution of stops an hour of
// work. All machines of the floor together say what to expect of one, which counts as one stop.
func (p *Past) faults(device string) (shape, hours float64) {
	between := (assumedBetween + p.allWork).Hours() / float64(1+p.allStops)
	return 1 + float64(p.stopped[device]), between + p.worked[device].Hours()
}

// repair returns the mean and spread of the logarithm of the next repair, in seconds.
func (p *Past) repair() (mean, spread float64) {
	assumed := math.Log(assumedRepair.Seconds())
	n := repairsWorth + p.repairs.n
	mean = (repairsWorth*assumed + p.repairs.sum) / n
	variance := repairsWorth * assumedSpread * assumedSpread
	if p.repairs.n > 0 {
		of := p.repairs.sum / p.repairs.n
		variance += p.repairs.squares - p.repairs.n*of*of
	}
	return mean, math.Sqrt(variance / n * (1 + 1/n))
}
