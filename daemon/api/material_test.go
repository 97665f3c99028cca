package api_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

func (d *daemon) material() tandemv1.MaterialServiceClient {
	return tandemv1.NewMaterialServiceClient(d.conn)
}

func (d *daemon) receive(lot *tandemv1.Lot, key string) *tandemv1.Lot {
	d.tb.Helper()
	l, err := d.material().ReceiveLot(d.ctx(), &tandemv1.ReceiveLotRequest{Lot: lot, RequestId: key, Actor: "mira"})
	if err != nil {
		d.tb.Fatal(err)
	}
	return l
}

// A lot received without an id gets one, and the same request gets the same lot, after a restart too.
func TestReceiveLotOnce(t *testing.T) {
	d := newDaemon(t)
	ask := &tandemv1.Lot{Media: "gloss", LengthUm: 20_000_000, Note: "batch 7", Code: "M0000", RemainingUm: 5, Device: "cutter-1"}
	first := d.receive(ask, "k1")
	if first.GetId() != "lot-1" || first.GetCode() == "" || first.GetRemainingUm() != 20_000_000 || first.GetNote() != "batch 7" || first.GetReceiveTime() == nil || first.GetDevice() != "" {
		t.Errorf("received: %v", first)
	}
	if again := d.receive(ask, "k1"); !proto.Equal(first, again) {
		t.Errorf("the same request: %v", again)
	}
	d.reopen()
	if again := d.receive(ask, "k1"); !proto.Equal(first, again) {
		t.Errorf("the same request after a restart: %v", again)
	}
	_, err := d.material().ReceiveLot(t.Context(), &tandemv1.ReceiveLotRequest{Lot: &tandemv1.Lot{Id: "lot-1", Media: "gloss", LengthUm: 1}, Actor: "mira"})
	if got := reason(err); got != "AlreadyExists LOT_EXISTS" {
		t.Errorf("the same id: %s", got)
	}
	_, err = d.material().ReceiveLot(t.Context(), &tandemv1.ReceiveLotRequest{Lot: &tandemv1.Lot{Media: "gloss"}, Actor: "mira"})
	if f := fieldsOf(err); len(f) != 1 || !strings.HasPrefix(f[0], "lot.length_um: is missing") {
		t.Errorf("no length: %v (%v)", f, err)
	}
	_, err = d.material().ReceiveLot(t.Context(), &tandemv1.ReceiveLotRequest{Lot: &tandemv1.Lot{Media: "gloss", LengthUm: 1, Note: "a\x1b[2J"}})
	if f := fieldsOf(err); len(f) != 1 || !strings.HasPrefix(f[0], "lot.note: ") {
		t.Errorf("a note that disturbs a terminal: %v", err)
	}
}

// Pages neither repeat nor hide lots, also when some are used up between them.
func TestListLots(t *testing.T) {
	d := newDaemon(t)
	for i := range 7 {
		d.receive(&tandemv1.Lot{Media: []string{"gloss", "matt"}[i%2], LengthUm: 1_000_000}, fmt.Sprint(i))
	}
	if l, err := d.material().MeasureLot(t.Context(), &tandemv1.MeasureLotRequest{Id: "lot-3", Note: "creased", Actor: "mira"}); err != nil || l.GetRemainingUm() != 0 || !slices.Equal(l.GetStateReasons(), []string{"media-empty-error"}) {
		t.Fatalf("measured: %v %v", l, err)
	}
	all := func(req *tandemv1.ListLotsRequest, between func()) string {
		var ids []string
		for {
			page, err := d.material().ListLots(t.Context(), req)
			if err != nil {
				t.Fatal(err)
			}
			for _, l := range page.GetLots() {
				ids = append(ids, strings.TrimPrefix(l.GetId(), "lot-"))
			}
			if page.GetRevision() == 0 || len(page.GetLots()) > int(req.GetPageSize()) {
				t.Errorf("page %v", page)
			}
			if req.PageToken = page.GetNextPageToken(); req.GetPageToken() == "" {
				return strings.Join(ids, " ")
			}
			between()
		}
	}
	nothing := func() {}
	for _, tt := range []struct {
		req     *tandemv1.ListLotsRequest
		between func()
		want    string
	}{
		{&tandemv1.ListLotsRequest{PageSize: 2}, nothing, "1 2 4 5 6 7"},
		{&tandemv1.ListLotsRequest{PageSize: 3, IncludeEmpty: true}, nothing, "1 2 3 4 5 6 7"},
		{&tandemv1.ListLotsRequest{PageSize: 100, Media: "matt"}, nothing, "2 4 6"},
		{&tandemv1.ListLotsRequest{PageSize: 2}, func() {
			if _, err := d.material().MeasureLot(t.Context(), &tandemv1.MeasureLotRequest{Id: "lot-1", Actor: "mira"}); err != nil {
				t.Fatal(err)
			}
		}, "1 2 4 5 6 7"},
	} {
		if got := all(tt.req, tt.between); got != tt.want {
			t.Errorf("%v: %s, want %s", tt.req, got, tt.want)
		}
	}
	if _, err := d.material().ListLots(t.Context(), &tandemv1.ListLotsRequest{PageToken: "x"}); len(fieldsOf(err)) != 1 {
		t.Errorf("a made-up token: %v", err)
	}
}

// A roll that is too short keeps a run from beginning until a longer one is on, or a person says why it is right; what they
// said is shown with the run, and in the ledger.
func TestStartOnAShortRollIsOnRecord(t *testing.T) {
	d := newDaemon(t)
	d.greet("laminator")
	d.receive(&tandemv1.Lot{Id: "short", Media: "gloss", LengthUm: 1_000_000}, "k1")
	long := d.receive(&tandemv1.Lot{Id: "long", Media: "gloss", LengthUm: 9_000_000}, "k2")
	dev, err := d.devices.LoadMedia(t.Context(), &tandemv1.LoadMediaRequest{Id: "laminator", Lot: "short", Actor: "mira"})
	if err != nil || dev.GetLoadedLot() != "short" || dev.GetLoadedMedia() != "gloss" || dev.GetLoadedRemainingUm() != 1_000_000 {
		t.Fatalf("loaded: %v %v", dev, err)
	}
	job := &tandemv1.Job{Id: "a", Pieces: 6, Steps: []*tandemv1.Step{{Id: "laminate", Operation: "laminate", Film: "gloss", LengthUm: 3_000_000}}}
	if _, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: job}); err != nil {
		t.Fatal(err)
	}
	run := d.job("a").GetSteps()[0].GetRuns()[0].GetId()
	_, err = d.devices.StartRun(t.Context(), &tandemv1.StartRunRequest{Run: run, Actor: "mira"})
	if got := reason(err); got != "FailedPrecondition LOT_TOO_SHORT" || !strings.Contains(status.Convert(err).Message(), "load a longer roll of gloss first: long ("+long.GetCode()+", 9 m) will do") {
		t.Errorf("on a short roll: %s (%v)", got, err)
	}
	why, err := d.jobs.ExplainStep(t.Context(), &tandemv1.ExplainStepRequest{Id: "a"})
	if err != nil || !strings.Contains(why.GetSummary(), "waits for a longer roll") || !strings.Contains(why.GetSummary(), long.GetCode()) {
		t.Errorf("why: %v %v", why.GetSummary(), err)
	}
	r, err := d.devices.StartRun(t.Context(), &tandemv1.StartRunRequest{Run: run, Actor: "mira", OverrideNote: "two lengths are wanted anyway"})
	if err != nil || !r.GetMayStart() || r.GetOverrideNote() != "mira: two lengths are wanted anyway" || r.GetLot() != "short" || r.GetLotLengthUm() != 3_000_000 {
		t.Fatalf("on a person's word: %v %v", r, err)
	}
	if why, err = d.jobs.ExplainStep(t.Context(), &tandemv1.ExplainStepRequest{Id: "a"}); err != nil || !strings.Contains(why.GetSummary(), "by mira: two lengths are wanted anyway") {
		t.Errorf("why: %v %v", why.GetSummary(), err)
	}
	list, err := d.events.ListEvents(t.Context(), &tandemv1.ListEventsRequest{PageSize: 1000})
	if err != nil {
		t.Fatal(err)
	}
	var told []string
	for _, c := range list.GetCommits() {
		for _, e := range c.GetCommit().GetEvents() {
			switch e.GetType() {
			case "lot.received", "lot.measured", "media.loaded", "media.overridden", "blade.replaced":
				told = append(told, fmt.Sprintf("%s %s %s: %s (%s)", e.GetType(), e.GetDevice(), e.GetRun(), e.GetMessage(), e.GetActor()))
			}
		}
	}
	want := []string{
		"lot.received  : lot short received, code M001G: 1 m of gloss (mira)",
		"lot.received  : lot long received, code M002E: 9 m of gloss (mira)",
		"media.loaded laminator : gloss loaded on laminator: lot short (mira)",
		"media.overridden laminator run-1: laminate let begin on laminator with gloss: two lengths are wanted anyway (mira)",
	}
	if !slices.Equal(told, want) {
		t.Errorf("the ledger tells\n%s\nwant\n%s", strings.Join(told, "\n"), strings.Join(want, "\n"))
	}
	d.check()
}

func TestLoadAndBladeAreRefusedWithTheRemedy(t *testing.T) {
	d := newDaemon(t)
	d.receive(&tandemv1.Lot{Id: "a", Media: "gloss", LengthUm: 1_000_000}, "k1")
	load := func(device, media, lot string) error {
		_, err := d.devices.LoadMedia(t.Context(), &tandemv1.LoadMediaRequest{Id: device, Media: media, Lot: lot, Actor: "mira"})
		return err
	}
	blade := func(device, kind string) error {
		_, err := d.devices.ReplaceBlade(t.Context(), &tandemv1.ReplaceBladeRequest{Id: device, Blade: kind, Actor: "mira"})
		return err
	}
	for _, tt := range []struct {
		err  error
		want string
	}{
		{load("laminator", "", ""), "InvalidArgument INVALID_FIELD"},
		{load("laminator", "", "b"), "NotFound LOT_NOT_FOUND"},
		{load("laminator", "matt", "a"), "InvalidArgument INVALID_FIELD"},
		{load("nowhere", "", "a"), "NotFound DEVICE_NOT_FOUND"},
		{blade("laminator", ""), "FailedPrecondition NO_BLADE"},
		{blade("cutter-1", "45 degrees"), "InvalidArgument INVALID_FIELD"},
		{blade("nowhere", ""), "NotFound DEVICE_NOT_FOUND"},
	} {
		if got := reason(tt.err); got != tt.want {
			t.Errorf("%s, want %s (%v)", got, tt.want, tt.err)
		}
	}
	dev, err := d.devices.ReplaceBlade(t.Context(), &tandemv1.ReplaceBladeRequest{Id: "cutter-1", Blade: "b-45", Actor: "mira"})
	if err != nil || dev.GetBlade() != "b-45" || dev.GetBladeUsedUm() != 0 {
		t.Errorf("a blade: %v %v", dev, err)
	}
}
