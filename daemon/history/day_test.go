package history_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	grpcstatus "google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/api"
	"tandem/daemon/engine"
	"tandem/daemon/history"
	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// dayFile is a shop with two printers that start by themselves, and a cutter that a person starts.
func dayFile() *tandemv1.FloorFile {
	printer := func(id string) *tandemv1.Device {
		return &tandemv1.Device{Id: id, LoadedMedia: "vinyl", Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{
			Operation: "print", Setup: durationpb.New(2 * time.Minute), PerMetre: durationpb.New(90 * time.Second), RunWasteUm: 200_000,
			UnattendedStart: &tandemv1.UnattendedStart{AllowedBy: "mira", AllowTime: timestamppb.New(time.Unix(0, 0))},
		}}}
	}
	return &tandemv1.FloorFile{
		TimeZone: "Europe/Berlin",
		Media:    []*tandemv1.Media{{Id: "vinyl", WidthUm: 1_370_000, RollLengthUm: 50_000_000}},
		Shifts:   []*tandemv1.Shift{{Id: "day", From: "06:00", To: "18:00"}},
		Devices: []*tandemv1.Device{printer("printer-1"), printer("printer-2"), {
			Id: "cutter-1", Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "cut", PerPiece: durationpb.New(6 * time.Second)}},
		}},
		People: []*tandemv1.Person{{Id: "mira"}},
	}
}

// played is a floor whose devices the test plays, minute by minute.
type played struct {
	*shop
	rng     *rand.Rand
	devices map[string]*playedDevice
	reports tandemv1.ReportServiceClient
	events  tandemv1.EventServiceClient
}

type playedDevice struct {
	id              string
	run             *driverv1.RunStatus // in hand
	pieces          int32
	takes, done     int // minutes
	setup           int
	jam, away, idle int // minutes left
}

// minute plays one minute of every device.
func (p *played) minute(n int) {
	p.t.Helper()
	for _, id := range []string{"printer-1", "printer-2", "cutter-1"} {
		d := p.devices[id]
		if d.away > 0 {
			if d.away--; d.away == 0 {
				p.hello(d)
			}
			continue
		}
		p.take(d)
		if d.run != nil {
			p.work(d)
		} else if d.idle > 0 {
			d.idle--
		}
		if err := p.engine.Status(p.t.Context(), id, d.status()); err != nil {
			p.t.Fatal(err)
		}
		if d.run != nil && d.run.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED {
			d.run = nil
		}
		if d.run == nil && p.rng.IntN(400) == 0 { // its driver is silent for a while
			d.away = 5 + p.rng.IntN(20)
		}
	}
	if n%15 == 7 {
		p.spoil()
	}
}

// take lets a person start what waits, and the device take what it was granted.
func (p *played) take(d *playedDevice) {
	p.t.Helper()
	if d.run != nil || d.idle > 0 {
		return
	}
	start := ""
	if err := p.engine.View(p.t.Context(), func(st engine.State) {
		dev, _ := st.Floor.Device(d.id)
		if len(dev.Live) == 0 {
			return
		}
		r := dev.Live[0]
		if !r.MayStart {
			start = r.ID
			return
		}
		d.run = &driverv1.RunStatus{Run: r.ID, Fence: r.Fence, State: tandemv1.JobState_JOB_STATE_PROCESSING, StartTime: timestamppb.New(st.Now)}
		d.pieces, d.done, d.setup = r.Pieces, 0, 2
		d.takes = 2 + int(r.Expected/time.Minute)*(80+p.rng.IntN(60))/100
	}); err != nil {
		p.t.Fatal(err)
	}
	if start != "" && p.rng.IntN(6) == 0 { // a person comes by
		p.command(floor.StartRun{Run: start})
	}
}

// work goes on with a run: now and then the device jams.
func (p *played) work(d *playedDevice) {
	switch {
	case d.jam > 0:
		if d.jam--; d.jam == 0 {
			d.run.State = tandemv1.JobState_JOB_STATE_PROCESSING
		}
	case p.rng.IntN(90) == 0:
		d.jam, d.run.State = 1+p.rng.IntN(12), tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
	default:
		if d.done++; d.done >= d.takes {
			d.run.PiecesSpoiled = int32(p.rng.IntN(3))
			d.run.PiecesGood = d.pieces - d.run.GetPiecesSpoiled()
			d.run.State = tandemv1.JobState_JOB_STATE_COMPLETED
			d.idle = p.rng.IntN(4)
		}
	}
}

func (d *playedDevice) status() *driverv1.Status {
	st := &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Phase: tandemv1.DevicePhase_DEVICE_PHASE_IDLE, Link: tandemv1.Link_LINK_ONLINE}
	if d.run == nil {
		return st
	}
	st.Runs = []*driverv1.RunStatus{proto.CloneOf(d.run)}
	switch {
	case d.run.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED:
	case d.jam > 0:
		st.State, st.Phase, st.StateReasons = tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, []string{"media-jam"}
	case d.done < d.setup:
		st.State, st.Phase = tandemv1.DeviceState_DEVICE_STATE_PROCESSING, tandemv1.DevicePhase_DEVICE_PHASE_SETUP
	default:
		st.State, st.Phase = tandemv1.DeviceState_DEVICE_STATE_PROCESSING, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION
	}
	return st
}

func (p *played) hello(d *playedDevice) {
	p.t.Helper()
	if _, err := p.engine.Hello(p.t.Context(), d.id, d.status()); err != nil {
		p.t.Fatal(err)
	}
}

// spoil lets a person find spoiled pieces at an open job.
func (p *played) spoil() {
	p.t.Helper()
	var c *floor.SpoilPieces
	if err := p.engine.View(p.t.Context(), func(st engine.State) {
		for _, j := range st.Floor.Jobs {
			if print := j.Steps[0]; j.End.IsZero() && !print.Open() && j.Panels[0].Good > 5 && j.Steps[1].Start.IsZero() {
				c = &floor.SpoilPieces{Job: j.ID, Panel: "p1", Step: "print", Pieces: 2, Note: "banding"}
			}
		}
	}); err != nil {
		p.t.Fatal(err)
	}
	if c != nil {
		p.command(*c)
		p.mistake(c.Job)
	}
}

// mistake lets a person book pieces of the wrong panel as spoiled, and take that back.
func (p *played) mistake(job string) {
	p.t.Helper()
	p.command(floor.SpoilPieces{Job: job, Panel: "p1", Step: "print", Pieces: 3, Note: "wrong panel"})
	var c floor.WithdrawSpoiled
	if err := p.engine.View(p.t.Context(), func(st engine.State) {
		if j, ok := st.Floor.Job(job); ok {
			b, _ := j.LastBooking()
			c = floor.WithdrawSpoiled{Job: job, Panel: b.Panel, Pieces: b.Pieces, Booked: b.Revision}
		}
	}); err != nil {
		p.t.Fatal(err)
	}
	p.command(c)
}

func newPlayed(t *testing.T) *played {
	t.Helper()
	s := &shop{t: t, store: ledger.NewMemory(), dir: t.TempDir()}
	var err error
	s.engine, err = engine.Open(t.Context(), engine.Options{
		Ledger: s.store, Clock: clock.Wall(), File: dayFile(), Period: time.Minute, Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.engine.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	p := &played{shop: s, rng: rand.New(rand.NewPCG(26, 11)), devices: map[string]*playedDevice{}}
	for _, d := range dayFile().GetDevices() {
		p.devices[d.GetId()] = &playedDevice{id: d.GetId()}
		p.hello(p.devices[d.GetId()])
	}
	return p
}

// serve puts an API before the engine and the history until the returned function is called.
func (p *played) serve(h *history.History) (stop func()) {
	p.t.Helper()
	server, face := api.New(p.engine, api.Options{Reports: h, Start: time.Now(), Log: zap.NewNop()})
	listener := bufconn.Listen(1 << 20)
	go func() { _ = face.Serve(listener) }()
	conn, err := grpc.NewClient("passthrough:///bufconn", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(context.Context, string) (net.Conn, error) { return listener.Dial() }))
	if err != nil {
		p.t.Fatal(err)
	}
	p.reports, p.events = tandemv1.NewReportServiceClient(conn), tandemv1.NewEventServiceClient(conn)
	return func() {
		_ = conn.Close()
		face.Shutdown()
		server.Stop()
	}
}

// counted is what somebody counts who only reads the list of events.
type counted struct {
	jobs, completed  int32
	runs             map[string]int32
	good, spoiled    map[string]int64
	found, withdrawn int64
	stopped, offline map[string]time.Duration
	stops, loads     map[string]int32
}

// count reads all events and adds them up in its own way, from their types and texts.
func (p *played) count(from, to time.Time) counted {
	p.t.Helper()
	c := counted{
		runs: map[string]int32{}, good: map[string]int64{}, spoiled: map[string]int64{},
		stopped: map[string]time.Duration{}, offline: map[string]time.Duration{}, stops: map[string]int32{}, loads: map[string]int32{},
	}
	type since struct {
		at   time.Time
		what string
	}
	device, steps := map[string]since{}, map[string]int{}
	add := func(id string, until time.Time) {
		s := device[id]
		if s.at.Before(from) {
			s.at = from
		}
		if until.After(to) {
			until = to
		}
		if d := until.Sub(s.at); d > 0 {
			switch s.what {
			case "stopped":
				c.stopped[id] += d
			case "offline":
				c.offline[id] += d
			}
		}
	}
	for after := uint64(0); ; {
		page, err := p.events.ListEvents(p.t.Context(), &tandemv1.ListEventsRequest{AfterRevision: after, PageSize: 500})
		if err != nil {
			p.t.Fatal(err)
		}
		for _, m := range page.GetCommits() {
			at := m.GetCommit().GetCommitTime().AsTime()
			for _, e := range m.GetCommit().GetEvents() {
				switch {
				case e.GetType() == "device.changed":
					add(e.GetDevice(), at)
					what := e.GetState()
					if len(e.GetReasons()) == 1 && e.GetReasons()[0] == "timed-out" {
						what = "offline"
					}
					device[e.GetDevice()] = since{at, what}
				case at.Before(from) || !at.Before(to):
				case e.GetType() == "job.created":
					c.jobs++
				case e.GetType() == "run.completed":
					c.runs[e.GetDevice()]++
					c.good[e.GetDevice()] += int64(e.GetPiecesGood())
					c.spoiled[e.GetDevice()] += int64(e.GetPiecesSpoiled())
					if steps[e.GetJob()]++; steps[e.GetJob()] == 2 {
						c.completed++
					}
				case e.GetType() == "run.processing-stopped":
					c.stops[e.GetDevice()]++
				case e.GetType() == "media.loaded":
					c.loads[e.GetDevice()]++
				case e.GetType() == "pieces.spoiled":
					c.found += int64(e.GetPiecesSpoiled())
				case e.GetType() == "spoil.withdrawn":
					var n int64
					if _, err := fmt.Sscanf(e.GetMessage(), "%d pieces of panel", &n); err != nil {
						p.t.Fatal(err)
					}
					c.found, c.withdrawn = c.found-n, c.withdrawn+n
				}
			}
		}
		if after = page.GetNextAfterRevision(); after == 0 {
			break
		}
	}
	for id := range device {
		add(id, to)
	}
	return c
}

// A day and a night on a floor, in no time: what the reports say of it is what somebody counts who only reads the events.
func TestDayIsReportedAsItWas(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		berlin, err := time.LoadLocation("Europe/Berlin")
		if err != nil {
			t.Fatal(err)
		}
		monday := time.Date(2000, 1, 3, 0, 0, 0, 0, berlin)
		time.Sleep(time.Until(monday.Add(5 * time.Hour)))
		p := newPlayed(t)
		h, stopHistory := p.follow()
		stopAPI := p.serve(h)
		p.command(floor.ReceiveLot{Lot: &tandemv1.Lot{Id: "roll-1", Media: "vinyl", LengthUm: 400_000_000}})
		p.command(floor.LoadMedia{Device: "printer-1", Media: "vinyl", Lot: "roll-1"})
		jobs := 0
		for n := range 30 * 60 { // Monday 05:00 to Tuesday 11:00
			if hour := time.Now().In(berlin).Hour(); n%20 == 0 && hour >= 6 && hour < 17 {
				jobs++
				due := time.Now().Add(time.Duration(2+p.rng.IntN(6)) * time.Hour)
				p.command(floor.CreateJob{Job: &tandemv1.Job{
					Id: fmt.Sprintf("job-%d", jobs), Pieces: 40, DueTime: timestamppb.New(due), Steps: []*tandemv1.Step{
						{Id: "print", Operation: "print", Media: "vinyl", WidthUm: 1_200_000, LengthUm: int64(2+p.rng.IntN(12)) * 1_000_000},
						{Id: "cut", Operation: "cut", After: []string{"print"}},
					},
				}})
			}
			time.Sleep(time.Minute)
			p.minute(n)
		}
		day := &tandemv1.Period{FromTime: timestamppb.New(monday), ToTime: timestamppb.New(monday.AddDate(0, 0, 1))}
		p.compare(day, p.count(monday, monday.AddDate(0, 0, 1)))
		before := p.all(day)
		p.refusals(monday)
		stopAPI()
		stopHistory()

		// The same, made anew from the records.
		p.exec("PRAGMA user_version = 0; DELETE FROM runs; DELETE FROM device_changes WHERE revision > 20")
		h, stopHistory = p.follow()
		stopAPI = p.serve(h)
		p.until("the tables are filled", func() bool {
			_, err := h.Past(t.Context(), monday, monday.Add(time.Hour))
			if err != nil && !errors.Is(err, history.ErrNotReady) {
				t.Fatal(err)
			}
			return err == nil
		})
		if after := p.all(day); after != before {
			t.Errorf("made anew, the reports are\n%s\nthey were\n%s", after, before)
		}
		stopAPI()
		stopHistory()
	})
}

// compare holds the reports of a day against what was counted.
func (p *played) compare(day *tandemv1.Period, c counted) {
	t := p.t
	t.Helper()
	devices, err := p.reports.GetDeviceReport(t.Context(), &tandemv1.GetDeviceReportRequest{Period: day})
	if err != nil {
		t.Fatal(err)
	}
	if len(devices.GetPeriods()) != 3 || devices.GetSource().GetTimeZone() != "Europe/Berlin" {
		t.Fatalf("devices: %v", devices)
	}
	var spoiled, counted int64
	for _, d := range devices.GetPeriods() {
		id := d.GetDevice()
		if d.GetRuns() != c.runs[id] || d.GetPieces() != c.good[id]+c.spoiled[id] || d.GetRuns() == 0 {
			t.Errorf("%s: %d runs and %d pieces, counted %d and %d", id, d.GetRuns(), d.GetPieces(), c.runs[id], c.good[id]+c.spoiled[id])
		}
		if d.GetPiecesGood()+d.GetPiecesSpoiled() != d.GetPieces() {
			t.Errorf("%s: %d good and %d spoiled of %d", id, d.GetPiecesGood(), d.GetPiecesSpoiled(), d.GetPieces())
		}
		if d.GetRunStops() != c.stops[id] || d.GetChangeovers().GetLoads() != c.loads[id] {
			t.Errorf("%s: %d stops and %d loads, counted %d and %d", id, d.GetRunStops(), d.GetChangeovers().GetLoads(), c.stops[id], c.loads[id])
		}
		spoiled += d.GetPiecesSpoiled()
		counted += c.spoiled[id]
		var sum, stood, offline time.Duration
		for _, k := range d.GetClasses() {
			long := k.GetPlanned().AsDuration() + k.GetOutside().AsDuration()
			sum += long
			switch k.GetClass() {
			case "delay", "down":
				stood += long
			case "offline":
				offline += long
			}
		}
		if sum != 24*time.Hour {
			t.Errorf("%s: its time adds up to %v", id, sum)
		}
		if stood != c.stopped[id] || offline != c.offline[id] {
			t.Errorf("%s stood still for %v and was offline for %v, counted %v and %v", id, stood, offline, c.stopped[id], c.offline[id])
		}
	}
	if spoiled != counted+c.found || c.found == 0 || c.withdrawn == 0 {
		t.Errorf("%d pieces spoiled, counted %d by devices and %d by people", spoiled, counted, c.found)
	}
	jobs, err := p.reports.GetJobReport(t.Context(), &tandemv1.GetJobReportRequest{Period: day})
	if err != nil {
		t.Fatal(err)
	}
	if j := jobs.GetPeriods()[0]; j.GetAccepted() != c.jobs || j.GetCompleted() != c.completed || j.GetFlow().GetJobs() != c.completed || j.GetOnTime()+int32(len(j.GetLate())) != j.GetDue() || j.GetDue() == 0 {
		t.Errorf("jobs %v, counted %d taken in and %d completed", j, c.jobs, c.completed)
	}
	waste, err := p.reports.GetWasteReport(t.Context(), &tandemv1.GetWasteReportRequest{Period: day})
	if err != nil {
		t.Fatal(err)
	}
	var causes, byPerson int64
	w := waste.GetPeriods()[0]
	for _, s := range w.GetSpoiled() {
		if causes += s.GetPieces(); s.GetByPerson() {
			byPerson += s.GetPieces()
			if s.GetCause() != "banding" || !strings.HasPrefix(s.GetDevice(), "printer-") {
				t.Errorf("a person found %v", s)
			}
		}
	}
	if causes != counted+c.found || byPerson != c.found {
		t.Errorf("waste of %d pieces, %d of them found by people; counted %d and %d", causes, byPerson, counted+c.found, c.found)
	}
	// By hand: each run on the roll takes the length of its pieces and 200 mm.
	m := w.GetMedia()[0]
	if m.GetMedia() != "vinyl" || m.GetLotsReceived() != 1 || m.GetLostUm() != 200_000*int64(m.GetRuns()-m.GetRunsWithoutLot()) || m.GetUsedUm() != m.GetLaidUm()+m.GetLostUm() || m.GetLostUm() == 0 {
		t.Errorf("media %v", m)
	}
}

// all returns every report of a period, in words.
func (p *played) all(period *tandemv1.Period) string {
	p.t.Helper()
	ctx := p.t.Context()
	var out []string
	add := func(m proto.Message, err error) {
		p.t.Helper()
		if err != nil {
			p.t.Fatal(err)
		}
		text, err := prototext.MarshalOptions{Multiline: true}.Marshal(m)
		if err != nil {
			p.t.Fatal(err)
		}
		out = append(out, strings.ReplaceAll(string(text), ":  ", ": ")) // its spaces are at random
	}
	for _, division := range []tandemv1.Division{tandemv1.Division_DIVISION_UNSPECIFIED, tandemv1.Division_DIVISION_DAY, tandemv1.Division_DIVISION_WEEK, tandemv1.Division_DIVISION_SHIFT} {
		d, err := p.reports.GetDeviceReport(ctx, &tandemv1.GetDeviceReportRequest{Period: period, Division: division})
		d.GetSource().Now = nil
		add(d, err)
		j, err := p.reports.GetJobReport(ctx, &tandemv1.GetJobReportRequest{Period: period, Division: division})
		j.GetSource().Now = nil
		add(j, err)
		w, err := p.reports.GetWasteReport(ctx, &tandemv1.GetWasteReportRequest{Period: period, Division: division, Devices: []string{"printer-1"}})
		w.GetSource().Now = nil
		add(w, err)
	}
	n, err := p.reports.GetNightReport(ctx, &tandemv1.GetNightReportRequest{})
	if err == nil {
		if night := n.GetSource().GetPeriod(); night.GetFromTime().AsTime().Format("15:04") != "17:00" || night.GetToTime().AsTime().Sub(night.GetFromTime().AsTime()) != 12*time.Hour {
			p.t.Errorf("the night is %v", night)
		}
		n.GetSource().Now = nil
	}
	add(n, err)
	return strings.Join(out, "\n")
}

// refusals are requests that name what is wrong with them.
func (p *played) refusals(monday time.Time) {
	t := p.t
	t.Helper()
	at := func(d time.Duration) *timestamppb.Timestamp { return timestamppb.New(monday.Add(d)) }
	const day = 24 * time.Hour
	for _, c := range []struct {
		want string
		code codes.Code
		req  *tandemv1.GetDeviceReportRequest
	}{
		{"period.to_time", codes.InvalidArgument, &tandemv1.GetDeviceReportRequest{Period: &tandemv1.Period{FromTime: at(2), ToTime: at(1)}}},
		{"period.from_time", codes.InvalidArgument, &tandemv1.GetDeviceReportRequest{Period: &tandemv1.Period{FromTime: at(90 * day)}}},
		{"period.from_time", codes.InvalidArgument, &tandemv1.GetDeviceReportRequest{Period: &tandemv1.Period{FromTime: &timestamppb.Timestamp{Nanos: -1}}}},
		{"period: ", codes.InvalidArgument, &tandemv1.GetDeviceReportRequest{Period: &tandemv1.Period{FromTime: at(-500 * day)}}},
		{"division", codes.InvalidArgument, &tandemv1.GetDeviceReportRequest{Division: 17}},
		{"division", codes.InvalidArgument, &tandemv1.GetDeviceReportRequest{Period: &tandemv1.Period{FromTime: at(-390 * day)}, Division: tandemv1.Division_DIVISION_DAY}},
		{"printer-9", codes.NotFound, &tandemv1.GetDeviceReportRequest{Devices: []string{"printer-9"}}},
	} {
		_, err := p.reports.GetDeviceReport(t.Context(), c.req)
		if grpcstatus.Code(err) != c.code || !strings.Contains(fmt.Sprint(err, grpcstatus.Convert(err).Details()), strings.TrimSuffix(c.want, ": ")) {
			t.Errorf("%v: %v, want %v that names %s", c.req, err, c.code, c.want)
		}
	}
}
