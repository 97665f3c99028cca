package board

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/compareview"
	"tandem/clients/dial"
	"tandem/clients/ganttview"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// compareWithin bounds a comparison; mostCompared how many jobs are played, the earliest due.
	compareWithin = 75 * time.Second
	mostCompared  = 150
	// mostKept is how many answers are kept, for going back to.
	mostKept = 20
)

// comparisons are the answers of the last comparisons. One is played at a time: it is work for the daemon's computer.
type comparisons struct {
	playing sync.Mutex

	mu   sync.Mutex
	kept []*compared // the newest last
}

// compared is an answer with what was asked.
type compared struct {
	id       string
	question string
	when     time.Time
	jobs     int
	left     int // open jobs that were not played
	currency string
	zone     *time.Location
	answer   *tandemv1.Comparison
}

func (c *comparisons) add(x *compared) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.kept = append(c.kept, x)
	if len(c.kept) > mostKept {
		c.kept = slices.Clone(c.kept[len(c.kept)-mostKept:])
	}
}

func (c *comparisons) find(id string) *compared {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, x := range c.kept {
		if x.id == id {
			return x
		}
	}
	return nil
}

// replications are the choices of how often a comparison is played; the first one is the standard.
var replications = []int32{20, 5, 60} //nolint:gochecknoglobals // a table that is never changed

func (b *Board) serveCompare(w http.ResponseWriter, _ *http.Request) {
	b.compareForm(w, http.StatusOK, "", "", "")
}

func (b *Board) compareForm(w http.ResponseWriter, code int, problem, change, device string) {
	s, _ := b.mirror.snapshot()
	open := 0
	for _, j := range s.jobs {
		if !wording.Ended(j.GetState()) {
			open++
		}
	}
	b.compared.mu.Lock()
	var past []map[string]string
	for _, x := range slices.Backward(b.compared.kept) {
		past = append(past, map[string]string{"ID": x.id, "Question": x.question, "When": x.when.In(x.zone).Format("Mon 15:04")})
	}
	b.compared.mu.Unlock()
	if b.ReadOnly {
		problem = "This board only shows: it plays no comparisons."
	}
	b.pages.serveStatus(w, code, "compare", b.view("Compare", "compare", map[string]any{
		"Devices": s.devices, "Open": open, "Most": mostCompared, "Problem": problem, "Change": orElse(change, "add"), "Device": device,
		"Replications": replications, "Past": past, "Shifts": len(s.floor.GetShifts()) > 0,
	}))
}

func (b *Board) runCompare(w http.ResponseWriter, r *http.Request) {
	if b.ReadOnly {
		b.compareForm(w, http.StatusForbidden, "", "", "")
		return
	}
	if err := r.ParseForm(); err != nil {
		b.compareForm(w, http.StatusBadRequest, "That is no form of this page: "+err.Error(), "", "")
		return
	}
	change, device := r.PostForm.Get("change"), r.PostForm.Get("device")
	refuse := func(code int, problem string) { b.compareForm(w, code, problem, change, device) }
	times, err := strconv.Atoi(r.PostForm.Get("times"))
	if err != nil || !slices.Contains(replications, int32(min(max(times, 0), 1000))) {
		refuse(http.StatusBadRequest, "Choose how often it is played from the list.")
		return
	}
	if change != "operator" && !tandemv1.ValidID(device) {
		refuse(http.StatusBadRequest, "Choose a device.")
		return
	}
	if !b.compared.playing.TryLock() {
		refuse(http.StatusTooManyRequests, "Another comparison is being played: ask again when it is done.")
		return
	}
	defer b.compared.playing.Unlock()
	// The form is read; what bounds its reading would end the comparison. A test's writer has no deadlines to lift.
	_ = http.NewResponseController(w).SetReadDeadline(time.Time{})
	ctx, cancel := context.WithTimeout(r.Context(), compareWithin)
	defer cancel()
	x, err := b.compare(ctx, change, device, int32(times))
	if err != nil {
		refuse(http.StatusUnprocessableEntity, "It cannot be compared: "+described(err))
		return
	}
	b.compared.add(x)
	http.Redirect(w, r, "/compare/"+x.id, http.StatusSeeOther)
}

// compare plays the open jobs on the floor as it is and on a changed one.
func (b *Board) compare(ctx context.Context, change, device string, times int32) (*compared, error) {
	floor, err := b.api.admin.GetFloor(ctx, &tandemv1.GetFloorRequest{})
	if err != nil {
		return nil, err
	}
	other := proto.CloneOf(floor)
	const here = "the present floor"
	var name string
	switch change {
	case "add":
		name, err = compareview.AddDevice(other, here, freeID(floor, device), device)
	case "without":
		name, err = compareview.WithoutDevice(other, here, device)
	case "operator":
		name, err = compareview.AddOperator(other, here)
	default:
		err = errors.New("choose what is changed")
	}
	if err != nil {
		return nil, err
	}
	s, _ := b.mirror.snapshot()
	f := newFacts(s, b.now())
	request := &tandemv1.CompareFloorsRequest{
		Floors:       []*tandemv1.FloorVariant{{Name: "present floor", Floor: floor}, {Name: "present floor " + name, Floor: other}},
		Replications: times, Seed: 1, StartTime: timestamppb.New(f.now),
	}
	left := 0
	for _, j := range f.open {
		job := asTicket(j)
		if job == nil {
			continue
		}
		if len(request.GetJobs()) == mostCompared {
			left++
			continue
		}
		request.Jobs = append(request.Jobs, &tandemv1.HandedIn{Job: job})
	}
	if len(request.GetJobs()) == 0 {
		return nil, errors.New("there is no open job to play")
	}
	answer, err := b.play(ctx, request)
	if err != nil {
		return nil, err
	}
	return &compared{
		id: dial.NewKey(), question: name, when: f.now, jobs: len(request.GetJobs()), left: left, currency: floor.GetMoney().GetCurrency(), zone: s.zone, answer: answer,
	}, nil
}

func (b *Board) play(ctx context.Context, request *tandemv1.CompareFloorsRequest) (*tandemv1.Comparison, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := b.api.plans.CompareFloors(ctx, request)
	if err != nil {
		return nil, err
	}
	for {
		m, err := stream.Recv()
		switch {
		case errors.Is(err, io.EOF):
			return nil, errors.New("the daemon ended without a comparison: look into its log, and try again")
		case err != nil:
			return nil, err
		case m.GetComparison() != nil:
			return m.GetComparison(), nil
		}
	}
}

// freeID is an id for a device like another.
func freeID(f *tandemv1.FloorFile, like string) string {
	stem := like[:min(len(like), 58)]
	for n := 2; ; n++ {
		id := fmt.Sprintf("%s-%d", stem, n)
		if !slices.ContainsFunc(f.GetDevices(), func(d *tandemv1.Device) bool { return d.GetId() == id }) {
			return id
		}
	}
}

// asTicket is a job as it was handed in, but for what is done of it: the steps that have ended are left out. Nil if nothing of
// it can be played: others do its work, or nothing is left.
func asTicket(j *tandemv1.Job) *tandemv1.Job {
	if len(j.GetMembers()) > 0 {
		return nil // its members are played
	}
	out := &tandemv1.Job{Id: j.GetId(), DisplayName: j.GetDisplayName(), Priority: j.GetPriority(), DueTime: j.GetDueTime()}
	for _, p := range j.GetPanels() {
		out.Panels = append(out.Panels, &tandemv1.Panel{Id: p.GetId(), Pieces: p.GetPieces(), WidthUm: p.GetWidthUm(), LengthUm: p.GetLengthUm()})
	}
	kept := map[string]bool{}
	for _, s := range j.GetSteps() {
		kept[s.GetId()] = !jobOver(s)
	}
	for _, s := range j.GetSteps() {
		if !kept[s.GetId()] {
			continue
		}
		step := &tandemv1.Step{
			Id: s.GetId(), Operation: s.GetOperation(), Panels: s.GetPanels(), Media: s.GetMedia(), Ink: s.GetInk(), Mode: s.GetMode(), Film: s.GetFilm(),
			WidthUm: s.GetWidthUm(), LengthUm: s.GetLengthUm(), PathLengthUm: s.GetPathLengthUm(), Requires: s.GetRequires(), Devices: s.GetDevices(),
			Duration: s.GetDuration(), MinWait: s.GetMinWait(), MaxWait: s.GetMaxWait(), Documents: s.GetDocuments(), Blade: s.GetBlade(), ContourWork: s.GetContourWork(),
		}
		for _, id := range s.GetAfter() {
			if kept[id] {
				step.After = append(step.After, id)
			}
		}
		out.Steps = append(out.Steps, step)
	}
	if len(out.GetSteps()) == 0 {
		return nil
	}
	return out
}

func (b *Board) serveComparison(w http.ResponseWriter, r *http.Request) {
	x := b.compared.find(r.PathValue("id"))
	if x == nil {
		b.pages.missing(w, "That answer is no longer kept: ask again.")
		return
	}
	b.pages.serve(w, "comparison", b.view("Compare", "compare", x.data()))
}

func (b *Board) serveComparisonPicture(w http.ResponseWriter, r *http.Request) {
	x := b.compared.find(r.PathValue("id"))
	if x == nil {
		http.NotFound(w, r)
		return
	}
	p := ganttview.Picture{Title: "One play of each floor, with the same jobs", Zone: x.zone}
	for _, f := range x.answer.GetFloors() {
		chart := ganttview.Chart{Title: f.GetName(), Runs: f.GetExample(), Attended: f.GetAttended()}
		for _, d := range f.GetDevices() {
			chart.Devices = append(chart.Devices, d.GetDevice())
		}
		p.Charts = append(p.Charts, chart)
	}
	b.picture(w, p)
}

// measureRow is a figure of each floor, side by side.
type measureRow struct {
	Name   string
	Values []string
	Change string
}

// bar is a floor's figure as a bar, with the interval of its mean.
type bar struct {
	Name, Text              string
	Y, TextY, Width         int
	Low, High, MidY, ValueX int
}

// share is a device's time as a bar of parts.
type share struct {
	Name     string
	Y, TextY int
	Parts    []part
	Text     []string
}

type part struct {
	X, Width int
	Class    string
}

const (
	barLeft, barRoom = 230, 560 // of names, and for the longest bar
	barStep          = 34
)

func (x *compared) data() map[string]any {
	floors := x.answer.GetFloors()
	data := map[string]any{"ID": x.id, "Question": x.question, "Conclusion": x.answer.GetConclusion(), "Notes": x.answer.GetNotes(), "Jobs": x.jobs, "Left": x.left, "When": x.when.In(x.zone).Format("Mon 15:04")}
	var names []string
	for _, f := range floors {
		names = append(names, f.GetName())
	}
	data["Floors"] = names
	data["Measures"] = measures(floors, x.currency)
	data["Bars"], data["BarsHeight"] = bars(floors)
	var shares []map[string]any
	for _, f := range floors {
		rows, height := deviceShares(f)
		shares = append(shares, map[string]any{"Name": f.GetName(), "Rows": rows, "Height": height, "Bottleneck": f.GetBottleneck()})
	}
	data["Shares"] = shares
	var reckoning []string
	for _, f := range floors {
		for _, line := range f.GetPayBack().GetReckoning() {
			if !slices.Contains(reckoning, line) {
				reckoning = append(reckoning, line)
			}
		}
	}
	data["Reckoning"] = reckoning
	return data
}

// measures puts the floors' figures side by side.
func measures(floors []*tandemv1.FloorOutcome, currency string) []measureRow {
	var out []measureRow
	add := func(name string, value func(*tandemv1.FloorOutcome) string, difference int) {
		row := measureRow{Name: name, Change: "-"}
		for _, f := range floors {
			row.Values = append(row.Values, value(f))
		}
		if last := floors[len(floors)-1]; len(floors) > 1 && difference >= 0 && difference < len(last.GetDifferences()) {
			row.Change = compareview.Than(last.GetDifferences()[difference], floors[0].GetName())
		}
		out = append(out, row)
	}
	if len(floors) == 0 {
		return nil
	}
	add("Done after", func(f *tandemv1.FloorOutcome) string {
		return compareview.Estimate(f.GetMakespan(), compareview.Seconds)
	}, 0)
	add("Time through the shop, a job", func(f *tandemv1.FloorOutcome) string {
		return compareview.Estimate(f.GetFlowTime(), compareview.Seconds)
	}, 1)
	add("Late work, a job, weighted", func(f *tandemv1.FloorOutcome) string {
		return compareview.Estimate(f.GetWeightedTardiness(), compareview.Seconds)
	}, 2)
	add("Late jobs", func(f *tandemv1.FloorOutcome) string {
		return compareview.Estimate(f.GetLateShare(), compareview.Percent)
	}, -1)
	add("Pieces an hour", func(f *tandemv1.FloorOutcome) string {
		return compareview.Estimate(f.GetPiecesPerHour(), compareview.Figure)
	}, -1)
	add("Hours of work", func(f *tandemv1.FloorOutcome) string {
		return compareview.Estimate(f.GetOperatorHours(), compareview.Figure)
	}, -1)
	in := func(v float64) string { return strings.TrimSpace(compareview.Money(v) + " " + currency) }
	if back := floors[len(floors)-1].GetPayBack(); back != nil && len(floors) > 1 {
		add("Costs to get there", func(f *tandemv1.FloorOutcome) string {
			if f.GetPayBack() == nil {
				return "-"
			}
			return in(f.GetPayBack().GetInvest())
		}, -1)
		add("Gain a year", func(f *tandemv1.FloorOutcome) string {
			return compareview.Estimate(f.GetPayBack().GetGainPerYear(), in)
		}, -1)
		add("Pays back", func(f *tandemv1.FloorOutcome) string {
			switch {
			case f.GetPayBack() == nil:
				return "-"
			case f.GetPayBack().GetYears() == nil:
				return "never"
			default:
				return "in " + compareview.Estimate(f.GetPayBack().GetYears(), compareview.Years)
			}
		}, -1)
	}
	return out
}

// bars draws how long each floor takes, with the interval in which the mean lies 95 times in 100.
func bars(floors []*tandemv1.FloorOutcome) (out []bar, height int) {
	longest := 0.0
	for _, f := range floors {
		longest = max(longest, f.GetMakespan().GetMean(), finite(f.GetMakespan().GetHigh()))
	}
	if longest <= 0 {
		return nil, 0
	}
	at := func(v float64) int { return barLeft + int(math.Round(finite(v)/longest*barRoom)) }
	for i, f := range floors {
		m := f.GetMakespan()
		y := 6 + i*barStep
		out = append(out, bar{
			Name: f.GetName(), Text: compareview.Seconds(m.GetMean()), Y: y, TextY: y + 16, Width: at(m.GetMean()) - barLeft,
			Low: at(m.GetLow()), High: at(m.GetHigh()), MidY: y + 11, ValueX: max(at(m.GetMean()), at(m.GetHigh())) + 8,
		})
	}
	return out, 6 + len(floors)*barStep
}

func finite(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
		return 0
	}
	return v
}

// deviceShares draws what each device did of the whole time.
func deviceShares(f *tandemv1.FloorOutcome) (out []share, height int) {
	const step = 26
	for i, d := range f.GetDevices() {
		row := share{Name: d.GetDevice(), Y: 4 + i*step, TextY: 4 + i*step + 14}
		x := barLeft
		for _, p := range []struct {
			class string
			value float64
		}{{"busy", d.GetBusy()}, {"changeover", d.GetChangeover()}, {"blocked", d.GetBlocked()}, {"starved", d.GetStarved()}, {"closed", d.GetClosed()}} {
			width := int(math.Round(min(finite(p.value), 1) * barRoom))
			if width > 0 {
				row.Parts = append(row.Parts, part{x, width, p.class})
			}
			x += width
			row.Text = append(row.Text, compareview.Percent(p.value))
		}
		out = append(out, row)
	}
	return out, 8 + len(f.GetDevices())*step
}
