package floorview

import (
	"slices"
	"strings"

	"tandem/clients/celltext"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// needs draws what waits for a person. Empty if nothing does.
func (v *view) needs() []line {
	var lines []line
	for _, n := range v.needed() {
		s := warn
		if n.Grave {
			s = bad
		}
		l := line{{s, " ! "}, {s, n.Text}}
		switch {
		case n.More == "":
			lines = append(lines, l)
		case v.narrow, celltext.Width(" ! "+n.Text+" ("+n.More+")") > v.width: // what it is about must not be cut off
			lines = append(lines, l, line{{plain, "   " + n.More}})
		default:
			lines = append(lines, append(l, span{plain, " (" + n.More + ")"}))
		}
	}
	if len(lines) == 0 {
		return nil
	}
	return append(title("NEEDS A PERSON"), lines...)
}

// needed lists what waits for a person, in the order of the devices, then of the jobs.
func (v *view) needed() []Need {
	var all []Need
	var about Need
	need := func(s style, text string, more string) {
		n := about
		n.Grave, n.Text, n.More = s == bad, text, more
		all = append(all, n)
	}
	for _, d := range v.devices {
		about = Need{Device: d.GetId()}
		if d.GetLink() == tandemv1.Link_LINK_OFFLINE && len(d.GetRuns()) > 0 {
			need(bad, "look at "+d.GetId()+": silent", v.lastSeen(d))
		}
		stopped := d.GetState() == tandemv1.DeviceState_DEVICE_STATE_STOPPED && d.GetLink() == tandemv1.Link_LINK_ONLINE
		attended := d.GetPaused() || d.GetLockedBy() != ""
		switch empty := has(d.GetStateReasons(), "media-empty") && d.GetLoadedRemainingUm() == 0; {
		case stopped && empty && !attended:
			need(bad, "load a new roll of "+orElse(d.GetLoadedMedia(), "the right media")+" on "+d.GetId()+", scan its code", orElse(d.GetLoadedLot(), "the roll")+" is empty")
		case stopped && !attended:
			need(bad, "help "+d.GetId()+": "+reasonsOr(d.GetStateReasons(), "stopped"), "")
		case empty && !has(d.GetStateReasons(), "media-needed"):
			need(warn, "load a new roll of "+orElse(d.GetLoadedMedia(), "the right media")+" on "+d.GetId(), orElse(d.GetLoadedLot(), "the roll")+" is empty")
		}
		if has(d.GetStateReasons(), "x-blade-worn") {
			need(warn, "replace the blade of "+d.GetId(), wording.Metres(d.GetBladeUsedUm())+" cut")
		}
		for _, r := range d.GetRuns() {
			about = Need{Device: d.GetId(), Job: r.GetJob(), Step: r.GetStep(), Run: r.GetRun()}
			switch {
			case has(r.GetStateReasons(), "x-registration-failed") && !has(r.GetStateReasons(), "x-outcome-unknown"):
				need(bad, "look at "+d.GetId()+": "+wrongPanel, work(r))
			case has(r.GetStateReasons(), "x-media-mismatch"):
				text := "load " + v.supply(r) + " on " + d.GetId()
				if awaitsStart(r) {
					text += ", then start " + panels(r.GetPanelCodes(), r.GetRun())
				}
				need(warn, text, work(r))
			case has(r.GetStateReasons(), "x-lot-too-short"):
				text := "load a longer roll of " + v.supply(r) + " on " + d.GetId()
				if awaitsStart(r) {
					text += ", then start " + panels(r.GetPanelCodes(), r.GetRun())
				}
				need(warn, text, work(r))
			case awaitsStart(r) && has(r.GetStateReasons(), "x-blade-mismatch"):
				need(warn, "put blade "+v.steps[stepKey{r.GetJob(), r.GetStep()}].GetBlade()+" into "+d.GetId()+", then start "+panels(r.GetPanelCodes(), r.GetRun()), work(r))
			case awaitsStart(r) && has(r.GetStateReasons(), "x-start-overdue"):
				need(bad, "start "+panels(r.GetPanelCodes(), r.GetRun())+" on "+d.GetId()+": it has waited for long", work(r))
			case has(r.GetStateReasons(), "x-not-seen"):
				need(warn, "put "+panels(r.GetPanelCodes(), r.GetRun())+" into "+d.GetId()+" and scan both: not seen since its print", work(r))
			case has(r.GetStateReasons(), "x-overdue"):
				need(warn, "look at "+d.GetId()+": over its time; is it done?", work(r))
			case awaitsStart(r):
				need(warn, "start "+panels(r.GetPanelCodes(), r.GetRun())+" on "+d.GetId(), work(r))
			case has(r.GetStateReasons(), "x-outcome-unknown"):
				need(bad, "say what became of "+r.GetRun()+" on "+d.GetId(), work(r))
			case r.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED && !stopped:
				need(bad, "help "+d.GetId()+": "+reasonsOr(r.GetStateReasons(), "stands still"), work(r))
			}
		}
	}
	for _, j := range v.jobs {
		for _, s := range j.GetSteps() {
			if text, grave := decision(s); text != "" && v.runs[stepKey{j.GetId(), s.GetId()}] == nil {
				about = Need{Job: j.GetId(), Step: s.GetId()}
				need(grave, text, j.GetId()+" / "+s.GetId())
			}
		}
	}
	return append(all, v.toReview()...)
}

// toReview asks for a word on what may have been done since the backup that the ledger comes from: once for all of it, as it may be
// every step of every job. It names one that waits for no other.
func (v *view) toReview() []Need {
	var out Need
	count, later := 0, false
	for _, j := range v.jobs {
		for _, s := range j.GetSteps() {
			if !has(s.GetStateReasons(), "x-unrecorded-work") {
				continue
			}
			if count++; count == 1 || later && !has(s.GetStateReasons(), "x-waiting-predecessor") {
				later = has(s.GetStateReasons(), "x-waiting-predecessor")
				out = Need{Grave: true, Text: "look, and say with `tandem review` what was done since the backup", More: j.GetId() + " / " + s.GetId(), Job: j.GetId(), Step: s.GetId()}
			}
		}
	}
	switch {
	case count == 0:
		return nil
	case count > 1:
		out.More += " and " + wording.Count(count-1, "more step")
	}
	return []Need{out}
}

// wrongPanel is what marks say that do not fit.
const wrongPanel = "by its marks another panel, or laid wrong"

// decision is what a step without a run asks of a person; empty if it asks nothing.
func decision(s *tandemv1.Step) (string, style) {
	switch {
	case has(s.GetStateReasons(), "x-in-gang-run"):
		return "", plain // asked of the gang run
	case s.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED && has(s.GetStateReasons(), "x-no-pieces-left"):
		return "remake or cancel: pieces were lost with the gang run", bad
	case s.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED && has(s.GetStateReasons(), "x-registration-failed"):
		return wrongPanel + "; check, scan it, then decide", bad
	case s.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED:
		return "decide: " + reasonsOr(s.GetStateReasons(), "stopped"), bad
	case s.GetState() != tandemv1.JobState_JOB_STATE_PENDING:
		return "", plain
	case has(s.GetStateReasons(), "x-no-pieces-left"):
		return "remake or cancel: all pieces are spoiled", bad
	case has(s.GetStateReasons(), "resources-are-not-supported"):
		return "change the floor or cancel: no device can do it", bad
	case has(s.GetStateReasons(), "x-wait-too-long"):
		return "check the panel: it has waited too long", warn
	default:
		return "", plain
	}
}

// supply names what must be loaded for a run: the film if its step names one, else the media.
func (v *view) supply(r *tandemv1.DeviceRun) string {
	s := v.steps[stepKey{r.GetJob(), r.GetStep()}]
	return orElse(orElse(s.GetFilm(), s.GetMedia()), "the right media")
}

func awaitsStart(r *tandemv1.DeviceRun) bool {
	return r.GetState() == tandemv1.JobState_JOB_STATE_PENDING && has(r.GetStateReasons(), "x-awaiting-start")
}

// has reports whether a reason is among the keywords, with or without its severity (RFC 8011 section 5.4.12).
func has(reasons []string, keyword string) bool {
	return slices.ContainsFunc(reasons, func(r string) bool {
		rest, ok := strings.CutPrefix(r, keyword)
		return ok && (rest == "" || rest == "-report" || rest == "-warning" || rest == "-error")
	})
}

func reasonsOr(reasons []string, otherwise string) string {
	return orElse(strings.Join(slices.DeleteFunc(slices.Clone(reasons), func(r string) bool { return r == "none" }), ", "), otherwise)
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// panels names the panels to bring: up to three of them, or the run if they have no codes.
func panels(codes []string, run string) string {
	switch {
	case len(codes) == 0:
		return run
	case len(codes) > 3:
		return strings.Join(codes[:3], " ") + " and " + wording.Count(len(codes)-3, "more panel")
	default:
		return strings.Join(codes, " ")
	}
}

func work(r *tandemv1.DeviceRun) string {
	return r.GetJob() + " / " + r.GetStep()
}

func (v *view) lastSeen(d *tandemv1.Device) string {
	if d.GetLastSeenTime() == nil {
		return "never heard"
	}
	return "last heard " + v.When(d.GetLastSeenTime())
}

// fit pads or clips a clean text to a column.
func fit(s string, cells int) string {
	return celltext.Pad(celltext.Clip(celltext.Clean(s), cells), cells)
}
