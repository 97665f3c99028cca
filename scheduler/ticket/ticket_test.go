package ticket

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

const mm = 1000

// shop is a floor of our own with the figures of the worked values it is tested against.
func shop() *tandemv1.FloorFile {
	return &tandemv1.FloorFile{
		Media: []*tandemv1.Media{
			{Id: "vinyl", WidthUm: 1370 * mm},
			{Id: "cast", WidthUm: 1370 * mm, FilmRequired: true, Blade: "fine"},
			{Id: "foil", WidthUm: 1220 * mm, ThroughPasses: 2},
			{Id: "board", WidthUm: 1000 * mm, SheetLengthUm: 700 * mm},
			{Id: "gloss", WidthUm: 1400 * mm},
			{Id: "narrow", WidthUm: 600 * mm},
		},
		Rules: &tandemv1.Rules{
			Layout: &tandemv1.LayoutRules{
				EdgeUm: 15 * mm, GutterUm: 6 * mm, MarkBandUm: 15 * mm, MarkClearanceUm: 10 * mm, MaxMarkDistanceUm: 600 * mm,
				LeadUm: 100 * mm, TailUm: 100 * mm, PanelGapUm: 20 * mm,
			},
			Drying: []*tandemv1.DryingRule{{Ink: "fast", Duration: durationpb.New(6 * time.Hour), Before: "laminate"}},
		},
		Devices: []*tandemv1.Device{
			{Id: "printer", Capacity: 1, Abilities: []*tandemv1.Ability{{
				Operation: "print", Inks: []string{"eco-solvent", "uv", "fast"}, MaxWidthUm: 1600 * mm, Setup: durationpb.New(4 * time.Minute),
				PrintModes: []*tandemv1.PrintMode{{Mode: "production", SquareMetresPerHour: 12}},
			}}},
			{Id: "rack", Capacity: 4, Abilities: []*tandemv1.Ability{{Operation: "dry"}}},
			{Id: "laminator", Capacity: 1, Abilities: []*tandemv1.Ability{{Operation: "laminate", Films: []string{"gloss"}, PerMetre: durationpb.New(30 * time.Second)}}},
			{Id: "cutter", Capacity: 1, Abilities: []*tandemv1.Ability{{
				Operation: "cut", Modes: []string{"kiss", "through"}, MarkTime: durationpb.New(5 * time.Second),
				// The worked rectangle: 100 x 50 mm with full stops at 0.6 m/s and 3 m/s2 takes 1.2467 s (kinematics).
				CutMotion: &tandemv1.CutMotion{SpeedUm: 600 * mm, AccelerationUm: 3000 * mm},
			}}},
			{Id: "bench", Capacity: 2, Abilities: []*tandemv1.Ability{
				{Operation: "weed", PerPiece: durationpb.New(20 * time.Second)},
				{Operation: "pack", PerPiece: durationpb.New(2 * time.Second)},
			}},
		},
	}
}

func decals() *tandemv1.Item {
	return &tandemv1.Item{
		Id: "gull", WidthUm: 100 * mm, HeightUm: 50 * mm, Quantity: 240, Media: "vinyl", Ink: "eco-solvent", Film: "gloss", CutKind: "kiss",
		Artwork: &tandemv1.Document{Uri: "file:///harbour/gull.pdf"}, HandWork: []string{"weed", "pack"},
	}
}

func order(items ...*tandemv1.Item) *tandemv1.Job { return &tandemv1.Job{Id: "order", Items: items} }

func mustMake(t *testing.T, file *tandemv1.FloorFile, in *tandemv1.Job, files ...*tandemv1.CutFile) *Made {
	t.Helper()
	made, err := Make(file, in, files)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := floor.New().Decide(time.Time{}, floor.Meta{}, floor.CreateJob{Job: made.Job}); err != nil {
		t.Fatalf("the floor does not take what was made: %v", err)
	}
	return made
}

// Step-and-repeat, common practice, no source; figures worked out by hand: roll 1370 mm, edge 15, gutter 6, decal 100 x 50,
// 240 of it: turned 24 across in 10 rows; marks at most 600 mm apart with 10 mm clearance give 5 rows a panel, 2 panels. Each
// is 5*100+4*6 = 524 mm long, 554 mm with its bands: 100 + 554 + 20 + 554 + 100 = 1328 mm of web.
func TestMakeLaminatedDecals(t *testing.T) {
	made := mustMake(t, shop(), order(decals()))
	var got []string
	for _, s := range made.Job.GetSteps() {
		got = append(got, s.GetId()+"<-"+strings.Join(s.GetAfter(), ","))
	}
	if want := []string{"print<-", "dry<-print", "laminate<-dry", "cut<-laminate", "weed<-cut", "pack<-weed"}; !slices.Equal(got, want) {
		t.Errorf("steps %v, want %v", got, want)
	}
	l := made.Layouts[0]
	if len(l.GetPanels()) != 2 || l.GetPieces() != 240 || l.GetLengthUm() != 1328*mm {
		t.Errorf("%d panels, %d pieces, %d um; want 2, 240, 1328 mm", len(l.GetPanels()), l.GetPieces(), l.GetLengthUm())
	}
	for _, p := range made.Job.GetPanels() {
		// 24 across: 24*50+23*6 = 1338 mm, and 10 mm clearance at each side.
		if p.GetPieces() != 120 || p.GetWidthUm() != 1358*mm || p.GetLengthUm() != 544*mm {
			t.Errorf("panel %s: %d pieces, marks %d x %d um apart; want 120, 1358 x 544 mm", p.GetId(), p.GetPieces(), p.GetWidthUm(), p.GetLengthUm())
		}
	}
	if !l.GetPanels()[0].GetPlacements()[0].GetTurned() {
		t.Error("pieces lie upright, turned takes less web")
	}
	dry := made.Job.GetSteps()[1]
	// "Outgassing and Installing", a film manufacturer's bulletin no. 34: 24 h for eco-solvent ink before laminating.
	if d := dry.GetDuration().AsDuration(); d != 24*time.Hour {
		t.Errorf("dries %v, want 24h", d)
	}
	if !slices.ContainsFunc(made.Notes, func(n string) bool { return strings.Contains(n, "24h") }) {
		t.Errorf("nobody is told where the drying time comes from: %q", made.Notes)
	}
	cut := made.Job.GetSteps()[3]
	if want := int64(240 * 300 * mm); cut.GetPathLengthUm() != want {
		t.Errorf("knife path %d um, want %d", cut.GetPathLengthUm(), want)
	}
	// 240 rectangles of 1.2467 s, and 239 ways of 100 mm to the next, 0.3651 s each.
	want := time.Duration((240*1.246740 + 239*0.365148) * float64(time.Second))
	if d := cut.GetContourWork()["cutter"].AsDuration(); (d - want).Abs() > 100*time.Millisecond {
		t.Errorf("cutting takes %v, want %v", d, want)
	}
}

func TestMakeByWhatIsOrdered(t *testing.T) {
	tests := []struct {
		name   string
		change func(*tandemv1.Item)
		want   string
	}{
		{"not laminated: a kiss cut needs no dry ink", func(i *tandemv1.Item) { i.Film = "" }, "print cut weed pack"},
		{"cured at once", func(i *tandemv1.Item) { i.Ink = "uv" }, "print laminate cut weed pack"},
		{"the shop's own drying time", func(i *tandemv1.Item) { i.Ink = "fast" }, "print dry laminate cut weed pack"},
		{"any ink: as long as the slowest", func(i *tandemv1.Item) { i.Ink = "" }, "print dry laminate cut weed pack"},
		{"print only", func(i *tandemv1.Item) { i.Film, i.CutKind, i.HandWork = "", "", nil }, "print"},
		{"cut only", func(i *tandemv1.Item) {
			i.Artwork, i.Ink, i.Film, i.Media, i.CutKind = nil, "", "", "foil", "through"
		}, "cut weed pack"},
		{"sheets", func(i *tandemv1.Item) { i.Media, i.Film = "board", "" }, "print cut weed pack"},
	}
	for _, tt := range tests {
		it := decals()
		tt.change(it)
		made := mustMake(t, shop(), order(it))
		var ops []string
		for _, s := range made.Job.GetSteps() {
			ops = append(ops, s.GetOperation())
		}
		if got := strings.Join(ops, " "); got != tt.want {
			t.Errorf("%s: %s, want %s", tt.name, got, tt.want)
		}
		var sum int32
		for _, p := range made.Job.GetPanels() {
			sum += p.GetPieces()
		}
		if sum != 240 {
			t.Errorf("%s: %d pieces on the panels, want 240", tt.name, sum)
		}
	}
}

func TestMakeJoinsGroupsInPack(t *testing.T) {
	other := decals()
	other.Id, other.Media, other.Artwork, other.Ink, other.Film, other.Quantity = "name", "foil", nil, "", "", 3
	made := mustMake(t, shop(), order(decals(), other))
	pack := made.Job.GetSteps()[len(made.Job.GetSteps())-1]
	if pack.GetOperation() != "pack" || !slices.Equal(pack.GetAfter(), []string{"weed", "weed-2"}) || len(pack.GetPanels()) != 3 {
		t.Errorf("pack waits for %v on panels %v", pack.GetAfter(), pack.GetPanels())
	}
	if first := made.Job.GetSteps()[len(made.Job.GetSteps())-3]; first.GetMedia() != "foil" {
		t.Errorf("the cut of the foil asks for media %q", first.GetMedia())
	}
}

func TestMakeSharesPanels(t *testing.T) {
	a, b := decals(), decals()
	a.Quantity, b.Quantity, b.Id, b.WidthUm, b.CutKind, b.HandWork = 10, 7, "buoy", 130*mm, "through", nil
	made := mustMake(t, shop(), order(a, b))
	if len(made.Layouts) != 1 {
		t.Fatalf("%d layouts, want the two items to share one", len(made.Layouts))
	}
	var ids []string
	counts := map[string]int32{}
	for _, s := range made.Job.GetSteps() {
		ids = append(ids, s.GetId())
	}
	for _, p := range made.Job.GetPanels() {
		for _, c := range p.GetContents() {
			counts[c.GetItem()] += c.GetPieces()
		}
	}
	if counts["gull"] != 10 || counts["buoy"] != 7 {
		t.Errorf("panels hold %v", counts)
	}
	if want := []string{"print", "dry", "laminate", "cut-kiss", "cut-through", "weed", "pack"}; !slices.Equal(ids, want) {
		t.Errorf("steps %v, want %v: kiss cuts first, or the piece moves", ids, want)
	}
	for _, s := range made.Job.GetSteps() {
		if s.GetId() == "weed" && s.GetContourWork()["bench"].AsDuration() != 200*time.Second {
			t.Errorf("weeding takes %v, want 20 s for each of the 10 that are weeded", s.GetContourWork()["bench"].AsDuration())
		}
	}
}

func TestOversAndRoom(t *testing.T) {
	it := decals()
	it.Quantity, it.Overs = 230, 5
	made := mustMake(t, shop(), order(it))
	if l := made.Layouts[0]; l.GetPieces() != 235 || l.GetRoomFor() != 5 {
		t.Errorf("%d pieces and room for %d, want 235 and 5", l.GetPieces(), l.GetRoomFor())
	}
	file := shop()
	file.Rules.Layout.FillRows = true
	if l := mustMake(t, file, order(it)).Layouts[0]; l.GetPieces() != 240 || l.GetRoomFor() != 0 {
		t.Errorf("filled rows: %d pieces and room for %d, want 240 and 0", l.GetPieces(), l.GetRoomFor())
	}
}

func TestCutFile(t *testing.T) {
	svg := []byte(`<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="50mm" viewBox="0 0 100 50"><circle cx="50" cy="25" r="20"/></svg>`)
	sum := sha256.Sum256(svg)
	it := decals()
	it.Cut = &tandemv1.Document{Uri: "gull.svg"}
	made := mustMake(t, shop(), order(it), &tandemv1.CutFile{Uri: "gull.svg", Content: svg})
	got := made.Job.GetItems()[0]
	// Circumference of a circle of 20 mm radius: 2*pi*r = 125.6637 mm.
	if l := got.GetContour().GetLengthUm(); l < 125663 || l > 125664 {
		t.Errorf("contour of %d um, want 125,664", l)
	}
	if got.GetCut().GetSha256() != hex.EncodeToString(sum[:]) {
		t.Errorf("hash %s was filled in", got.GetCut().GetSha256())
	}
	for _, s := range made.Job.GetSteps() {
		if s.GetOperation() == "cut" && (len(s.GetDocuments()) != 1 || s.GetDocuments()[0].GetSha256() != hex.EncodeToString(sum[:])) {
			t.Errorf("the cut's documents are %v", s.GetDocuments())
		}
	}
}

func TestRefused(t *testing.T) {
	file := &tandemv1.CutFile{Uri: "gull.svg", Content: []byte(`<svg xmlns="http://www.w3.org/2000/svg" width="90mm" height="90mm" viewBox="0 0 90 90"><path d="M0 0L90 90"/></svg>`)}
	cut := func(sum string) func(*tandemv1.Item) {
		return func(i *tandemv1.Item) { i.Cut = &tandemv1.Document{Uri: "gull.svg", Sha256: sum} }
	}
	tests := []struct {
		name, field, says string
		change            func(*tandemv1.Item)
		files             []*tandemv1.CutFile
	}{
		{"no id", "job.items[0].id", "missing", func(i *tandemv1.Item) { i.Id = "" }, nil},
		{"negative width", "job.items[0].width_um", "not between", func(i *tandemv1.Item) { i.WidthUm = -1 }, nil},
		{"huge height", "job.items[0].height_um", "not between", func(i *tandemv1.Item) { i.HeightUm = 1 << 62 }, nil},
		{"wider than the roll", "job.items[0].width_um", "1340", func(i *tandemv1.Item) { i.WidthUm, i.HeightUm = 1500*mm, 1400*mm }, nil},
		{"nothing ordered", "job.items[0].quantity", "between 1", func(i *tandemv1.Item) { i.Quantity = 0 }, nil},
		{"too many", "job.items[0].quantity", "between 1", func(i *tandemv1.Item) { i.Quantity = 2_000_000 }, nil},
		{"unknown media", "job.items[0].media", "there is no media", func(i *tandemv1.Item) { i.Media = "velvet" }, nil},
		{"must be laminated", "job.items[0].film", "must be laminated", func(i *tandemv1.Item) { i.Media, i.Film = "cast", "" }, nil},
		{"narrow film", "job.items[0].film", "must cover the web", func(i *tandemv1.Item) { i.Film = "narrow" }, nil},
		{"no device has the ink", "job.items[0].ink", "has no ink latex", func(i *tandemv1.Item) { i.Ink = "latex" }, nil},
		{"nobody knows how it dries", "job.items[0].ink", "drying rule", func(i *tandemv1.Item) { i.Ink = "berry" }, nil},
		{"no such cut", "job.items[0].cut_kind", "kiss, perforated, through", func(i *tandemv1.Item) { i.CutKind = "deep" }, nil},
		{"no device perforates", "job.items[0].cut_kind", "has no mode perforated", func(i *tandemv1.Item) { i.CutKind = "perforated" }, nil},
		{"nobody masks", "job.items[0].hand_work", "no device of this floor can mask", func(i *tandemv1.Item) { i.HandWork = []string{"mask"} }, nil},
		{"wrong hash", "job.items[0].cut.sha256", "changed since", cut(strings.Repeat("0", 64)), []*tandemv1.CutFile{file}},
		{"no hash and no file", "job.items[0].cut.sha256", "hand in the cut file", cut(""), nil},
		{"larger than the piece", "job.items[0].width_um", "90.0 x 90.0", cut(""), []*tandemv1.CutFile{file}},
		{"not an SVG", "job.items[0].cut.uri", "gull.svg", cut(""), []*tandemv1.CutFile{{Uri: "gull.svg", Content: []byte("%PDF")}}},
		{"a file nobody names", "cut_files[0].uri", "no item names", func(*tandemv1.Item) {}, []*tandemv1.CutFile{file}},
		{"too large a file", "cut_files", "3145728", cut(""), []*tandemv1.CutFile{{Uri: "gull.svg", Content: make([]byte, 4<<20)}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			it := decals()
			tt.change(it)
			_, err := Make(shop(), order(it), tt.files)
			var e *floor.Error
			if !errors.As(err, &e) || e.Kind != floor.Invalid {
				t.Fatalf("error %v, want an invalid job", err)
			}
			if !slices.ContainsFunc(e.Violations, func(v floor.Violation) bool {
				return v.Field == tt.field && strings.Contains(v.Problem, tt.says)
			}) {
				t.Errorf("%v; want %s to say %q", e, tt.field, tt.says)
			}
		})
	}
	if _, err := Make(shop(), &tandemv1.Job{Id: "x", Items: []*tandemv1.Item{decals()}, Pieces: 3}, nil); err == nil {
		t.Error("items and pieces together were taken")
	}
}

func TestGang(t *testing.T) {
	one, two := decals(), decals()
	one.Quantity, two.Quantity, two.WidthUm = 12, 9, 180*mm
	a := mustMake(t, shop(), &tandemv1.Job{Id: "a", Items: []*tandemv1.Item{one}}).Job
	b := mustMake(t, shop(), &tandemv1.Job{Id: "b", Items: []*tandemv1.Item{two}}).Job
	members := []*tandemv1.Job{a, b}
	run, carries, err := Gang(shop(), "gang", members)
	if err != nil {
		t.Fatal(err)
	}
	counts := map[string]int32{}
	for _, p := range run.GetPanels() {
		for _, c := range p.GetContents() {
			counts[c.GetJob()+"/"+c.GetItem()] += c.GetPieces()
		}
	}
	if counts["a/gull"] != 12 || counts["b/gull"] != 9 {
		t.Errorf("panels hold %v", counts)
	}
	if len(carries) != 8 || carries[0] != (Carry{"print", "a", "print"}) || carries[7] != (Carry{"cut", "b", "cut"}) {
		t.Errorf("carries %v: want print, dry, laminate and cut of both", carries)
	}
	if together := run.GetSteps()[0].GetLengthUm(); together >= Apart(members) {
		t.Errorf("together %d um, apart %d um", together, Apart(members))
	}
	want := a.GetSteps()[3].GetContourWork()["cutter"].AsDuration() + b.GetSteps()[3].GetContourWork()["cutter"].AsDuration()
	if got := run.GetSteps()[3].GetContourWork()["cutter"].AsDuration(); got != want {
		t.Errorf("cutting the gang takes %v, its members %v", got, want)
	}
	b.Items[0].Film = ""
	if _, _, err := Gang(shop(), "gang", members); err == nil || !strings.Contains(err.Error(), "film") {
		t.Errorf("jobs with and without film share panels: %v", err)
	}
}

func TestQuote(t *testing.T) {
	f := floor.New()
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	d, err := f.Decide(now, floor.Meta{}, floor.Configure{File: shop()})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range d.Events {
		f.Apply(1, now, e)
	}
	q := Quote(f, mustMake(t, shop(), order(decals())), now)
	if len(q.GetSteps()) != 6 {
		t.Fatalf("%d steps", len(q.GetSteps()))
	}
	var sum time.Duration
	for _, s := range q.GetSteps() {
		low, p50, high := s.GetLow().AsDuration(), s.GetDuration().AsDuration(), s.GetHigh().AsDuration()
		if s.GetDevice() == "" || low > p50 || p50 > high || p50 == 0 {
			t.Errorf("%s on %q takes %v to %v, mostly %v", s.GetStep(), s.GetDevice(), low, high, p50)
		}
		sum += p50
	}
	if q.GetAlone().AsDuration() != sum || q.GetAloneLow().AsDuration() >= sum || q.GetAloneHigh().AsDuration() <= sum {
		t.Errorf("alone it takes %v (%v to %v), its chain of steps %v", q.GetAlone().AsDuration(), q.GetAloneLow().AsDuration(), q.GetAloneHigh().AsDuration(), sum)
	}
	// Area model: 1.328 m of web of 1.370 m at 12 m2/h take 9 min 5.808 s, and 4 min set-up (common practice, no source).
	want := 4*time.Minute + time.Duration(1.328*1.370/12*3600*float64(time.Second))
	if got := q.GetSteps()[0].GetDuration().AsDuration(); (got - want).Abs() > time.Second {
		t.Errorf("printing takes %v, want %v", got, want)
	}
}
