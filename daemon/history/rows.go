package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/daemon/engine"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/duration"
	"tandem/scheduler/floor"
)

// about collects the jobs and runs that records are about.
type about struct{ jobs, runs map[string]bool }

// note reads a record's events: each names the job and the run it is about.
func (a *about) note(rec *ledgerv1.Record) {
	if a.jobs == nil {
		a.jobs, a.runs = map[string]bool{}, map[string]bool{}
	}
	for _, e := range rec.GetEvents() {
		switch k := e.GetKind().(type) {
		case *ledgerv1.Event_JobCreated:
			a.jobs[k.JobCreated.GetJob().GetId()] = true
		case *ledgerv1.Event_RunGranted:
			a.jobs[k.RunGranted.GetRun().GetJob()], a.runs[k.RunGranted.GetRun().GetId()] = true, true
		case *ledgerv1.Event_RunChanged:
			a.jobs[k.RunChanged.GetJob()], a.runs[k.RunChanged.GetRun()] = true, true
		case *ledgerv1.Event_DeviceChanged: // it names neither
		default:
			m := e.ProtoReflect()
			set := m.WhichOneof(m.Descriptor().Oneofs().ByName("kind"))
			if set == nil {
				continue
			}
			kind := m.Get(set).Message().Interface()
			if of, ok := kind.(interface{ GetJob() string }); ok {
				a.jobs[of.GetJob()] = true
			}
			if of, ok := kind.(interface{ GetRun() string }); ok {
				a.runs[of.GetRun()] = true
			}
		}
	}
}

// partSize is how many jobs and runs are read from the engine's floor at a time: a device that is free waits meanwhile.
const partSize = 16

// parts cuts it into parts of partSize, at least one.
func (a *about) parts() []*about {
	out := []*about{{}}
	room := func() *about {
		last := out[len(out)-1]
		if len(last.jobs)+len(last.runs) == partSize {
			last = &about{}
			out = append(out, last)
		}
		if last.jobs == nil {
			last.jobs, last.runs = map[string]bool{}, map[string]bool{}
		}
		return last
	}
	for id := range a.jobs {
		room().jobs[id] = true
	}
	for id := range a.runs {
		room().runs[id] = true
	}
	return out
}

// rows are what is written into the tables of reports.
type rows struct {
	jobs []jobRow
	runs []runRow
}

type jobRow struct {
	id, code, name, state string
	number                uint64
	accepted              time.Time
	due, finished         time.Time
	pieces, good, spoiled int32
	revision              uint64
	gang                  bool
	started               time.Time // first start of a step
	overs                 int64     // planned over what was ordered
	busy                  time.Duration
	whole                 *tandemv1.Job // once it has ended
}

type runRow struct {
	id, job, step, operation, device, state, reasons string
	fence                                            uint64
	granted, started, ended                          time.Time
	pieces, good, spoiled                            int32
	number                                           int32
	remake                                           bool
	supply, mode, film, blade                        string
	demand                                           duration.Demand // of its pieces, on its device
	planned                                          time.Duration   // the model's time for that, without set-up: see plan
	uses                                             []use
	piecesMM2                                        int64 // of its pieces, as they lie on its panels; 0: their sizes are not known
}

// use is what a run took from a lot.
type use struct {
	Lot string `json:"lot"`
	Um  int64  `json:"um"`
}

// rows reads the rows of what the records were about. It is called in the engine's loop, so it only copies.
func (a *about) rows(st engine.State) rows {
	var out rows
	seen := map[string]bool{}
	add := func(j *floor.Job) {
		if !seen[j.ID] {
			seen[j.ID] = true
			out.jobs = append(out.jobs, jobRowOf(j, st.Now))
		}
	}
	for id := range a.jobs {
		if j, ok := st.Floor.Job(id); ok {
			add(j)
			for _, m := range j.Members { // a gang run does their steps
				add(m)
			}
		}
	}
	for id := range a.runs {
		if r, ok := st.Floor.Run(id); ok {
			out.runs = append(out.runs, runRowOf(r))
		}
	}
	return out
}

func jobRowOf(j *floor.Job, now time.Time) jobRow {
	state, _ := j.State(now)
	row := jobRow{
		id: j.ID, code: j.Code, number: j.Number, name: j.Spec.GetDisplayName(), state: floor.Keyword(state),
		accepted: j.Create, due: j.Due(), finished: j.End, revision: j.Revision,
	}
	for _, p := range j.Panels {
		if p.RemakeOf == "" {
			row.pieces += p.Pieces
		}
		row.good += p.Good
		row.spoiled += p.Spoiled
	}
	row.gang = j.IsGang()
	for _, i := range j.Spec.GetItems() {
		row.overs += int64(i.GetOvers())
	}
	for _, s := range j.Steps {
		if !s.Start.IsZero() && (row.started.IsZero() || s.Start.Before(row.started)) {
			row.started = s.Start
		}
		for _, r := range s.Runs {
			if !r.Start.IsZero() && !r.End.IsZero() && !s.Drying() {
				row.busy += r.End.Sub(r.Start)
			}
		}
	}
	if !j.End.IsZero() {
		row.whole = j.View(now)
	}
	return row
}

func runRowOf(r *floor.Run) runRow {
	row := runRow{
		id: r.ID, fence: r.Fence, job: r.Step.Job.ID, step: r.Step.ID(), operation: r.Step.Operation(), device: r.Device.ID,
		granted: r.Grant, started: r.Start, ended: r.End, state: floor.Keyword(r.State), reasons: strings.Join(slices.Clone(r.Reasons), " "),
		pieces: r.Pieces, good: r.Good, spoiled: r.Spoiled,
		number: r.Number, remake: r.Step.RemakeOf != "", supply: r.Step.Supply(),
		mode: r.Step.Spec.GetMode(), film: r.Step.Spec.GetFilm(), blade: r.Step.Spec.GetBlade(), demand: demandOf(r),
	}
	for _, u := range r.Earlier {
		row.uses = append(row.uses, use{u.GetLot(), u.GetLengthUm()})
	}
	if r.Lot != nil {
		row.uses = append(row.uses, use{r.Lot.ID, r.LotLength})
	}
	row.piecesMM2 = piecesArea(r)
	return row
}

// piecesArea returns the area of the run's pieces, in square millimetres: what of the web becomes pieces. It is 0 if the size of one
// of them is not known.
func piecesArea(r *floor.Run) int64 {
	s := r.Step
	sizes := map[string]int64{} // by job and item
	for _, j := range append([]*floor.Job{s.Job}, s.Job.Members...) {
		for _, i := range j.Spec.GetItems() {
			sizes[j.ID+"/"+i.GetId()] = i.GetWidthUm() / 10 * (i.GetHeightUm() / 10) / 10_000
		}
	}
	var area, pieces int64
	for _, p := range s.Panels {
		if s.RemakeOf == "" && p.RemakeOf != "" {
			continue // a remake has brought it in since
		}
		for _, c := range p.Spec.GetContents() {
			of := c.GetJob()
			if of == "" {
				of = s.Job.ID
			}
			size := sizes[of+"/"+c.GetItem()]
			if size == 0 {
				return 0
			}
			area += size * int64(c.GetPieces())
			pieces += int64(c.GetPieces())
		}
	}
	if pieces == 0 || pieces != int64(s.Whole()) {
		return 0
	}
	return area * int64(r.Pieces) / pieces
}

// demandOf returns what the run's pieces ask of its device. Panels that a remake has brought in since are left out, so that it does not
// depend on when it is worked out.
func demandOf(r *floor.Run) duration.Demand {
	s := r.Step
	d := duration.Demand{
		Pieces: s.Whole(), Mode: s.Spec.GetMode(), WidthUm: s.Spec.GetWidthUm(), LengthUm: s.Spec.GetLengthUm(),
		PathLengthUm: s.Spec.GetPathLengthUm(), Contour: s.Spec.GetContourWork()[r.Device.ID].AsDuration(), Fixed: s.Spec.GetDuration().AsDuration(),
	}
	for _, p := range s.Panels {
		if s.RemakeOf != "" || p.RemakeOf == "" {
			d.Panels++
		}
	}
	if s.Drying() {
		return d // ink does not dry faster for being less
	}
	return d.Scale(r.Pieces, s.Whole())
}

// plan works out what each run should take, by the floor file that held when it was granted.
func (r rows) plan(l *levels) {
	for i := range r.runs {
		n := &r.runs[i]
		if a := l.ability(n.device, n.operation, n.granted); a != nil {
			n.planned = duration.Work(a, n.demand)
		}
	}
}

const (
	writeJob = `INSERT OR REPLACE INTO jobs
		(job, code, number, display_name, accepted, due, finished, state, pieces, pieces_good, pieces_spoiled, revision, gang, started, overs, busy,
		whole) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)`
	writeRun = `INSERT OR REPLACE INTO runs
		(fence, run, job, step, operation, device, granted, started, ended, state, reasons, pieces, pieces_good, pieces_spoiled,
		number, remake, supply, mode, film, blade, width_um, length_um, planned, uses, pieces_mm2) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)`
)

func (r rows) write(ctx context.Context, tx *sql.Tx) error {
	jobs, err := tx.PrepareContext(ctx, writeJob)
	if err != nil {
		return fmt.Errorf("write jobs: %w", err)
	}
	defer jobs.Close()
	for _, j := range r.jobs {
		var whole any
		if j.whole != nil {
			data, err := proto.Marshal(j.whole)
			if err != nil {
				return fmt.Errorf("write job %s: %w", j.id, err)
			}
			whole = data
		}
		_, err := jobs.ExecContext(ctx, j.id, j.code, j.number, j.name, micros(j.accepted), micros(j.due), micros(j.finished), j.state,
			j.pieces, j.good, j.spoiled, j.revision, j.gang, micros(j.started), j.overs, j.busy.Microseconds(), whole)
		if err != nil {
			return fmt.Errorf("write job %s: %w", j.id, err)
		}
	}
	runs, err := tx.PrepareContext(ctx, writeRun)
	if err != nil {
		return fmt.Errorf("write runs: %w", err)
	}
	defer runs.Close()
	for _, n := range r.runs {
		uses, err := json.Marshal(n.uses)
		if err != nil {
			return fmt.Errorf("write run %s: %w", n.id, err)
		}
		_, err = runs.ExecContext(ctx, n.fence, n.id, n.job, n.step, n.operation, n.device, micros(n.granted), micros(n.started), micros(n.ended),
			n.state, n.reasons, n.pieces, n.good, n.spoiled,
			n.number, n.remake, n.supply, n.mode, n.film, n.blade, n.demand.WidthUm, n.demand.LengthUm, n.planned.Microseconds(), string(uses), n.piecesMM2)
		if err != nil {
			return fmt.Errorf("write run %s: %w", n.id, err)
		}
	}
	return nil
}

// micros returns microseconds since 1970, or nil for a time that is not known.
func micros(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UnixMicro()
}
