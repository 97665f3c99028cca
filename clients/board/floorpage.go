package board

import (
	"cmp"
	"fmt"
	"slices"

	"tandem/clients/wording"
)

// notice is what a reader must know above all else.
type notice struct{ Mark, Class, Title, Text string }

// notices says whether what is shown is the present.
func (b *Board) notices(s *snapshot) []row {
	switch {
	case s.awaySince.IsZero():
		return nil
	case !s.complete:
		return []row{b.row("notice", "away", notice{"silent", "warn", "No floor to show yet.", "The daemon has not answered so far (" + s.awayWhy + "). This page begins by itself when it does."})}
	default:
		return []row{b.row("notice", "away", notice{
			"silent", "bad", "Out of date since " + s.awaySince.In(s.zone).Format("15:04:05") + ".",
			"The daemon does not answer (" + s.awayWhy + "); what is shown is as of then. This page goes on by itself when it is back.",
		})}
	}
}

// row renders one row by the template of its name.
func (b *Board) row(template, key string, data any) row {
	return row{Key: key, HTML: b.pages.fragment("row-"+template, data)}
}

// more says what a list leaves out, and where the rest is.
type more struct{ Key, Text, Link string }

// floorLists is the floor's page.
func (b *Board) floorLists() []list {
	s, _ := b.mirror.snapshot()
	f := newFacts(s, b.now())
	needs, devices, waits := f.needs(), f.devices(), f.waits()
	head := []row{b.row("head", "counts", f.head(called(needs)))}

	var needRows, deviceRows, waitRows, jobRows []row
	for _, n := range needs[:min(len(needs), mostNeeds)] {
		needRows = append(needRows, b.row("need", n.Key, n))
	}
	needRows = b.rest(needRows, len(needs), "nothing waits for a person", "more thing", "")
	for _, d := range foremost(devices, mostDevices) {
		deviceRows = append(deviceRows, b.row("device", d.Key, d))
	}
	deviceRows = b.rest(deviceRows, len(devices), "no devices", "more device", "/devices")
	for _, w := range waits[:min(len(waits), mostWaits)] {
		waitRows = append(waitRows, b.row("wait", w.Key, w))
	}
	waitRows = b.rest(waitRows, len(waits), "nothing dries or waits", "more step", "/waits")
	for _, j := range f.open[:min(len(f.open), mostJobs)] {
		jobRows = append(jobRows, b.row("job", j.GetId(), f.job(j)))
	}
	jobRows = b.rest(jobRows, len(f.open), "no open jobs", "more job", "/jobs")
	return []list{{"notice", b.notices(s)}, {"head", head}, {"needs", needRows}, {"devices", deviceRows}, {"waits", waitRows}, {"jobs", jobRows}}
}

// rest says what a list leaves out, or that it is empty.
func (b *Board) rest(rows []row, all int, none, noun, link string) []row {
	switch {
	case all == 0:
		return append(rows, b.row("more", "-none", more{"-none", none, ""}))
	case all > len(rows):
		return append(rows, b.row("more", "-more", more{"-more", wording.Count(all-len(rows), noun), link}))
	}
	return rows
}

// Bounds of the wall view: few facts, so that each can be read from afar.
const (
	wallDevices   = 13
	wallLines     = 13 // of needs and jobs together
	wallNeedLines = 9  // of needs, at most
	wallJobs      = 3  // at least
	mostWallJobs  = 9  // few enough to be read in passing
	wallLetters   = 32 // in a line of needs
)

// wallLists is the floor for a screen on the wall: what waits for a person, who works how long yet, which jobs are in danger.
func (b *Board) wallLists() []list {
	s, _ := b.mirror.snapshot()
	f := newFacts(s, b.now())
	needs := slices.DeleteFunc(f.needs(), func(n need) bool { return n.grave > 1 })
	var needRows, deviceRows, jobRows []row
	used := 0
	for _, n := range needs {
		if used += n.lines(); used > wallNeedLines {
			break
		}
		needRows = append(needRows, b.row("wall-need", n.Key, n))
	}
	needRows = b.rest(needRows, len(needs), "Nobody is needed", "more thing", "")
	devices := f.devices()
	busy := slices.Clone(devices)
	if len(busy) > wallDevices {
		busy = slices.DeleteFunc(busy, func(d deviceFacts) bool { return d.order > 2 })
	}
	slices.SortStableFunc(busy, func(a, c deviceFacts) int { return cmp.Or(cmp.Compare(min(a.order, 1), min(c.order, 1))) })
	for _, d := range busy[:min(len(busy), wallDevices)] {
		deviceRows = append(deviceRows, b.row("wall-device", d.Key, d))
	}
	if n := len(devices) - len(deviceRows); n > 0 {
		text := fmt.Sprintf("%s free or out of use", wording.Count(n, "device"))
		if n := len(busy) - len(deviceRows); n > 0 {
			text = fmt.Sprintf("%s at work", wording.Count(n, "more device"))
		}
		deviceRows = append(deviceRows, b.row("more", "-more", more{"-more", text, ""}))
	}
	var jobs []jobFacts
	for _, j := range f.open {
		jobs = append(jobs, f.job(j))
	}
	slices.SortStableFunc(jobs, func(a, c jobFacts) int { return cmp.Compare(danger(c), danger(a)) })
	room := min(mostWallJobs, max(wallJobs, wallLines-max(1, min(used, wallNeedLines))))
	for _, j := range jobs[:min(len(jobs), room)] {
		jobRows = append(jobRows, b.row("wall-job", j.Key, j))
	}
	jobRows = b.rest(jobRows, len(jobs), "No open job", "more job", "")
	return []list{
		{"notice", b.notices(s)},
		{"head", []row{b.row("wall-head", "counts", f.head(len(needs)))}},
		{"needs", needRows},
		{"devices", deviceRows},
		{"jobs", jobRows},
	}
}

// danger ranks jobs: late ones, probably late ones, those that may be late, others.
func danger(j jobFacts) int {
	switch {
	case j.risk >= 1:
		return 3
	case j.risk >= likelyRisk:
		return 2
	case j.risk >= someRisk:
		return 1
	default:
		return 0
	}
}
