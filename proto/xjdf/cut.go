package xjdf

import (
	"math"
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// The kinds of cut, the shallow before the deep.
const (
	kiss       = "kiss"
	perforated = "perforated"
	through    = "through"
)

var depth = map[string]int{kiss: 1, perforated: 2, through: 3}

// cuts collects what all cutting processes do to one piece: on the floor it is one step.
type cuts struct {
	kinds  map[string]bool
	figure figure
}

func (c *cuts) kind() string {
	best := ""
	for kind := range c.kinds {
		if depth[kind] > depth[best] {
			best = kind
		}
	}
	return best
}

// readCut sets the kind of cut, its figures, and the cut file if one is named.
func (r *reader) readCut(job *tandemv1.Job, item *tandemv1.Item, i int, media material, sized bool) {
	all := &cuts{kinds: map[string]bool{}}
	intents := r.intents(i)
	processes := 0
	for at, name := range r.types {
		switch name {
		case shapeCutting:
			processes++
			r.readShapes(job, item, i, at, media, intents, all)
		case cutting:
			processes++
			r.readStraight(job, item, i, at, all)
		}
	}
	item.CutKind = all.kind()
	c := r.components[i]
	if processes > 1 {
		r.assumeOnce(r.root, "Types", "%d cutting processes are one step here, which cuts %s", processes, item.GetCutKind())
	}
	if len(all.kinds) > 1 {
		r.assumeOnce(c.node, "", "is cut in several ways: %s, the deepest, counts for all", item.GetCutKind())
	}
	f := all.figure
	if f.lines == 0 {
		return
	}
	w, h := um(f.high.x-f.low.x), um(f.high.y-f.low.y)
	if !sized && fits(w) && fits(h) {
		item.WidthUm, item.HeightUm = w, h
		r.assume(c.node, "", "has no Component/@Dimensions: its size is that of its shape, %g x %g mm", float64(w)/1000, float64(h)/1000)
	}
	const slack = 100 // micrometres, as the daemon allows
	length, travel := um(f.length), um(f.travel)
	switch {
	case item.GetWidthUm() == 0 || item.GetHeightUm() == 0: // said already
	case w > item.GetWidthUm()+slack || h > item.GetHeightUm()+slack:
		r.problem(c.node, "", "is %g x %g mm, but its shape %g x %g mm: give the shape of one piece",
			float64(item.GetWidthUm())/1000, float64(item.GetHeightUm())/1000, float64(w)/1000, float64(h)/1000)
	case length < 1 || length > maxContourUm || travel > maxContourUm:
		r.problem(c.node, "", "has a shape of %g m: more than 0 and at most %d m are taken", f.length*umPerPoint/1e6, maxContourUm/1_000_000)
	default:
		item.Contour = &tandemv1.Contour{Lines: int32(f.lines), Corners: int32(f.corners), LengthUm: length, TravelUm: travel}
	}
}

// readShapes reads the shapes of a ShapeCutting process.
func (r *reader) readShapes(job *tandemv1.Job, item *tandemv1.Item, i, process int, media material, intents []*node, all *cuts) {
	said := "" // by the intents
	for _, cut := range intents {
		if kind := r.intentKind(cut); depth[kind] > depth[said] {
			said = kind
		}
	}
	shapes := 0
	for _, params := range r.pick(r.inputs(setShapes, process), i, "ShapeCuttingParams", true) {
		r.cutFile(job, item, params)
		for _, s := range params.specific.children("Shape") {
			shapes++
			r.addShape(s, item, all)
			all.kinds[r.shapeKind(s, media, said)] = true
		}
	}
	if shapes > 0 {
		return
	}
	for _, cut := range intents {
		_, path := cut.lookup("CutPath")
		_, box := cut.lookup("CutBox")
		if path || box {
			r.addShape(cut, item, all)
		}
	}
	if said == "" {
		said = r.standardKind(r.root, media)
	}
	all.kinds[said] = true
}

// readStraight reads a Cutting process: straight cuts that take the pieces apart. Where they run is the floor's layout.
func (r *reader) readStraight(job *tandemv1.Job, item *tandemv1.Item, i, process int, all *cuts) {
	for _, params := range r.pick(r.inputs(setCutting, process), i, "CuttingParams", true) {
		r.cutFile(job, item, params)
	}
	all.kinds[through] = true
	r.assumeOnce(r.root, "Types", "%s takes the pieces apart: cut through", cutting)
}

// cutFile keeps the file that parameters name: as the item's cut file if it is an SVG, the form in which cut files are read
// here, else as a label.
func (r *reader) cutFile(job *tandemv1.Job, item *tandemv1.Item, params *resource) {
	for _, file := range params.specific.children("FileSpec") {
		mime := file.attr("MimeType")
		url := r.url(file)
		switch {
		case url == "":
		case item.GetCut() != nil:
			r.problem(file, "", "is a second cut file for one component: give one")
		case mime == "image/svg+xml" || strings.HasSuffix(strings.ToLower(url), ".svg"):
			item.Cut = &tandemv1.Document{Role: "cut", Uri: url}
			r.keepChecksum(job, item, file)
		case len(job.GetLabels()) >= maxChecksums:
			r.assumeOnce(file, "URL", "is no SVG and is left out")
		default:
			job.Labels["xjdf-cut-file-"+item.GetId()] = url
			r.assumeOnce(file, "URL", "is no SVG: it is kept as a label and not read")
		}
	}
}

// shapeKind is how deep a Shape cuts: what it says itself, or else the intents, or else the standard.
func (r *reader) shapeKind(s *node, media material, said string) string {
	kind := ""
	if text, given := s.lookup("ShapeDepth"); given {
		v, wrong := number(text, xmlFloat)
		switch {
		case wrong != "" || v <= 0:
			r.problem(s, "ShapeDepth", "%s is not a depth in micrometres", yamlfile.Quote(text))
		case media.thicknessUm == 0:
			kind = kiss
			r.assume(s, "ShapeDepth", "%s um, and the media has no Thickness: not through the liner, so %s", text, kiss)
		case v < media.thicknessUm:
			kind = kiss
		default:
			kind = through
		}
	}
	if text, given := s.lookup("TeethPerDimension"); given {
		v, wrong := number(text, xmlFloat)
		switch {
		case wrong != "" || v < 0:
			r.problem(s, "TeethPerDimension", "%s is not a number of teeth for each point", yamlfile.Quote(text))
		case v > 0:
			kind = perforated
		}
	}
	switch {
	case kind != "":
		return kind
	case said != "":
		return said
	}
	return r.standardKind(s, media)
}

// standardKind is what a cut is where the ticket is silent.
func (r *reader) standardKind(n *node, media material) string {
	if media.selfAdhesive {
		r.assumeOnce(n, "", "says no depth, and the media is SelfAdhesive: %s cut, through the film and not the liner", kiss)
		return kiss
	}
	r.assumeOnce(n, "", "says no depth, and the media is not SelfAdhesive: cut %s", through)
	return through
}

// intents returns the ShapeCut elements of the product that the component at place i is.
func (r *reader) intents(i int) []*node {
	var products []*node
	for _, list := range r.root.children("ProductList") {
		products = append(products, list.children("Product")...)
	}
	var mine []*node
	for _, p := range products {
		id, external := p.attr("ID"), p.attr("ExternalID")
		for _, part := range r.components[i].node.children("Part") {
			if name := part.attr("ProductPart"); name != "" && (name == id || name == external) {
				mine = append(mine, p)
			}
		}
	}
	if len(mine) == 0 && len(products) == 1 {
		mine = products
	}
	if len(mine) == 0 && len(products) > 1 {
		r.assumeOnce(r.root, "", "has several products, and no Part/@ProductPart ties %s to one: their intents are not used", r.components[i].path())
	}
	var cuts []*node
	for _, p := range mine {
		p.attr("Amount") // what counts is what comes out of the last process
		p.attr("IsRoot")
		for _, intent := range p.children("Intent") {
			intent.attr("Name")
			for _, shape := range intent.children("ShapeCuttingIntent") {
				cuts = append(cuts, shape.children("ShapeCut")...)
			}
		}
	}
	return cuts
}

func (r *reader) intentKind(cut *node) string {
	kind := ""
	switch text := cut.attr("CutDepth"); text {
	case "":
	case "Partial":
		kind = kiss
	case "Full":
		kind = through
	default:
		r.problem(cut, "CutDepth", "%s is neither Full nor Partial", yamlfile.Quote(text))
	}
	switch text := cut.attr("CutType"); text {
	case "", "Cut":
	case "Perforate":
		kind = perforated
	default:
		r.problem(cut, "CutType", "%s is neither Cut nor Perforate", yamlfile.Quote(text))
	}
	return kind
}

// addShape measures a Shape or ShapeCut.
func (r *reader) addShape(s *node, item *tandemv1.Item, all *cuts) {
	kind := s.attr("ShapeType")
	s.attr("CutOut")
	if kind == "" {
		if _, given := s.lookup("CutPath"); given {
			kind = "Path"
		}
	}
	switch kind {
	case "Path":
		text, given := s.lookup("CutPath")
		if !given {
			r.problem(s, "CutPath", "is missing: a shape of type Path is given by it")
			return
		}
		t, known := r.traced[s]
		if !known {
			t = tracePath(text, maxSegments-r.segments)
			r.traced[s] = t
			r.segments += t.segments
		}
		switch {
		case t.wrong != "":
			r.problem(s, "CutPath", "%s", t.wrong)
		case t.lines == 0:
			r.problem(s, "CutPath", "holds no line to cut")
		default:
			all.figure.join(t.figure, t.start)
		}
	case "Rectangular", "RoundedRectangle", "Round":
		r.addBox(s, kind, item, all)
	default:
		r.problem(s, "ShapeType", "%s is none of Path, Rectangular, Round and RoundedRectangle", yamlfile.Quote(kind))
	}
}

// addBox measures a shape that is given by the box around it, llx lly urx ury in points, or else by the piece's size.
func (r *reader) addBox(s *node, kind string, item *tandemv1.Item, all *cuts) {
	box := []float64{0, 0, float64(item.GetWidthUm()) / umPerPoint, float64(item.GetHeightUm()) / umPerPoint}
	if text, given := s.lookup("CutBox"); given {
		v, wrong := numbers(text, 4, 4)
		if wrong != "" {
			r.problem(s, "CutBox", "%s", wrong)
			return
		}
		box = v
	} else {
		r.assume(s, "CutBox", "is missing: the shape is as large as the piece")
	}
	low, high := point{box[0], box[1]}, point{box[2], box[3]}
	w, h := high.x-low.x, high.y-low.y
	if w <= 0 || h <= 0 {
		r.problem(s, "CutBox", "has no area: write left, bottom, right and top in points")
		return
	}
	f := figure{lines: 1, low: low, high: high, end: low}
	if kind == "Round" {
		f.length = ellipseLength(w/2, h/2)
		f.end = point{low.x, low.y + h/2}
	} else {
		f.length, f.corners = 2*(w+h), 4
	}
	if kind == "RoundedRectangle" {
		r.assume(s, "ShapeType", "RoundedRectangle has no radius in a ticket: counted as a rectangle")
	}
	if math.IsInf(f.length, 0) {
		r.problem(s, "CutBox", "is beyond any measure")
		return
	}
	all.figure.join(f, f.end)
}
