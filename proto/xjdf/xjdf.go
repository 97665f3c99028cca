// Package xjdf reads the part of an XJDF ticket (the job format of the CIP4 organisation, namespace [Namespace]) that says
// what is to be made, into a job with items.
//
// The part is: the chain of processes in XJDF/@Types, made of DigitalPrinting, Laminating, Cutting and ShapeCutting in the
// order in which a floor can work; and of the resource sets NodeInfo (dates, priority), Media, RunList (artwork),
// DigitalPrintingParams, CuttingParams, ShapeCuttingParams and Component (size, amount), tied to a process by
// CombinedProcessIndex, the process's place in Types counted from 0. What an intent of the product list says about the
// depth of a cut is used where the parameters are silent. Lengths are in points of 1/72 inch, thickness and depth in
// micrometres. Names and types follow the public schema xjdf.xsd of github.com/cip4/XJDF-Schema.
//
// Everything else is left out and listed in the [Report], and so is everything that had to be assumed. Each Component that
// the last process puts out becomes an item. A contour that is given as a path is measured; it is not kept.
//
// The package never follows a reference to a file, never reads a clock, and accepts no document type declaration, and so no
// entities.
package xjdf

import (
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// Namespace is the only one in which a ticket is understood.
const Namespace = "http://www.CIP4.org/JDFSchema_2_0"

// Limits of a ticket. They are far beyond what a shop does.
const (
	// MaxSize is the size of the greatest ticket that is read, in bytes.
	MaxSize = 4 << 20
	// MaxDepth is the deepest nesting of elements.
	MaxDepth = 32
	// MaxElements is how many elements a ticket may have.
	MaxElements = 100_000

	maxAttributes  = 200                       // of one element
	maxProcesses   = 16                        // in Types
	maxItems       = 200                       // as many as a job may have
	maxSegments    = 50_000                    // of all paths together
	maxPieces      = 1_000_000                 // of one item
	maxLengthUm    = int64(20) * 1_000_000     // side of a piece: 20 m
	maxContourUm   = int64(10_000) * 1_000_000 // path of one piece: 10 km
	maxProblems    = 50
	maxIgnored     = 100 // paths
	maxAssumptions = 100
	maxText        = 200  // bytes of a name
	maxURL         = 2000 // bytes
	maxChecksums   = 32   // labels
)

// Options are what a shop knows and a ticket does not say.
type Options struct {
	// Media gives the floor's id of a media or film for what tickets call it: the ExternalID of the Media resource, or
	// else its MediaType/MediaTypeDetails, or its MediaType. Case does not count. Without an entry the ExternalID itself, in
	// lower case and with what no id may have turned into dashes, is the id.
	Media map[string]string
	// Ink set of printed items. Empty: any.
	Ink string
	// Mode of printed items. Empty: any.
	Mode string
	// JobPart makes the job's id of JobID and JobPartID, for senders whose jobs come as several tickets of one JobID.
	JobPart bool
	// Now is the time by which a due time is noted as past. Zero: none is noted.
	Now time.Time
}

// Report is what a person should know of a ticket that was read.
type Report struct {
	// Items are the paths of the components that became the job's items, in the same order.
	Items []string
	// Ignored is what the ticket has and the job has not, by first appearance; at most 100 paths.
	Ignored []Ignored
	// MoreIgnored is how many further paths there are.
	MoreIgnored int
	// Assumptions are what the ticket did not say and what was changed, each with the path it is about; at most 100.
	Assumptions []string
}

// Ignored is a kind of element or attribute that was left out.
type Ignored struct {
	// Path such as XJDF/AuditPool or XJDF/@Category, without the places among siblings.
	Path string
	// Namespace, if it is not that of XJDF.
	Namespace string
	// Count is how many there are.
	Count int
}

// String returns one line.
func (i Ignored) String() string {
	s := i.Path
	if i.Namespace != "" {
		s += " (namespace " + yamlfile.Quote(i.Namespace) + ")"
	}
	if i.Count > 1 {
		s += ", " + count(i.Count, "time")
	}
	return s
}

// Read reads a ticket. The job has items and no steps; whether a floor can make it is for the daemon to say. The error is of
// type [Errors] and names everything that was found wrong; it is [ErrNotWellFormed] if the text is no complete XML.
func Read(data []byte, opt Options) (*tandemv1.Job, Report, error) {
	root, err := parse(data)
	if err != nil {
		return nil, Report{}, Errors{err}
	}
	r := &reader{root: root, opt: opt}
	job := r.job()
	if len(r.problems) > 0 {
		return nil, Report{}, r.problems
	}
	r.listIgnored(root, "XJDF")
	return job, r.report, nil
}

// IsXJDF says whether the text's first element is that of an XJDF ticket. The error, which is [ErrNotWellFormed], says that
// there is no first element: the text may be of another kind, or not complete.
func IsXJDF(data []byte) (bool, error) {
	root, err := firstElement(data)
	if err != nil {
		return false, Errors{err}
	}
	return root.Name.Local == "XJDF" && root.Name.Space == Namespace, nil
}
