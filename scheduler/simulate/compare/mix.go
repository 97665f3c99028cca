package compare

import (
	"fmt"
	"math"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/calendar"
	"tandem/scheduler/chance"
	"tandem/scheduler/simulate"
)

// mix draws jobs day by day.
type mix struct {
	spec    *tandemv1.Mix
	seed    uint64
	windows [][]calendar.Window // of each day that is played: when somebody is there
	end     time.Time           // of the last of them
	shares  []float64           // of the kinds, summed up
}

// kind is a kind of job in one size. There are some sizes between the least and the greatest, so that what is alike need not
// be laid out anew.
type kind struct{ entry, size int }

const sizes = 16

// drawn is a job that comes.
type drawn struct {
	kind kind
	id   string
	at   time.Time
	due  time.Time // zero: none
}

// newMix finds the days that are played: those on which somebody is on the floor, from the opening on. Without shifts every
// day is one, from midnight to midnight.
func newMix(spec *tandemv1.Mix, seed uint64, people *calendar.Calendar, start time.Time) *mix {
	m := &mix{spec: spec, seed: seed}
	sum := 0.0
	for _, e := range spec.GetEntries() {
		share := e.GetShare()
		if share == 0 {
			share = 1
		}
		sum += share
		m.shares = append(m.shares, sum)
	}
	local := start.In(people.Location())
	const most = 10 * 366 // a shop that is closed for so long has no days to play
	for day := 0; day < most && len(m.windows) < int(spec.GetDays()); day++ {
		from := time.Date(local.Year(), local.Month(), local.Day()+day, 0, 0, 0, 0, local.Location())
		to := time.Date(local.Year(), local.Month(), local.Day()+day+1, 0, 0, 0, 0, local.Location())
		if from.Before(start) {
			from = start
		}
		if w := people.Windows(from, to); len(w) > 0 {
			m.windows, m.end = append(m.windows, w), to
		}
	}
	return m
}

// draw returns the jobs of one replication: a Poisson stream over the time in which somebody is there. They are the same for
// every floor.
func (m *mix) draw(replication int) []drawn {
	key := chance.Of(m.seed).Number(uint64(replication))
	gaps := key.Word("gaps").Stream()
	var out []drawn
	for _, windows := range m.windows {
		var open time.Duration
		for _, w := range windows {
			open += w.To.Sub(w.From)
		}
		gap := open.Seconds() / m.spec.GetJobsPerDay()
		for at := gaps.Exponential(gap); at < open.Seconds(); at += gaps.Exponential(gap) {
			out = append(out, m.one(key, len(out), moment(windows, at)))
		}
	}
	return out
}

// moment returns the time that lies so many seconds within the windows.
func moment(windows []calendar.Window, seconds float64) time.Time {
	left := time.Duration(seconds * float64(time.Second))
	for _, w := range windows {
		if length := w.To.Sub(w.From); left >= length {
			left -= length
			continue
		}
		return w.From.Add(left)
	}
	return windows[len(windows)-1].To
}

// one draws the n-th job. Each has its own numbers.
func (m *mix) one(key chance.Key, n int, at time.Time) drawn {
	s := key.Word("job").Number(uint64(n)).Stream()
	i, _ := slices.BinarySearch(m.shares, s.Uniform()*m.shares[len(m.shares)-1])
	e := m.spec.GetEntries()[i]
	d := drawn{kind: kind{i, int(s.Uniform() * sizes)}, id: fmt.Sprintf("%s-%d", e.GetJob().GetId(), n+1), at: at}
	if low, high := factors(e); low == high {
		d.kind.size = 0
	}
	if u := s.Uniform(); e.GetDueMin() != nil || e.GetDueMax() != nil {
		low, high := e.GetDueMin().AsDuration(), e.GetDueMax().AsDuration()
		d.due = at.Add(low + time.Duration(u*float64(max(high-low, 0))))
	}
	return d
}

// plain returns the kind of an entry in its least size.
func (m *mix) plain(entry int) kind { return kind{entry: entry} }

// factors returns the least and the greatest factor on the quantities of an entry.
func factors(e *tandemv1.MixEntry) (low, high float64) {
	low, high = e.GetQuantityMin(), e.GetQuantityMax()
	if low == 0 {
		low = 1
	}
	if high == 0 {
		high = low
	}
	return low, high
}

// make returns a job of that kind as the floor makes it: its id and times are to be filled in.
func (c *Comparison) make(f *contestant, k kind) (*tandemv1.Job, error) {
	if j, ok := f.kinds[k]; ok {
		return j, nil
	}
	e := c.mix.spec.GetEntries()[k.entry]
	low, high := factors(e)
	factor := low + (high-low)*(float64(k.size)+0.5)/sizes
	job := proto.CloneOf(e.GetJob())
	scale(job, factor)
	made, err := makeJob(f.file, job, e.GetCutFiles())
	if err != nil {
		return nil, within(err, fmt.Sprintf("mix.entries[%d]", k.entry), job.GetId(), f.name)
	}
	f.kinds[k] = made
	return made, nil
}

// scale puts a factor on what a job is to make. What dries takes as long as before.
func scale(j *tandemv1.Job, factor float64) {
	if factor == 1 {
		return
	}
	pieces := func(n int32) int32 {
		if n == 0 {
			return 0
		}
		return max(int32(min(math.Round(float64(n)*factor), math.MaxInt32)), 1)
	}
	length := func(um int64) int64 { return int64(math.Round(float64(um) * factor)) }
	j.Pieces = pieces(j.GetPieces())
	for _, i := range j.GetItems() {
		i.Quantity, i.Overs = pieces(i.GetQuantity()), pieces(i.GetOvers())
	}
	for _, p := range j.GetPanels() {
		p.Pieces = pieces(p.GetPieces())
	}
	for _, s := range j.GetSteps() {
		if s.GetOperation() == "dry" {
			continue
		}
		s.LengthUm, s.PathLengthUm = length(s.GetLengthUm()), length(s.GetPathLengthUm())
		if s.GetDuration() != nil {
			s.Duration = durationpb.New(time.Duration(float64(s.GetDuration().AsDuration()) * factor))
		}
	}
}

// arrivals returns the jobs of one replication as they come to a floor.
func (c *Comparison) arrivals(f *contestant, replication int) ([]simulate.Arrival, error) {
	if c.mix == nil {
		return f.jobs, nil
	}
	var out []simulate.Arrival
	for _, d := range c.mix.draw(replication) {
		like, err := c.make(f, d.kind)
		if err != nil {
			return nil, err
		}
		job := &tandemv1.Job{Id: d.id, Priority: like.GetPriority(), Panels: like.GetPanels(), Pieces: like.GetPieces(), Steps: like.GetSteps()}
		if !d.due.IsZero() {
			job.DueTime = timestamppb.New(d.due)
		}
		out = append(out, simulate.Arrival{At: d.at, Job: job})
	}
	return out, nil
}
