package compare

import (
	"errors"
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// MostFloors and the others are limits of a comparison: it takes some minutes of one core at most.
const (
	MostFloors       = 8
	mostReplications = 1000
	mostJobs         = 20_000
	mostDays         = 400
	mostPlayed       = 400_000 // jobs, all floors and replications together
	mostName         = 100
	mostInvest       = 1e12
	mostReaction     = 24 * time.Hour
	mostDue          = 366 * 24 * time.Hour
	mostFactor       = 1000
)

type checker struct{ violations []floor.Violation }

func (c *checker) add(field, format string, args ...any) {
	const most = 50
	if len(c.violations) < most {
		c.violations = append(c.violations, floor.Violation{Field: field, Problem: fmt.Sprintf(format, args...)})
	}
}

func (c *checker) number(field string, v, least, most float64) {
	if math.IsNaN(v) || v < least || v > most {
		c.add(field, "is %g: give a number from %g to %g", v, least, most)
	}
}

// check looks at the request itself; floor files have been looked at before, and jobs are when they are made.
func check(req *tandemv1.CompareFloorsRequest) error {
	c := &checker{}
	if n := len(req.GetFloors()); n == 0 || n > MostFloors {
		c.add("floors", "are %d: give 1 to %d, the one that there is first", n, MostFloors)
	}
	names := map[string]int{}
	for i, v := range req.GetFloors() {
		field := fmt.Sprintf("floors[%d]", i)
		if len(v.GetName()) > mostName {
			c.add(field+".name", "has %d bytes, at most %d are taken", len(v.GetName()), mostName)
		}
		if first, taken := names[v.GetName()]; taken && v.GetName() != "" {
			c.add(field+".name", "%q is the name of floors[%d], too: the answer could not tell them apart", v.GetName(), first)
		}
		names[v.GetName()] = i
		if v.GetFloor() == nil {
			c.add(field+".floor", "is missing")
		}
		c.number(field+".invest", v.GetInvest(), 0, mostInvest)
	}
	jobs := c.work(req)
	if n := req.GetReplications(); n < 0 || n > mostReplications {
		c.add("replications", "are %d: give 1 to %d, or 0 for %d", n, mostReplications, usualReplications)
	} else if n == 0 {
		jobs *= usualReplications
	} else {
		jobs *= float64(n)
	}
	if all := jobs * float64(len(req.GetFloors())); all > mostPlayed && len(c.violations) == 0 {
		c.add("replications", "make about %.0f jobs on all floors together, at most %d are played: ask for fewer replications, days or floors", all, mostPlayed)
	}
	if d := req.GetReaction(); d != nil && (d.CheckValid() != nil || d.AsDuration() < 0 || d.AsDuration() > mostReaction) {
		c.add("reaction", "is not between 0 and %v", mostReaction)
	}
	if t := req.GetStartTime(); t != nil && (!t.IsValid() || t.AsTime().Year() < 2000 || t.AsTime().Year() > 2200) {
		c.add("start_time", "is not a time between the years 2000 and 2200")
	}
	return c.err()
}

func (c *checker) err() error {
	if len(c.violations) == 0 {
		return nil
	}
	return &floor.Error{Kind: floor.Invalid, Reason: "INVALID_FIELD", Message: "the floors cannot be compared", Violations: c.violations}
}

// work looks at the jobs or the mix, and returns about how many jobs one replication has.
func (c *checker) work(req *tandemv1.CompareFloorsRequest) float64 {
	switch {
	case req.GetMix() != nil && len(req.GetJobs()) > 0:
		c.add("mix", "is given together with jobs: leave one or the other out")
	case req.GetMix() != nil:
		return c.mix(req.GetMix())
	case len(req.GetJobs()) == 0:
		c.add("jobs", "are missing: give jobs, or a mix")
	case len(req.GetJobs()) > mostJobs:
		c.add("jobs", "are %d, at most %d are taken", len(req.GetJobs()), mostJobs)
	}
	seen := map[string]int{}
	for i, j := range req.GetJobs() {
		field := fmt.Sprintf("jobs[%d]", i)
		if j.GetJob() == nil {
			c.add(field+".job", "is missing")
			continue
		}
		if first, taken := seen[j.GetJob().GetId()]; taken {
			c.add(field+".job.id", "%q is the id of jobs[%d], too: give each job its own", j.GetJob().GetId(), first)
		}
		seen[j.GetJob().GetId()] = i
		if t := j.GetTime(); t != nil && (!t.IsValid() || t.AsTime().Year() < 2000 || t.AsTime().Year() > 2200) {
			c.add(field+".time", "is not a time between the years 2000 and 2200")
		}
	}
	return float64(len(req.GetJobs()))
}

func (c *checker) mix(m *tandemv1.Mix) float64 {
	if len(m.GetEntries()) == 0 {
		c.add("mix.entries", "are missing: say what kinds of jobs come")
	}
	if n := m.GetDays(); n < 1 || n > mostDays {
		c.add("mix.days", "are %d: give 1 to %d", n, mostDays)
	}
	c.number("mix.jobs_per_day", m.GetJobsPerDay(), 0.01, 10_000)
	seen := map[string]int{}
	for i, e := range m.GetEntries() {
		field := fmt.Sprintf("mix.entries[%d]", i)
		id := e.GetJob().GetId()
		if first, taken := seen[id]; taken {
			c.add(field+".job.id", "%q is the id of entries[%d], too: give each kind its own", id, first)
		}
		seen[id] = i
		if !tandemv1.ValidID(id) || len(id) > 50 { // a number is put behind it
			c.add(field+".job.id", "%q: give an id of at most 50 characters", id)
		}
		c.number(field+".share", e.GetShare(), 0, 1e6)
		c.number(field+".quantity_min", e.GetQuantityMin(), 0, mostFactor)
		c.number(field+".quantity_max", e.GetQuantityMax(), 0, mostFactor)
		if low, high := factors(e); high < low {
			c.add(field+".quantity_max", "is %g, less than quantity_min, which is %g", high, low)
		}
		c.due(field+".due_min", e.GetDueMin())
		c.due(field+".due_max", e.GetDueMax())
		if e.GetDueMax() != nil && e.GetDueMax().AsDuration() < e.GetDueMin().AsDuration() {
			c.add(field+".due_max", "is %v, less than due_min, which is %v", e.GetDueMax().AsDuration(), e.GetDueMin().AsDuration())
		}
	}
	return m.GetJobsPerDay() * float64(m.GetDays())
}

func (c *checker) due(field string, d *durationpb.Duration) {
	if d != nil && (d.CheckValid() != nil || d.AsDuration() < 0 || d.AsDuration() > mostDue) {
		c.add(field, "is not between 0 and %v", mostDue)
	}
}

func badField(field, format string, args ...any) error {
	c := &checker{}
	c.add(field, format, args...)
	return c.err()
}

// within puts the place of a job in the request before the fields of its error, and says on which floor it fails.
func within(err error, field, id, floorName string) error {
	var fe *floor.Error
	if !errors.As(err, &fe) {
		return fmt.Errorf("compare: %s (%s) on %s: %w", field, id, floorName, err)
	}
	out := *fe
	out.Message = fmt.Sprintf("%s cannot be made on %s: %s", id, floorName, fe.Message)
	out.Violations = nil
	for _, v := range fe.Violations {
		v.Field = field + "." + v.Field
		out.Violations = append(out.Violations, v)
	}
	return &out
}
