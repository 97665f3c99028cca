package ipp

import (
	"errors"
	"slices"
	"strings"

	"github.com/OpenPrinting/goipp"

	tandemv1 "tandem/proto/tandem/v1"
)

// printerAttributes are those that readPrinter reads: RFC 8011 section 5.4, supplies of PWG 5100.13 section 5.6, and
// marker levels as print servers give them.
var printerAttributes = []string{
	"printer-state", "printer-state-reasons", "printer-is-accepting-jobs", "printer-up-time", "operations-supported",
	"multiple-document-jobs-supported", "media-ready", "printer-supply",
	"marker-types", "marker-levels", "marker-low-levels", "marker-high-levels",
}

// printer is how a printer is.
type printer struct {
	state     tandemv1.DeviceState
	reasons   []string // without "none"
	accepting bool
	upTime    int  // seconds since its start, or of any count that does not go back while it is on; -1: not told
	creates   bool // it knows Create-Job and Send-Document
	several   bool // it takes several documents in a job
	ready     []string
	supplies  []supply
}

// supply is what a printer uses up, or fills.
type supply struct {
	waste bool
	left  int // percent that is left, or that is free in a container for waste
	low   int // percent at which the printer itself calls it low; -1: not told
}

// errNoState says that an answer cannot be one of a printer's.
var errNoState = errors.New("the answer has no printer-state of RFC 8011 section 5.4.11: check that the setting uri names a printer")

func readPrinter(a goipp.Attributes) (*printer, error) {
	p := &printer{
		state: tandemv1.DeviceState(number(a, "printer-state")), reasons: reasons(a, "printer-state-reasons"),
		accepting: yes(a, "printer-is-accepting-jobs", true), upTime: number(a, "printer-up-time"),
		several: yes(a, "multiple-document-jobs-supported", false),
		ready:   texts(a, "media-ready"),
	}
	switch p.state {
	case tandemv1.DeviceState_DEVICE_STATE_IDLE, tandemv1.DeviceState_DEVICE_STATE_PROCESSING, tandemv1.DeviceState_DEVICE_STATE_STOPPED:
	case tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED:
		return nil, errNoState
	default:
		return nil, errNoState
	}
	knows := numbers(a, "operations-supported")
	p.creates = slices.Contains(knows, int(goipp.OpCreateJob)) && slices.Contains(knows, int(goipp.OpSendDocument))
	if p.supplies = markers(a); p.supplies == nil {
		for _, s := range texts(a, "printer-supply") {
			if one, ok := readSupply(s); ok {
				p.supplies = append(p.supplies, one)
			}
		}
	}
	return p, nil
}

func reasons(a goipp.Attributes, name string) []string {
	return slices.DeleteFunc(texts(a, name), func(s string) bool { return s == "none" })
}

// markers reads marker-levels: percent, or a negative number for what the printer cannot tell. The level of a container for
// waste is how full it is.
func markers(a goipp.Attributes) []supply {
	kinds, levels := texts(a, "marker-types"), numbers(a, "marker-levels")
	lows, highs := numbers(a, "marker-low-levels"), numbers(a, "marker-high-levels")
	var out []supply
	for i, level := range levels {
		if level < 0 || level > 100 {
			continue
		}
		s := supply{left: level, low: -1}
		if i < len(kinds) && strings.Contains(strings.ToLower(kinds[i]), "waste") {
			s.waste, s.left = true, 100-level
			if i < len(highs) && highs[i] > 0 && highs[i] < 100 {
				s.low = 100 - highs[i]
			}
		} else if i < len(lows) && lows[i] > 0 {
			s.low = lows[i]
		}
		out = append(out, s)
	}
	return out
}

// readSupply reads a value of printer-supply, "key=value;" after one another. Its level is what is left, and in a container
// for waste what is free (RFC 3805, prtMarkerSuppliesLevel); negative if the printer cannot tell.
func readSupply(text string) (supply, bool) {
	s := supply{low: -1}
	level, most := -1, 100
	for part := range strings.SplitSeq(text, ";") {
		key, value, _ := strings.Cut(strings.TrimSpace(part), "=")
		switch key {
		case "class":
			s.waste = value == "receptacleThatIsFilled"
		case "level":
			level = parseCount(value)
		case "maxcapacity":
			most = parseCount(value)
		}
	}
	if level < 0 || most < 1 || level > most {
		return s, false
	}
	s.left = int(int64(level) * 100 / int64(most))
	return s, true
}

func parseCount(s string) int {
	n := 0
	if s == "" || len(s) > 9 {
		return -1
	}
	for _, c := range s {
		if c < '0' || c > '9' {
			return -1
		}
		n = n*10 + int(c-'0')
	}
	return n
}

// reasonsWith are the printer's reasons, and what its levels say if it does not say that itself. A level is a warning:
// whether it stops the printer is the printer's word.
func (p *printer) reasonsWith(low int) []string {
	out := slices.Clone(p.reasons)
	say := func(base string) {
		if !slices.ContainsFunc(out, func(r string) bool { b, _ := severity(r); return b == base }) {
			out = append(out, base+"-warning")
		}
	}
	for _, s := range p.supplies {
		switch {
		case s.left == 0 && s.waste:
			say("marker-waste-full")
		case s.left == 0:
			say("marker-supply-empty")
		case s.left > max(low, s.low):
		case s.waste:
			say("marker-waste-almost-full")
		default:
			say("marker-supply-low")
		}
	}
	return out
}

// severity splits a reason. Without a suffix it is an error (RFC 8011 section 5.4.12).
func severity(reason string) (base, how string) {
	for _, how := range []string{"report", "warning", "error"} {
		if base, ok := strings.CutSuffix(reason, "-"+how); ok {
			return base, how
		}
	}
	return reason, "error"
}

// standing are reasons for which a machine stands still in the middle of a job, even where the printer calls that
// processing. Some call it a warning that the job in hand needs media.
var standing = []string{"media-needed", "media-jam", "cover-open", "door-open", "interlock-open"}

// stands says whether the printer can do nothing until somebody helps.
func (p *printer) stands() bool {
	return p.state == tandemv1.DeviceState_DEVICE_STATE_STOPPED || slices.ContainsFunc(p.reasons, func(r string) bool {
		base, how := severity(r)
		return how == "error" && slices.Contains(standing, base) || how == "warning" && base == "media-needed"
	})
}

// warmsUp says whether the printer is being made ready.
func (p *printer) warmsUp() bool {
	return slices.ContainsFunc(p.reasons, func(r string) bool {
		base, _ := severity(r)
		return strings.HasSuffix(base, "-warming-up")
	})
}
