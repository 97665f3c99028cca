package xjdf

import (
	"math"
	"slices"
	"strconv"
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// The processes that a floor can work from items.
const (
	printing     = "DigitalPrinting"
	laminating   = "Laminating"
	cutting      = "Cutting"
	shapeCutting = "ShapeCutting"
)

// reader turns one tree into a job and collects what is wrong, assumed and left out.
type reader struct {
	root        *node
	opt         Options
	types       []string
	resources   map[string][]*resource
	components  []*resource      // what the last process puts out: an item each
	traced      map[*node]traced // paths that were measured: components may share them
	segments    int              // of all paths
	problems    Errors
	report      Report
	moreIgnored map[Ignored]bool
}

func (r *reader) job() *tandemv1.Job {
	r.moreIgnored, r.traced = map[Ignored]bool{}, map[*node]traced{}
	r.root.attr("Version")
	job := &tandemv1.Job{Labels: map[string]string{}}
	r.identify(job)
	if !r.readTypes() {
		return nil
	}
	r.readSets()
	r.readNodeInfo(job)
	r.readComponents()
	names := map[string]bool{}
	for i := range r.components {
		job.Items = append(job.Items, r.item(job, i, names))
		r.report.Items = append(r.report.Items, r.components[i].path())
	}
	return job
}

// identify sets the job's id and name.
func (r *reader) identify(job *tandemv1.Job) {
	id, given := r.root.lookup("JobID")
	part := r.root.attr("JobPartID")
	if !given || id == "" {
		r.problem(r.root, "JobID", "is missing: it names the job")
		return
	}
	name, what := id, "JobID"
	if r.opt.JobPart && part != "" {
		name, what = id+"-"+part, "JobID and JobPartID"
	}
	if job.Id = makeID(name); job.GetId() == "" {
		r.problem(r.root, "JobID", "%s has no letter or digit: %s", yamlfile.Quote(id), tandemv1.IDRule)
		return
	}
	if job.GetId() != name {
		r.assume(r.root, "JobID", "%s %s is the job %s here", what, yamlfile.Quote(name), job.GetId())
	}
	job.Labels["xjdf-job-id"] = plain(id, maxText)
	if part != "" {
		job.Labels["xjdf-job-part-id"] = plain(part, maxText)
	}
	job.DisplayName = r.displayName(r.root)
}

func (r *reader) displayName(n *node) string {
	name := n.attr("DescriptiveName")
	if clean := plain(name, maxText); clean != name {
		r.assume(n, "DescriptiveName", "is shown as %s", yamlfile.Quote(clean))
		return clean
	}
	return name
}

// readTypes reads the chain of processes and holds that it is one that items can say.
func (r *reader) readTypes() bool {
	before := len(r.problems)
	text, given := r.root.lookup("Types")
	r.types = strings.Fields(text)
	if !given || len(r.types) == 0 {
		r.problem(r.root, "Types", "is missing: it lists the processes, such as %q", printing+" "+laminating+" "+shapeCutting)
		return false
	}
	if len(r.types) > maxProcesses {
		r.problem(r.root, "Types", "has %d processes, at most %d are taken", len(r.types), maxProcesses)
		return false
	}
	rank := map[string]int{printing: 0, laminating: 1, cutting: 2, shapeCutting: 2}
	seen := map[string]bool{}
	highest, highestType := -1, ""
	for _, t := range r.types {
		at, known := rank[t]
		switch {
		case !known:
			r.problem(r.root, "Types", "%s is not a process of this floor: %s, %s, %s and %s are; leave the others to the sender or hand the job in as steps",
				yamlfile.Quote(t), printing, laminating, cutting, shapeCutting)
			continue
		case seen[t] && at < rank[cutting]:
			r.problem(r.root, "Types", "%s is there twice: items are printed once and laminated once; hand the job in as steps", t)
		case at < highest:
			r.problem(r.root, "Types", "%s comes after %s: items are printed, laminated, then cut; hand the job in as steps", t, highestType)
		}
		seen[t] = true
		if at > highest {
			highest, highestType = at, t
		}
	}
	if len(r.problems) == before && seen[laminating] && !seen[printing] {
		r.problem(r.root, "Types", "%s without %s: items are laminated after printing; hand the job in as steps", laminating, printing)
	}
	return len(r.problems) == before
}

// process returns the place of a process in the chain, -1 if it is not there.
func (r *reader) process(name string) int { return slices.Index(r.types, name) }

// readComponents finds what the last process puts out. What an earlier one puts out must go into a later one.
func (r *reader) readComponents() {
	last := len(r.types) - 1
	consumed := -1 // the last process that takes a component in
	for _, res := range r.resources[setComponent] {
		if res.usage == "Output" {
			continue
		}
		res.node.useAll()
		for i := range r.types {
			if res.forProcess(i) {
				consumed = max(consumed, i)
			}
		}
	}
	for _, res := range r.resources[setComponent] {
		if res.usage != "Output" {
			continue
		}
		switch {
		case res.forProcess(last):
			r.components = append(r.components, res)
		case slices.Max(res.processes) < consumed:
			res.node.useAll()
			r.assume(res.node, "", "comes out of process %d (%s) and goes on: it is not ordered by itself",
				slices.Max(res.processes), r.types[slices.Max(res.processes)])
		default:
			r.problem(res.node, "", "comes out of process %d (%s) and no later process takes it in: what is ordered must come out of the last one, CombinedProcessIndex %d",
				slices.Max(res.processes), r.types[slices.Max(res.processes)], last)
		}
	}
	switch {
	case len(r.components) == 0 && len(r.problems) == 0:
		r.problem(r.root, "", "has no ResourceSet Component with Usage Output for the last process, CombinedProcessIndex %d: it says how many pieces of which size", last)
	case len(r.components) > maxItems:
		r.problem(r.components[maxItems].node, "", "is beyond the %d components of a ticket: split it", maxItems)
		r.components = r.components[:maxItems]
	}
}

// item makes the item of the component at place i.
func (r *reader) item(job *tandemv1.Job, i int, names map[string]bool) *tandemv1.Item {
	c := r.components[i]
	before := len(r.problems)
	item := &tandemv1.Item{Id: r.itemID(c, i, names), DisplayName: r.displayName(c.node)}
	r.readAmount(item, c)
	r.compareAmount(item)
	sized := r.readSize(item, c)
	media := r.media(c, i)
	item.Media = media.id
	if at := r.process(printing); at >= 0 {
		r.readPrinting(job, item, i, at)
	}
	if at := r.process(laminating); at >= 0 {
		item.Film = r.film(i, at)
	}
	if r.process(cutting) >= 0 || r.process(shapeCutting) >= 0 {
		r.readCut(job, item, i, media, sized)
	}
	if len(r.problems) == before && (item.GetWidthUm() == 0 || item.GetHeightUm() == 0) {
		r.problem(c.node, "", "has no size: give Component/@Dimensions in points, or the Shape of the piece")
	}
	return item
}

func (r *reader) itemID(c *resource, i int, names map[string]bool) string {
	external, id := c.node.attr("ExternalID"), c.node.attr("ID")
	made := makeID(external)
	if made == "" {
		made = makeID(id)
	}
	if made == "" || names[made] {
		made = "item-" + strconv.Itoa(i+1)
	}
	for n := i + 2; names[made]; n++ {
		made = "item-" + strconv.Itoa(n)
	}
	names[made] = true
	return made
}

// readAmount adds up what is ordered; planned waste is made in addition.
func (r *reader) readAmount(item *tandemv1.Item, c *resource) {
	good, waste, given := 0.0, 0.0, false
	for _, pool := range c.node.children("AmountPool") {
		for _, pa := range pool.children("PartAmount") {
			for _, p := range pa.children("Part") {
				for k := range p.attrs {
					p.attrs[k].used = true
				}
			}
			if v, ok := r.pieces(pa, "Amount"); ok {
				good, given = good+v, true
			}
			if v, ok := r.pieces(pa, "Waste"); ok {
				waste += v
			}
		}
	}
	switch {
	case !given:
		r.problem(c.node, "", "has no AmountPool/PartAmount/@Amount: say how many pieces are ordered")
	case good < 1 || good > maxPieces:
		r.problem(c.node, "", "orders %g pieces: 1 to %d are taken", good, maxPieces)
	case waste > maxPieces:
		r.problem(c.node, "", "plans %g pieces of waste: at most %d are taken", waste, maxPieces)
	default:
		item.Quantity, item.Overs = int32(good), int32(waste)
	}
}

// compareAmount says so if the only product is ordered in another number than comes out of the last process.
func (r *reader) compareAmount(item *tandemv1.Item) {
	var products []*node
	for _, list := range r.root.children("ProductList") {
		products = append(products, list.children("Product")...)
	}
	if len(products) != 1 || len(r.components) != 1 || item.GetQuantity() == 0 {
		return
	}
	text, given := products[0].lookup("Amount")
	if v, wrong := number(text, xmlFloat); given && (wrong != "" || v != float64(item.GetQuantity())) {
		r.assume(products[0], "Amount", "is %s, and %d pieces come out of the last process: %d are made", yamlfile.Quote(text), item.GetQuantity(), item.GetQuantity())
	}
}

// pieces reads a number of pieces, which XJDF allows to be written with decimals. What is wrong is noted, and counts as
// given.
func (r *reader) pieces(n *node, attribute string) (v float64, given bool) {
	text, given := n.lookup(attribute)
	if !given {
		return 0, false
	}
	v, wrong := number(text, xmlFloat)
	switch {
	case wrong != "":
		r.problem(n, attribute, "%s", wrong)
		return 1, true
	case v < 0 || v != math.Trunc(v):
		r.problem(n, attribute, "%s is not a whole number of pieces", yamlfile.Quote(text))
		return 1, true
	}
	return v, true
}

// readSize reads Component/@Dimensions: width, height and thickness in points.
func (r *reader) readSize(item *tandemv1.Item, c *resource) bool {
	text, given := c.specific.lookup("Dimensions")
	if !given {
		return false
	}
	v, wrong := numbers(text, 2, 3)
	if wrong != "" {
		r.problem(c.specific, "Dimensions", "%s", wrong)
		return true
	}
	item.WidthUm, item.HeightUm = um(v[0]), um(v[1])
	if !fits(item.GetWidthUm()) || !fits(item.GetHeightUm()) {
		r.problem(c.specific, "Dimensions", "%s in points is %g x %g mm: more than 0 and at most %d mm are taken",
			yamlfile.Quote(text), float64(item.GetWidthUm())/1000, float64(item.GetHeightUm())/1000, maxLengthUm/1000)
	}
	return true
}

func fits(lengthUm int64) bool { return lengthUm > 0 && lengthUm <= maxLengthUm }
