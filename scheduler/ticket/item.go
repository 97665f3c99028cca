package ticket

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/contour"
	"tandem/scheduler/floor"
)

// item is an ordered design with what its cut file says.
type item struct {
	*tandemv1.Item
	index   int
	contour *contour.Contour // nil: only figures are known
	panels  map[string]bool
}

// printed says whether the item is printed.
func (it *item) printed() bool { return StuffOf(it.Item).Printed }

// cutKinds returns the kinds of cuts that the item needs, in the order in which they are made.
func (it *item) cutKinds() []string {
	if it.contour == nil {
		if it.GetCutKind() == "" {
			return nil
		}
		return []string{it.GetCutKind()}
	}
	var out []string
	for _, name := range kinds {
		if k, err := contour.ParseKind(name); err == nil && it.contour.Figures[k].Contours > 0 {
			out = append(out, name)
		}
	}
	return out
}

// pathUm returns the length of the knife path of a kind for one piece, in micrometres.
func (it *item) pathUm(kind string) int64 {
	if it.contour == nil {
		return it.GetContour().GetLengthUm()
	}
	k, err := contour.ParseKind(kind)
	if err != nil {
		return 0
	}
	return int64(math.Round(it.contour.Figures[k].LengthMM * 1000))
}

func (it *item) field(name string) string { return fmt.Sprintf("job.items[%d].%s", it.index, name) }

// kinds of cuts, in the order in which they are made: what holds the piece is cut last.
var kinds = []string{"kiss", "perforated", "through"}

// mostCutFiles is what all cut files of a request may have together, in bytes.
const mostCutFiles = 3 << 20

func (m *maker) readItems(files []*tandemv1.CutFile) {
	content := map[string][]byte{}
	used := map[string]bool{}
	size := 0
	for i, f := range files {
		if _, twice := content[f.GetUri()]; twice {
			m.add(fmt.Sprintf("cut_files[%d].uri", i), "%q is there twice: send each file once", shorten(f.GetUri()))
		}
		content[f.GetUri()] = f.GetContent()
		size += len(f.GetContent())
	}
	if size > mostCutFiles {
		m.add("cut_files", "have %d bytes, at most %d are taken together: simplify the contours or hand in more jobs", size, mostCutFiles)
		return
	}
	seen := map[string]int{}
	parsed := map[string]*contour.Contour{}
	for i, spec := range m.job.GetItems() {
		it := &item{Item: spec, index: i, panels: map[string]bool{}}
		m.items = append(m.items, it)
		if first, twice := seen[it.GetId()]; twice && it.GetId() != "" {
			m.add(it.field("id"), "%q is the id of items[%d] too: give each its own", shorten(it.GetId()), first)
		}
		seen[it.GetId()] = i
		m.checkItem(it)
		if uri := it.GetCut().GetUri(); uri != "" {
			used[uri] = true
			if data, ok := content[uri]; ok {
				m.readCut(it, data, parsed)
			}
		}
		m.fillContour(it)
	}
	for i, f := range files {
		if !used[f.GetUri()] {
			m.add(fmt.Sprintf("cut_files[%d].uri", i), "no item names %q as its cut file", shorten(f.GetUri()))
		}
	}
}

func (m *maker) checkItem(it *item) {
	id := func(name, v string, required bool) {
		switch {
		case v == "" && required:
			m.add(it.field(name), "is missing")
		case v != "" && !tandemv1.ValidID(v):
			m.add(it.field(name), "%q is not an id: %s", shorten(v), tandemv1.IDRule)
		}
	}
	size := func(name string, v int64) {
		if v <= 0 || v > mostSize {
			m.add(it.field(name), "%g mm is not between 0.001 and %d mm", float64(v)/1000, mostSize/1000)
		}
	}
	id("id", it.GetId(), true)
	id("media", it.GetMedia(), true)
	id("ink", it.GetInk(), false)
	id("mode", it.GetMode(), false)
	id("film", it.GetFilm(), false)
	size("width_um", it.GetWidthUm())
	size("height_um", it.GetHeightUm())
	const most = floor.MostPieces
	if it.GetQuantity() < 1 || it.GetQuantity() > most {
		m.add(it.field("quantity"), "%d is not between 1 and %d", it.GetQuantity(), most)
	}
	if it.GetOvers() < 0 || it.GetOvers() > most {
		m.add(it.field("overs"), "%d is not between 0 and %d", it.GetOvers(), most)
	}
	if c := it.GetCoveragePercent(); c < 0 || c > 400 {
		m.add(it.field("coverage_percent"), "%d is not between 0 and 400", c)
	}
	if k := it.GetCutKind(); k != "" && !slices.Contains(kinds, k) {
		m.add(it.field("cut_kind"), "%q is none of %s", shorten(k), strings.Join(kinds, ", "))
	}
	if it.GetCut() != nil && it.GetCutKind() == "" {
		m.add(it.field("cut_kind"), "is missing: the item has a cut file; say kiss, through or perforated")
	}
	if len(it.GetHandWork()) > mostHandWork {
		m.add(it.field("hand_work"), "has %d entries, at most %d are taken", len(it.GetHandWork()), mostHandWork)
	}
	for i, op := range it.GetHandWork() {
		at := fmt.Sprintf("hand_work[%d]", i)
		id(at, op, true)
		switch {
		case op == opPrint || op == opDry || op == opLaminate || op == opCut:
			m.add(it.field(at), "%s is made from the other fields: leave it out here", op)
		case slices.Contains(it.GetHandWork()[:i], op):
			m.add(it.field(at), "%s is named twice", shorten(op))
		}
	}
	if !it.printed() && it.GetCutKind() == "" && len(it.GetHandWork()) == 0 && it.GetFilm() == "" {
		m.add(it.field("artwork"), "is missing, and so are cut_kind and hand_work: nothing is to be done")
	}
	if it.GetFilm() != "" && !it.printed() {
		m.add(it.field("film"), "is for printed pieces: name the artwork or the ink, or leave the film out")
	}
	m.checkSupplies(it)
}

func (m *maker) checkSupplies(it *item) {
	if !tandemv1.ValidID(it.GetMedia()) {
		return
	}
	media := m.media(it.GetMedia())
	switch {
	case media == nil:
		m.add(it.field("media"), "there is no media %s in the floor file: choose one of it, or add it there with its width", it.GetMedia())
	case media.GetWidthUm() <= 0:
		m.add(it.field("media"), "%s has no width in the floor file: add it there", it.GetMedia())
	case media.GetFilmRequired() && it.printed() && it.GetFilm() == "":
		m.add(it.field("film"), "is missing: media %s must be laminated after printing", it.GetMedia())
	}
	if film := it.GetFilm(); tandemv1.ValidID(film) {
		switch f := m.media(film); {
		case f == nil:
			m.add(it.field("film"), "there is no film %s in the floor file: choose one of it, or add it there with its width", film)
		case f.GetWidthUm() > 0 && f.GetWidthUm() < media.GetWidthUm():
			m.add(it.field("film"), "%s is %g mm wide and the media %g mm: the film must cover the web", film,
				float64(f.GetWidthUm())/1000, float64(media.GetWidthUm())/1000)
		}
	}
}

// readCut checks the hash of a cut file and takes its contour.
func (m *maker) readCut(it *item, data []byte, parsed map[string]*contour.Contour) {
	sum := sha256.Sum256(data)
	is := hex.EncodeToString(sum[:])
	switch was := it.GetCut().GetSha256(); was {
	case "":
		it.Cut.Sha256 = is
	case is:
	default:
		m.add(it.field("cut.sha256"), "is %s, but the file %s has %s: it was changed since, or it is another file", shorten(was), shorten(it.GetCut().GetUri()), is)
		return
	}
	if it.Cut.GetRole() == "" {
		it.Cut.Role = "cut"
	}
	key := is + it.GetCutKind()
	c, ok := parsed[key]
	if !ok {
		kind, err := contour.ParseKind(it.GetCutKind())
		if err != nil {
			return // said already
		}
		read, err := contour.Parse(data, contour.Options{Default: kind, Names: m.rules.names})
		if err != nil {
			m.contourError(it, err)
			return
		}
		c = &read
		parsed[key] = c
	}
	if len(c.Lines) == 0 {
		m.add(it.field("cut.uri"), "%s holds no line to cut", shorten(it.GetCut().GetUri()))
		return
	}
	const slack = 100 // micrometres
	box := c.Figures[0].Box
	w, h := int64(box.Width()*1000), int64(box.Height()*1000)
	if w > it.GetWidthUm()+slack || h > it.GetHeightUm()+slack {
		m.add(it.field("width_um"), "the contour is %.1f x %.1f mm and the piece %.1f x %.1f mm: give the size that holds the contour",
			box.Width(), box.Height(), float64(it.GetWidthUm())/1000, float64(it.GetHeightUm())/1000)
	}
	var names []string
	for _, ig := range c.Ignored {
		if !slices.Contains(wordless, ig.Name) && len(names) < 5 {
			names = append(names, ig.Name)
		}
	}
	if len(names) > 0 {
		m.note("items[%d]: the knife does not follow what its cut file has of %s", it.index, shorten(strings.Join(names, ", ")))
	}
	it.contour = c
	all := c.Summary().All
	it.Contour = &tandemv1.Contour{
		Lines: int32(all.Contours), LengthUm: all.CutUm, Corners: int32(all.Corners), TravelUm: all.TravelUm,
	}
}

// wordless is what nobody expects the knife to follow.
var wordless = []string{"title", "desc", "metadata", "defs", "processing instruction", "skipped by name"}

func (m *maker) contourError(it *item, err error) {
	if bad, ok := errors.AsType[*contour.Error](err); ok {
		m.add(it.field("cut.uri"), "%s: %s: %s", shorten(it.GetCut().GetUri()), shorten(bad.Field), bad.Message)
		return
	}
	m.add(it.field("cut.uri"), "%s: %v", shorten(it.GetCut().GetUri()), err)
}

// fillContour checks figures that the submitter gave, or takes the outline where nothing is known of the contour.
func (m *maker) fillContour(it *item) {
	if it.GetCutKind() == "" || it.contour != nil {
		return
	}
	if c := it.GetContour(); c != nil {
		const most = int64(10_000) * 1_000_000 // 10 km, in micrometres
		if c.GetLines() < 1 || c.GetCorners() < 0 || c.GetLengthUm() < 1 || c.GetLengthUm() > most || c.GetTravelUm() < 0 || c.GetTravelUm() > most {
			m.add(it.field("contour"), "has figures that no contour has: leave it out, or hand in the cut file")
		}
		return
	}
	it.Contour = &tandemv1.Contour{Lines: 1, Corners: 4, LengthUm: 2 * (it.GetWidthUm() + it.GetHeightUm())}
	if it.GetCut() != nil {
		m.note("items[%d]: its cut file was not handed in; the cutting time is that of its outline", it.index)
	}
}

func shorten(s string) string {
	const most = 100
	if len(s) > most {
		return strings.ToValidUTF8(s[:most], "?") + "..."
	}
	return strings.ToValidUTF8(s, "?")
}
