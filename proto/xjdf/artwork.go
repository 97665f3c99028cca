package xjdf

import (
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// readPrinting sets the artwork. Where it lies is taken as it is written and never looked up.
func (r *reader) readPrinting(job *tandemv1.Job, item *tandemv1.Item, i, process int) {
	for _, params := range r.inputs(setPrinting, process) {
		if sides := params.specific.attr("Sides"); strings.HasPrefix(sides, "TwoSided") {
			r.problem(params.specific, "Sides", "%s: items are printed on one side; hand the job in as steps", yamlfile.Quote(sides))
		}
	}
	item.Ink, item.Mode = r.opt.Ink, r.opt.Mode
	var list []*resource
	for _, res := range r.inputs(setRunList, process) {
		if len(res.specific.children("FileSpec")) > 0 {
			list = append(list, res)
		}
	}
	if len(list) == 0 {
		if r.opt.Ink == "" {
			r.problem(r.root, "", "has no ResourceSet RunList with a FileSpec for process %d (%s): name the artwork", process, printing)
		}
		return
	}
	picked := r.pick(list, i, "RunList resources", false)
	if len(picked) == 0 {
		return
	}
	files := picked[0].specific.children("FileSpec")
	if len(files) > 1 {
		r.problem(files[1], "", "is a second file for one component: give each component one artwork file")
		return
	}
	url := r.url(files[0])
	if url == "" {
		return
	}
	item.Artwork = &tandemv1.Document{Role: "artwork", Uri: url}
	r.keepChecksum(job, item, files[0])
}

// url reads FileSpec/@URL, an opaque reference.
func (r *reader) url(file *node) string {
	file.attr("MimeType")
	url, given := file.lookup("URL")
	switch {
	case !given || url == "":
		r.problem(file, "URL", "is missing: it says where the file is")
		return ""
	case plain(url, maxURL) != url:
		r.problem(file, "URL", "has control characters or more than %d bytes", maxURL)
		return ""
	}
	return url
}

// keepChecksum keeps FileSpec/@CheckSum, an MD5 in hexadecimal, as a label: it is not the hash by which a cut is held.
func (r *reader) keepChecksum(job *tandemv1.Job, item *tandemv1.Item, file *node) {
	sum := file.attr("CheckSum")
	switch {
	case sum == "":
	case len(sum) > 2*64 || strings.Trim(strings.ToLower(sum), "0123456789abcdef") != "":
		r.assumeOnce(file, "CheckSum", "is not hexadecimal and is left out")
	case len(job.GetLabels()) >= maxChecksums:
		r.assumeOnce(file, "CheckSum", "is left out: there are too many of them to keep")
	default:
		job.Labels["xjdf-checksum-"+item.GetId()] = sum
	}
}
