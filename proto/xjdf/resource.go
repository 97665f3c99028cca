package xjdf

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"tandem/proto/yamlfile"
)

// resource is a Resource with what its set says of it.
type resource struct {
	node      *node // the Resource
	specific  *node // its child of the set's name; nil if there is none
	processes []int // places in Types it is for; nil: all
	usage     string
	part      string // what its Part says, in a fixed order; empty: the whole
}

func (r *resource) path() string { return r.node.path() }

// forProcess says whether the resource is for that process.
func (r *resource) forProcess(i int) bool {
	return r.processes == nil || slices.Contains(r.processes, i)
}

// onlyFor says whether the resource is for that process and no other.
func (r *resource) onlyFor(i int) bool { return len(r.processes) == 1 && r.processes[0] == i }

// The resource sets that are read.
const (
	setNodeInfo  = "NodeInfo"
	setMedia     = "Media"
	setComponent = "Component"
	setRunList   = "RunList"
	setPrinting  = "DigitalPrintingParams"
	setCutting   = "CuttingParams"
	setShapes    = "ShapeCuttingParams"
	setLaminate  = "LaminatingParams"
)

var setsRead = []string{setNodeInfo, setMedia, setComponent, setRunList, setPrinting, setCutting, setShapes, setLaminate}

// readSets sorts the resources by the name of their set.
func (r *reader) readSets() {
	r.resources = map[string][]*resource{}
	for _, set := range r.root.kids {
		if set.name != "ResourceSet" || set.space != Namespace {
			continue
		}
		name := set.attr("Name")
		if name == "" {
			r.problem(set, "Name", "is missing: it says what the resources are")
			continue
		}
		if !slices.Contains(setsRead, name) {
			continue // listed as ignored
		}
		set.used = true
		set.attr("ProcessUsage")
		usage := set.attr("Usage")
		if usage != "" && usage != "Input" && usage != "Output" {
			r.problem(set, "Usage", "%s is neither Input nor Output", yamlfile.Quote(usage))
		}
		processes, ok := r.processIndex(set)
		if !ok {
			continue
		}
		for _, n := range set.children("Resource") {
			n.attr("Status")
			n.attr("ID")
			res := &resource{node: n, processes: processes, usage: usage, part: partOf(n)}
			if specific := n.children(name); len(specific) > 0 {
				res.specific = specific[0]
				if len(specific) > 1 {
					r.problem(specific[1], "", "is a second one in the same Resource: give each its own Resource")
				}
			}
			r.resources[name] = append(r.resources[name], res)
		}
	}
}

// processIndex reads CombinedProcessIndex: places in Types, from 0; nil if it is not given.
func (r *reader) processIndex(set *node) (processes []int, ok bool) {
	text, given := set.lookup("CombinedProcessIndex")
	if !given {
		return nil, true
	}
	fields := strings.Fields(text)
	if len(fields) == 0 || len(fields) > maxProcesses {
		r.problem(set, "CombinedProcessIndex", "%s is no list of places in Types", yamlfile.Quote(text))
		return nil, false
	}
	for _, f := range fields {
		i, err := strconv.Atoi(f)
		if err != nil || i < 0 || i >= len(r.types) {
			r.problem(set, "CombinedProcessIndex", "%s is not a place in Types, which has %s counted from 0", yamlfile.Quote(f), count(len(r.types), "entry"))
			return nil, false
		}
		processes = append(processes, i)
	}
	return processes, true
}

// partOf names the part of a product or sheet that a resource is for.
func partOf(n *node) string {
	var keys []string
	for _, p := range n.children("Part") {
		for i := range p.attrs {
			if a := &p.attrs[i]; a.space == "" {
				a.used = true
				keys = append(keys, a.name+"="+strings.TrimSpace(a.value))
			}
		}
	}
	slices.Sort(keys)
	return strings.Join(keys, " ")
}

// inputs returns the resources of a set that go into a process.
func (r *reader) inputs(set string, process int) []*resource {
	var out []*resource
	for _, res := range r.resources[set] {
		if res.usage != "Output" && res.forProcess(process) {
			out = append(out, res)
		}
	}
	return out
}

// pick chooses for the component at place i the resources that are meant for it: those of the same Part, or else those
// of no Part if there is one only or many is allowed, or else, if there are as many as components, the one at the same
// place. Nothing is chosen, and a problem noted, where that leaves a doubt.
func (r *reader) pick(from []*resource, i int, what string, many bool) []*resource {
	if len(from) == 0 {
		return nil
	}
	var same, whole []*resource
	for _, res := range from {
		switch res.part {
		case "":
			whole = append(whole, res)
		case r.components[i].part:
			same = append(same, res)
		}
	}
	switch {
	case len(same) == 1 || many && len(same) > 1:
		return same
	case len(same) == 0 && (len(whole) == 1 || many && len(whole) > 0 && len(r.components) == 1):
		if len(r.components) > 1 {
			r.assumeOnce(whole[0].node, "", "is taken for every component")
		}
		return whole
	case len(same) == 0 && len(from) == len(r.components) && len(from) > 1 && len(whole) == len(from):
		r.assumeOnce(from[0].node, "", "and the %s after it are taken for the components in their order", what)
		return from[i : i+1]
	case len(same) == 0 && len(whole) == 0 && len(from) == 1 && len(r.components) == 1:
		return from
	}
	r.problem(from[0].node, "", "is one of several %s, and nothing says which belongs to %s: tie them with a Part, or leave one",
		what, r.components[i].path())
	return nil
}

// byID finds a resource of a set by its ID.
func (r *reader) byID(set, id string) *resource {
	for _, res := range r.resources[set] {
		if res.node.attr("ID") == id {
			return res
		}
	}
	return nil
}

func (r *reader) problem(n *node, attribute, format string, args ...any) {
	if len(r.problems) >= maxProblems {
		return
	}
	e := &Error{Path: n.path(), Line: n.line, Problem: fmt.Sprintf(format, args...)}
	if attribute != "" {
		e.Path += "/@" + attribute
	}
	for _, p := range r.problems {
		if *p == *e {
			return
		}
	}
	r.problems = append(r.problems, e)
}

// assume notes what the ticket did not say, or what was changed.
func (r *reader) assume(n *node, attribute, format string, args ...any) {
	path := n.path()
	if attribute != "" {
		path += "/@" + attribute
	}
	if len(r.report.Assumptions) < maxAssumptions {
		r.report.Assumptions = append(r.report.Assumptions, path+": "+fmt.Sprintf(format, args...))
	}
}

func (r *reader) assumeOnce(n *node, attribute, format string, args ...any) {
	before := len(r.report.Assumptions)
	r.assume(n, attribute, format, args...)
	after := r.report.Assumptions
	if len(after) > before && slices.Contains(after[:before], after[before]) {
		r.report.Assumptions = after[:before]
	}
}

// listIgnored adds what was not used below a used element.
func (r *reader) listIgnored(n *node, path string) {
	for _, a := range n.attrs {
		if a.used || a.space == "http://www.w3.org/2001/XMLSchema-instance" || a.space == "http://www.w3.org/XML/1998/namespace" {
			continue
		}
		r.ignore(path+"/@"+a.name, a.space)
	}
	for _, k := range n.kids {
		at := path + "/" + k.name
		switch {
		case k.space != Namespace:
			r.ignore(at, k.space)
		case k.used:
			r.listIgnored(k, at)
		case k.name == "ResourceSet":
			r.ignore(at+"[@Name="+yamlfile.Quote(k.attr("Name"))+"]", "")
		default:
			r.ignore(at, "")
		}
	}
}

func (r *reader) ignore(path, space string) {
	for i := range r.report.Ignored {
		if g := &r.report.Ignored[i]; g.Path == path && g.Namespace == space {
			g.Count++
			return
		}
	}
	if len(r.report.Ignored) >= maxIgnored {
		r.moreIgnored[Ignored{Path: path, Namespace: space}] = true
		r.report.MoreIgnored = len(r.moreIgnored)
		return
	}
	r.report.Ignored = append(r.report.Ignored, Ignored{Path: path, Namespace: space, Count: 1})
}
