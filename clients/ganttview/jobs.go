package ganttview

import (
	"cmp"
	"slices"
	"time"

	"tandem/clients/celltext"
	tandemv1 "tandem/proto/tandem/v1"
)

// job is what the runs of one id have in common, in all charts.
type job struct {
	number int // from 1, by first begin
	name   string
	due    time.Time // zero: no promise
	first  time.Time
	end    time.Time // of its last run; of one of the charts if there are several
	drawn  bool
}

// jobsOf numbers the jobs by their first begin.
func jobsOf(p Picture) (byID map[string]*job, inOrder []*job) {
	byID = map[string]*job{}
	var ids []string
	for _, c := range p.Charts {
		for _, r := range c.Runs {
			j := byID[r.GetJob()]
			if j == nil {
				j = &job{name: celltext.Short(r.GetJob(), longest), first: r.GetStartTime().AsTime()}
				byID[r.GetJob()] = j
				ids = append(ids, r.GetJob())
			}
			if t := r.GetStartTime().AsTime(); t.Before(j.first) {
				j.first = t
			}
			if t := r.GetEndTime().AsTime(); t.After(j.end) {
				j.end = t
			}
			if due := r.GetDueTime(); due != nil && (j.due.IsZero() || due.AsTime().Before(j.due)) {
				j.due = due.AsTime()
			}
		}
	}
	slices.SortFunc(ids, func(a, b string) int {
		return cmp.Or(byID[a].first.Compare(byID[b].first), cmp.Compare(a, b))
	})
	for i, id := range ids {
		byID[id].number = i + 1
		inOrder = append(inOrder, byID[id])
	}
	return byID, inOrder
}

// bar is a run on its row.
type bar struct {
	run      *tandemv1.PlannedRun
	job      *job
	lane     int
	from, to float64       // seconds on the axis
	ready    float64       // when the changeover is over
	late     time.Duration // of the last run of a late job
}

// row is a device and its bars. Runs at the same time lie in lanes.
type row struct {
	device string // clean
	bars   []*bar
	lanes  int
	y      float64 // from the top of the chart's rows
}

// laneHeight is the height of a lane, by how many there are.
func (s *sheet) laneHeight(lanes int) float64 {
	switch {
	case s.dense && lanes <= 2:
		return 13
	case s.dense:
		return 9
	case lanes <= 1:
		return 22
	case lanes == 2:
		return 16
	case lanes <= 4:
		return 13
	default:
		return 10.5
	}
}

func (s *sheet) rowGap() float64 {
	if s.dense {
		return 4
	}
	return 7
}

const laneGap = 1.5

func (s *sheet) heightOf(rows []*row) float64 {
	h := 0.0
	for _, r := range rows {
		lanes := max(r.lanes, 1)
		h += float64(lanes)*(s.laneHeight(lanes)+laneGap) - laneGap + s.rowGap()
	}
	return h
}

// lateOf finds the jobs that end late in a chart.
func lateOf(c Chart, jobs map[string]*job) map[*job]time.Duration {
	late := map[*job]time.Duration{}
	for _, r := range c.Runs {
		j := jobs[r.GetJob()]
		if d := r.GetEndTime().AsTime().Sub(j.due); !j.due.IsZero() && d > 0 {
			late[j] = max(late[j], d)
		}
	}
	return late
}

// rowsOf puts the runs of a chart into rows. Bars beyond the lanes of a device, or beyond how many may be drawn, are counted.
func rowsOf(c Chart, s span, jobs map[string]*job, late map[*job]time.Duration, mostBars int) (rows []*row, skipped int) {
	byDevice := map[string]*row{}
	add := func(id string) {
		if byDevice[id] == nil {
			byDevice[id] = &row{device: celltext.Short(id, longest)}
			rows = append(rows, byDevice[id])
		}
	}
	for _, id := range c.Devices {
		add(id)
	}
	runs := slices.Clone(c.Runs)
	slices.SortStableFunc(runs, func(a, b *tandemv1.PlannedRun) int {
		return cmp.Or(
			a.GetStartTime().AsTime().Compare(b.GetStartTime().AsTime()), a.GetEndTime().AsTime().Compare(b.GetEndTime().AsTime()),
			cmp.Compare(a.GetDevice(), b.GetDevice()), cmp.Compare(a.GetJob(), b.GetJob()), cmp.Compare(a.GetStep(), b.GetStep()),
		)
	})
	var others []string
	for _, r := range runs {
		others = append(others, r.GetDevice())
	}
	slices.SortFunc(others, byName)
	for _, id := range others {
		add(id)
	}
	free := map[string][]time.Time{} // end of each lane
	for _, r := range runs {
		row := byDevice[r.GetDevice()]
		from, to := r.GetStartTime().AsTime(), r.GetEndTime().AsTime()
		lanes := free[r.GetDevice()]
		lane := slices.IndexFunc(lanes, func(end time.Time) bool { return !end.After(from) })
		if lane < 0 {
			lane = len(lanes)
		}
		if lane >= maxLanes || mostBars <= 0 {
			skipped++
			continue
		}
		mostBars--
		if lane == len(lanes) {
			lanes = append(lanes, to)
		}
		lanes[lane] = to
		free[r.GetDevice()] = lanes
		row.lanes = len(lanes)
		b := &bar{run: r, job: jobs[r.GetJob()], lane: lane, from: s.seconds(from), to: s.seconds(to)}
		b.ready = min(b.to, b.from+max(0, r.GetChangeover().AsDuration().Seconds()))
		if d := late[b.job]; d > 0 && to.Sub(b.job.due) == d {
			b.late = d
		}
		row.bars = append(row.bars, b)
	}
	return rows, skipped
}

// byName compares ids as people count: cutter-2 before cutter-10.
func byName(a, b string) int {
	for x, y := a, b; x != "" && y != ""; {
		p, restX := leading(x)
		q, restY := leading(y)
		if p == "" || q == "" {
			if x[0] != y[0] {
				return cmp.Compare(x[0], y[0])
			}
			x, y = x[1:], y[1:]
			continue
		}
		if order := cmp.Or(cmp.Compare(len(p), len(q)), cmp.Compare(p, q)); order != 0 {
			return order
		}
		x, y = restX, restY
	}
	return cmp.Or(cmp.Compare(len(a), len(b)), cmp.Compare(a, b))
}

// leading splits the digits off the beginning, zeros before them left out.
func leading(s string) (digits, rest string) {
	i := 0
	for i < len(s) && s[i] >= '0' && s[i] <= '9' {
		i++
	}
	digits = s[:i]
	for len(digits) > 1 && digits[0] == '0' {
		digits = digits[1:]
	}
	return digits, s[i:]
}
