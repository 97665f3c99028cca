package xjdf

import (
	"strings"

	"tandem/proto/yamlfile"
)

// material is what a Media resource says of web, sheet or film.
type material struct {
	id           string
	selfAdhesive bool
	thicknessUm  float64 // 0: not known
}

// media finds what the component at place i is made of: the Media it refers to, or else that of the processes.
func (r *reader) media(c *resource, i int) material {
	if ref := c.specific.attr("MediaRef"); ref != "" {
		res := r.byID(setMedia, ref)
		if res == nil {
			r.problem(c.specific, "MediaRef", "%s is the ID of no Media resource", yamlfile.Quote(ref))
			return material{}
		}
		return r.material(res)
	}
	film := r.process(laminating)
	var from []*resource
	for _, res := range r.resources[setMedia] {
		if res.usage != "Output" && !r.isFilm(res, film) {
			from = append(from, res)
		}
	}
	from = r.distinct(from)
	if len(from) == 0 {
		r.problem(r.root, "", "has no ResourceSet Media with Usage Input for what %s is made of: name the media", c.path())
		return material{}
	}
	if picked := r.pick(from, i, "Media resources", false); len(picked) == 1 {
		return r.material(picked[0])
	}
	return material{}
}

// film finds the laminate film of the component at place i.
func (r *reader) film(i, process int) string {
	var from []*resource
	for _, res := range r.inputs(setMedia, process) {
		if r.isFilm(res, process) {
			from = append(from, res)
		}
	}
	from = r.distinct(from)
	if len(from) == 0 {
		r.problem(r.root, "", "has no ResourceSet Media with Usage Input for process %d (%s): name the film", process, laminating)
		return ""
	}
	if picked := r.pick(from, i, "Media resources", false); len(picked) == 1 {
		return r.material(picked[0]).id
	}
	return ""
}

// isFilm says whether a Media resource is what is laminated on, and not what it is laminated on to.
func (r *reader) isFilm(res *resource, process int) bool {
	kind := res.specific.attr("MediaType")
	return kind == "LaminatingFoil" || process >= 0 && res.onlyFor(process) && kind != "SelfAdhesive"
}

// distinct leaves out resources that name the same media as one before, for the same part.
func (r *reader) distinct(from []*resource) []*resource {
	type name struct{ id, part string }
	seen := map[name]bool{}
	var out []*resource
	for _, res := range from {
		id, _ := r.mediaID(res)
		n := name{id, res.part}
		if id == "" || !seen[n] {
			out = append(out, res)
		}
		seen[n] = true
	}
	return out
}

// material reads a Media resource.
func (r *reader) material(res *resource) material {
	m := material{selfAdhesive: res.specific.attr("MediaType") == "SelfAdhesive"}
	res.specific.attr("MediaUnit")
	res.specific.attr("Dimension") // the floor file knows the width of its media
	if text, given := res.specific.lookup("Thickness"); given {
		v, wrong := number(text, xmlFloat)
		if wrong != "" || v < 0 {
			r.problem(res.specific, "Thickness", "%s is not a thickness in micrometres", yamlfile.Quote(text))
		}
		m.thicknessUm = max(v, 0)
	}
	id, note := r.mediaID(res)
	if id == "" {
		r.problem(res.node, "ExternalID", "is missing, and no media of this floor is named for MediaType %s: give the media's id, or map the type to one",
			yamlfile.Quote(res.specific.attr("MediaType")))
	}
	if note != "" {
		r.assumeOnce(res.node, "ExternalID", "%s", note)
	}
	m.id = id
	return m
}

// mediaID returns the floor's id of a Media resource, and what should be noted of how it was found.
func (r *reader) mediaID(res *resource) (id, note string) {
	external := res.node.attr("ExternalID")
	kind, details := res.specific.attr("MediaType"), res.specific.attr("MediaTypeDetails")
	if external != "" {
		if id := r.mapped(external); id != "" {
			return id, yamlfile.Quote(external) + " is the media " + id + " here"
		}
		id := makeID(external)
		if id != external && id != "" {
			note = yamlfile.Quote(external) + " is taken as the media " + id
		}
		return id, note
	}
	for _, key := range []string{kind + "/" + details, kind} {
		if id := r.mapped(key); id != "" {
			return id, "is missing: " + yamlfile.Quote(key) + " is the media " + id + " here"
		}
	}
	return "", ""
}

// mapped looks a name up in the shop's table; case does not count.
func (r *reader) mapped(name string) string {
	if name == "" {
		return ""
	}
	if id, ok := r.opt.Media[name]; ok {
		return id
	}
	best, found := "", ""
	for key, id := range r.opt.Media {
		// Of several keys that differ in case only, the first by the alphabet, so that the answer is the same each time.
		if strings.EqualFold(key, name) && (best == "" || key < best) {
			best, found = key, id
		}
	}
	return found
}
