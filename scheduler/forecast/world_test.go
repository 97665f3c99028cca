package forecast_test

import (
	"fmt"
	"math"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/chance"
	"tandem/scheduler/floor"
	"tandem/scheduler/forecast"
	"tandem/scheduler/learn"
	"tandem/scheduler/simulate"
)

// opening is a Monday.
var opening = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

func minutes(m float64) *durationpb.Duration {
	return durationpb.New(time.Duration(m * float64(time.Minute)))
}

// workshop is a shop of two printers of different speed, a rack, a laminator, two cutters and two benches; with two people from
// six to ten at night, or with as many as it takes.
func workshop(people bool) *tandemv1.FloorFile {
	alone := &tandemv1.UnattendedStart{AllowedBy: "marit", AllowTime: timestamppb.New(opening)}
	device := func(id string, capacity int32, manual bool, abilities ...*tandemv1.Ability) *tandemv1.Device {
		return &tandemv1.Device{Id: id, Capacity: capacity, Driver: &tandemv1.Driver{Kind: "sim", Manual: manual}, Abilities: abilities}
	}
	print := func(each float64) *tandemv1.Ability {
		return &tandemv1.Ability{Operation: "print", Setup: minutes(4), PerPiece: minutes(each), MediaChangeover: minutes(8), UnattendedStart: alone}
	}
	cut := func(each float64) *tandemv1.Ability {
		return &tandemv1.Ability{Operation: "cut", Setup: minutes(3), PerPiece: minutes(each)}
	}
	bench := func() []*tandemv1.Ability {
		return []*tandemv1.Ability{{Operation: "weed", Setup: minutes(1), PerPiece: minutes(0.6)}, {Operation: "pack", Setup: minutes(2), PerPiece: minutes(0.2)}}
	}
	file := &tandemv1.FloorFile{Devices: []*tandemv1.Device{
		device("printer-a", 1, false, print(1)), device("printer-b", 1, false, print(1.6)),
		device("rack", 60, true, &tandemv1.Ability{Operation: "dry", UnattendedStart: alone}),
		device("laminator", 1, false, &tandemv1.Ability{Operation: "laminate", Setup: minutes(6), PerPiece: minutes(0.5), MediaChangeover: minutes(10)}),
		device("cutter-a", 1, false, cut(0.8)), device("cutter-b", 1, false, cut(1.2)),
		device("bench-a", 1, true, bench()...), device("bench-b", 1, true, bench()...),
	}}
	if people {
		file.Shifts = []*tandemv1.Shift{{Id: "day", From: "06:00", To: "22:00", Operators: 3}}
	}
	return file
}

// truth is a world of which the forecaster knows only what its floor has seen: what devices really take, how often they fail,
// and when people come and jobs. Its chances have nothing to do with those of the forecasts.
type truth struct {
	seed    chance.Key
	perDay  float64
	jobs    int
	bias    map[string]float64
	between map[string]float64 // hours of work from fault to fault
}

func newTruth(seed uint64, perDay float64) *truth {
	return &truth{seed: chance.Of(seed).Word("truth"), perDay: perDay, bias: map[string]float64{}, between: map[string]float64{}}
}

// duration is the model's, by the device's own bias and the run's: wider by hand, and one of forty takes half as long again.
func (w *truth) duration(r *floor.Run) time.Duration {
	key := r.Device.ID + " " + r.Step.Operation()
	if _, ok := w.bias[key]; !ok {
		w.bias[key] = 0.25 * learn.NormalQuantile(w.seed.Word("bias").Word(key).Uniform())
	}
	s := w.seed.Word("run").Word(r.ID).Stream()
	spread := 0.15
	if r.Device.Manual() {
		spread = 0.3
	}
	y := w.bias[key] + spread*learn.NormalQuantile(s.Uniform())
	if s.Uniform() < 0.025 {
		y += math.Log(1.5)
	}
	return time.Duration(float64(r.Model) * math.Exp(y))
}

// stops are faults: once in 15 to 60 hours of work, and 25 minutes to put one right, one of ten more than 70.
func (w *truth) stops(r *floor.Run, work time.Duration) []simulate.Stop {
	id := r.Device.ID
	if _, ok := w.between[id]; !ok {
		w.between[id] = 15 + 45*w.seed.Word("between").Word(id).Uniform()
	}
	var out []simulate.Stop
	s := w.seed.Word("stops").Word(r.ID).Stream()
	for {
		after := time.Duration(s.Exponential(w.between[id]) * float64(time.Hour))
		if after >= work {
			return out
		}
		out = append(out, simulate.Stop{After: after, For: time.Duration(25 * math.Exp(0.8*learn.NormalQuantile(s.Uniform())) * float64(time.Minute))})
		work -= after
	}
}

func (w *truth) react(r *floor.Run) time.Duration {
	return time.Duration(w.seed.Word("react").Word(r.ID).Stream().Exponential(float64(4 * time.Minute)))
}

// arrivals are the jobs of so many weeks: on weekdays from eight to five, and now and then one that is wanted today.
func (w *truth) arrivals(weeks int) []simulate.Arrival {
	var out []simulate.Arrival
	s := w.seed.Word("arrivals").Stream()
	for day := range 7 * weeks {
		date := opening.AddDate(0, 0, day).Add(2 * time.Hour) // eight
		if wd := date.Weekday(); wd == time.Sunday || wd == time.Saturday {
			continue
		}
		for at := 0.0; ; {
			if at += s.Exponential(9 / w.perDay); at >= 9 {
				break
			}
			out = append(out, w.job(s, date.Add(time.Duration(at*float64(time.Hour)))))
		}
	}
	return out
}

func (w *truth) job(s *chance.Stream, at time.Time) simulate.Arrival {
	w.jobs++
	pieces := int32(max(5, min(40*math.Exp(0.6*learn.NormalQuantile(s.Uniform())), 150)))
	due := at.Add(time.Duration((12 + 60*s.Uniform()) * float64(time.Hour)))
	j := &tandemv1.Job{Id: fmt.Sprintf("job-%d", w.jobs), Pieces: pieces, Priority: 50}
	if s.Uniform() < 0.15 {
		j.Priority, due = 90, at.Add(time.Duration((3+5*s.Uniform())*float64(time.Hour)))
	}
	j.DueTime = timestamppb.New(due)
	add := func(step *tandemv1.Step) {
		if n := len(j.GetSteps()); n > 0 {
			step.After = []string{j.GetSteps()[n-1].GetId()}
		}
		step.Id = step.GetOperation()
		j.Steps = append(j.Steps, step)
	}
	media := []string{"white", "clear", "matt"}[int(s.Uniform()*3)]
	switch u := s.Uniform(); {
	case u < 0.4:
		add(&tandemv1.Step{Operation: "print", Media: media})
		add(&tandemv1.Step{Operation: "cut"})
	case u < 0.75:
		add(&tandemv1.Step{Operation: "print", Media: media})
		add(&tandemv1.Step{Operation: "dry", Duration: minutes(60 + 120*s.Uniform())})
		add(&tandemv1.Step{Operation: "laminate", Film: []string{"gloss", "satin"}[int(s.Uniform()*2)]})
		add(&tandemv1.Step{Operation: "cut"})
	default:
		add(&tandemv1.Step{Operation: "cut"})
		add(&tandemv1.Step{Operation: "weed"})
	}
	add(&tandemv1.Step{Operation: "pack"})
	return simulate.Arrival{At: at, Job: j}
}

// made is a forecast that was made of a job, and what a naive one said: as long as jobs took before.
type made struct {
	job        string
	at         time.Time
	p50, p90   time.Time
	risk       float64
	due        time.Time
	naive50    time.Time
	naive90    time.Time
	end        time.Time
	earlyNaive bool // too few jobs had ended
}

// world plays the truth and makes forecasts in it.
type world struct {
	*truth
	file     *tandemv1.FloorFile
	from     time.Time // forecasts are made from then on
	opt      forecast.Options
	taken    map[string]time.Time
	flows    []time.Duration // of the jobs that ended, in their order
	intake   map[string]*made
	later    map[string]*made
	laterAt  map[string]time.Time
	downAt   map[string]time.Time
	failed   error
	forecast int
}

// play plays so many weeks and returns the forecasts at intake, and those made some time later, with what happened.
func (w *world) play(weeks int) (intake, later []*made, err error) {
	w.taken, w.intake, w.later, w.laterAt, w.downAt = map[string]time.Time{}, map[string]*made{}, map[string]*made{}, map[string]time.Time{}, map[string]time.Time{}
	r, err := simulate.Run(w.file, w.arrivals(weeks), simulate.Options{
		Start: opening, React: w.react, Duration: w.duration, Stops: w.stops, Committed: w.committed,
		Stop: func() error { return w.failed },
	})
	if err == nil {
		err = w.failed
	}
	if err != nil {
		return nil, nil, err
	}
	for _, j := range r.Jobs {
		for _, all := range []struct {
			of map[string]*made
			to *[]*made
		}{{w.intake, &intake}, {w.later, &later}} {
			if m := all.of[j.ID]; m != nil && j.Completed {
				m.end = j.End
				*all.to = append(*all.to, m)
			}
		}
	}
	return intake, later, nil
}

func (w *world) committed(f *floor.Floor, at time.Time, events []*ledgerv1.Event) {
	for _, e := range events {
		if c := e.GetDeviceChanged(); c != nil {
			if c.GetState() == tandemv1.DeviceState_DEVICE_STATE_STOPPED {
				w.downAt[c.GetDevice()] = at
			} else {
				delete(w.downAt, c.GetDevice())
			}
		}
		if c := e.GetJobCreated(); c != nil {
			id := c.GetJob().GetId()
			w.taken[id] = at
			w.laterAt[id] = at.Add(time.Duration(4 * float64(time.Hour) * w.seed.Word("later").Word(id).Uniform()))
			w.make(f, at, id)
		}
		if c := e.GetRunChanged(); c != nil && c.GetEndTime() != nil {
			if r, ok := f.Run(c.GetRun()); ok && !r.Step.Job.End.IsZero() {
				w.flows = append(w.flows, at.Sub(w.taken[r.Step.Job.ID]))
			}
		}
	}
}

// make makes the forecasts at a moment: of the job that has just come, and of those whose time for another one has come.
func (w *world) make(f *floor.Floor, at time.Time, id string) {
	if w.failed != nil || at.Before(w.from) {
		return
	}
	w.forecast++
	opt := w.opt
	opt.DownSince = func(device string) time.Time { return w.downAt[device] }
	list, err := forecast.Jobs(forecast.Input{
		Floor: f.CloneOpen(), Now: at, Known: f.Durations().Clone(), Past: forecast.Read(f, at),
	}, opt)
	if err != nil {
		w.failed = err
		return
	}
	for _, j := range list {
		into := w.later
		if j.ID == id {
			into = w.intake
		} else if w.later[j.ID] != nil || at.Before(w.laterAt[j.ID]) {
			continue
		}
		m := &made{job: j.ID, at: at, p50: j.P50, p90: j.P90, risk: j.LateRisk, due: j.Due}
		w.naive(m)
		into[j.ID] = m
	}
}

// naive says what jobs took before: the median and the ninth tenth of the last 50, of those that took longer than this one is
// old already.
func (w *world) naive(m *made) {
	age := m.at.Sub(w.taken[m.job])
	var longer []time.Duration
	for _, f := range w.flows[max(len(w.flows)-50, 0):] {
		if f > age {
			longer = append(longer, f)
		}
	}
	if m.earlyNaive = len(longer) < 5; m.earlyNaive {
		return
	}
	slices.Sort(longer)
	pick := func(u float64) time.Time {
		return w.taken[m.job].Add(longer[min(int(u*float64(len(longer)+1)), len(longer)-1)])
	}
	m.naive50, m.naive90 = pick(0.5), pick(0.9)
}
