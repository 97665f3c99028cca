package contour

import (
	"math"
	"time"
)

// Panels says how the pieces of a job lie before the cutter.
type Panels struct {
	Panels        int32 // 0 is 1
	MarksPerPanel int32 // that the cutter finds by sensor; 3 to 8 s each is usual (common practice, no source)
	PerMark       time.Duration
	FeedOut       time.Duration // to bring a panel before the knife
	Separation    time.Duration // to cut a panel off the web
}

// Job is the time of a whole job, by part.
type Job struct {
	FeedOut, Marks, Pieces, Between, Separation time.Duration
}

// Total of the job.
func (j Job) Total() time.Duration { return j.FeedOut + j.Marks + j.Pieces + j.Between + j.Separation }

// Job returns the time of a job of pieces, each of which takes t: panels * (feed-out + marks + separation) + pieces * (cut +
// travel + tool) + (pieces - 1) * next. The error is an [*Error].
func (t Times) Job(pieces int32, p Panels) (Job, error) {
	if p.Panels == 0 {
		p.Panels = 1
	}
	switch {
	case pieces < 1:
		return Job{}, invalid("pieces", "%d: give 1 or more", pieces)
	case p.Panels < 0 || p.Panels > pieces:
		return Job{}, invalid("panels", "%d: give 1 to %d, at least one piece on each", p.Panels, pieces)
	case p.MarksPerPanel < 0:
		return Job{}, invalid("marks_per_panel", "%d: give 0 or more", p.MarksPerPanel)
	}
	for _, f := range []struct {
		field string
		value time.Duration
	}{{"per_mark", p.PerMark}, {"feed_out", p.FeedOut}, {"separation", p.Separation}} {
		if f.value < 0 {
			return Job{}, invalid(f.field, "%v: give 0s or more", f.value)
		}
	}
	sum := 0.0
	times := func(n int64, d time.Duration) time.Duration {
		sum += float64(n) * float64(d)
		return time.Duration(n) * d
	}
	panels := int64(p.Panels)
	one := float64(t.Cut) + float64(t.Travel) + float64(t.Tool)
	j := Job{
		FeedOut: times(panels, p.FeedOut), Marks: times(panels*int64(p.MarksPerPanel), p.PerMark),
		Pieces: times(int64(pieces), t.Total()), Between: times(int64(pieces)-1, t.Next), Separation: times(panels, p.Separation),
	}
	if most := float64(math.MaxInt64 / 2); sum > most || one > most {
		return Job{}, invalid("pieces", "the job would take more than a century: check speed, acceleration and pieces")
	}
	return j, nil
}
