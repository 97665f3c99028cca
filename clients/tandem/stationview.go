package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"tandem/clients/celltext"
	"tandem/clients/wording"
)

// draw makes the screen: exactly its height in lines, none wider than it is.
func (m *stationScreen) draw() string {
	var b strings.Builder
	lines := m.content()
	for i, line := range lines[:min(len(lines), m.height)] {
		line.Write(&b, m.width, m.station.colour())
		if i == m.height-1 {
			break
		}
	}
	return strings.TrimSuffix(b.String(), "\n")
}

func (m *stationScreen) content() []celltext.Line {
	top := append([]celltext.Line{m.head()}, m.large()...)
	top = append(top, m.expected()...)
	bottom := celltext.Line{{Style: faint, Text: "Ctrl-D ends the station, Ctrl-C at once"}}
	if len(m.typed) > 0 {
		bottom = celltext.Line{{Style: strong, Text: "typed: " + celltext.Short(string(m.typed), max(m.width-8, 1))}}
	}
	room := m.height - len(top) - 1
	most := room / 2
	if m.low() {
		most = room
	}
	middle := append(m.waiting(most), m.refusedAfter(most)...)
	if left := room - len(middle); left > 1 {
		middle = append(middle, m.history(left)...)
	}
	if m.low() {
		middle = slices.DeleteFunc(middle, func(l celltext.Line) bool { return l == nil })
	}
	for len(middle) < room {
		middle = append(middle, nil)
	}
	return append(append(top, middle[:max(room, 0)]...), bottom)
}

func (m *stationScreen) head() celltext.Line {
	at := "station " + m.station.place.station
	if m.station.place.device != "" {
		at += " at " + m.station.place.device
	}
	now := m.clock(m.station.now())
	if m.away.IsZero() {
		return celltext.Line{{Style: strong, Text: at}, {Text: "  " + now}}
	}
	return celltext.Line{{Style: bad, Text: "DAEMON AWAY since " + m.clock(m.away)}, {Text: "  "}, {Style: strong, Text: at}, {Text: "  " + now}}
}

func (m *stationScreen) clock(t time.Time) string { return t.In(m.station.zone).Format("15:04:05") }

// verdict is the answer in the word that is read from afar. A start has its own: a machine may begin to move. So has what was
// taken back: nothing more is done by it.
func (r *scanRow) verdict() string {
	switch {
	case r.about == waits || r.about == taken:
		return "WAIT"
	case r.style == bad:
		return "NO"
	case r.style == good && r.word != "STARTED" && r.word != "UNDONE":
		return "DONE"
	default:
		return r.word
	}
}

// large is the last answer: the verdict in block letters where there is room, then what it was about, then the message.
func (m *stationScreen) large() []celltext.Line {
	row := m.last
	if n := len(m.rows); n > 0 && m.rows[n-1].about == taken && m.station.now().Sub(m.rows[n-1].pull.at) > soonAnswered {
		// An old answer in sight would be taken for that to the new scan.
		row = m.rows[n-1]
	}
	if row == nil {
		row = &scanRow{report: report{about: ignored, style: plain, word: "READY"}}
		if m.station.place.device == "" {
			row.message = "scan a device or a panel"
		} else {
			row.message = "scan a panel for " + m.station.place.device + ", or a command card"
		}
	}
	var lines []celltext.Line
	// A third of the height at most, the line above included: the rest belongs to what else there is to know.
	block := blockText(row.verdict(), m.width-2, max(m.height/3, min(m.height-9, letterRows)), m.dark())
	if block != nil && !m.low() {
		lines = append(lines, nil)
	}
	for _, line := range block {
		lines = append(lines, celltext.Line{{Text: " "}, {Style: row.style, Text: line}})
	}
	if block != nil && !m.low() {
		lines = append(lines, nil)
	}
	what := celltext.Line{{Style: row.style, Text: row.word}}
	if block == nil && row.verdict() != row.word {
		what = celltext.Line{{Style: row.style, Text: row.verdict() + ": " + row.word}}
	}
	if row.pull.payload != "" {
		what = append(what, celltext.Span{Text: "  "}, celltext.Span{Style: strong, Text: celltext.Short(row.pull.payload, 40)})
	}
	if !row.pull.at.IsZero() {
		what = append(what, celltext.Span{Style: faint, Text: "  scanned " + m.clock(row.pull.at)})
	}
	lines = append(lines, what)
	for _, text := range wrapped(row.message, m.width, max(3, 200/max(m.width, 1))) {
		lines = append(lines, celltext.Line{{Style: strong, Text: text}})
	}
	return lines
}

// low reports whether every line counts.
func (m *stationScreen) low() bool { return m.height < 20 }

// dark is what block letters are made of.
func (m *stationScreen) dark() string {
	for _, name := range []string{"LC_ALL", "LC_CTYPE", "LANG"} {
		if v := strings.ToUpper(m.station.env(name)); v != "" {
			if strings.Contains(v, "UTF-8") || strings.Contains(v, "UTF8") {
				return "█"
			}
			return "#"
		}
	}
	return "#"
}

// expected says what the next scan should be, and how long that holds.
func (m *stationScreen) expected() []celltext.Line {
	if m.asked == nil {
		return nil
	}
	left := m.until.Sub(m.station.now())
	if left <= 0 && !m.until.IsZero() {
		return []celltext.Line{nil, {{Style: warned, Text: "TOO LATE: "}, {Text: "the entry has lapsed, begin again"}}}
	}
	seconds := int((left + time.Second - 1) / time.Second)
	what := m.asked.message
	if _, after, ok := strings.Cut(what, ": "); ok {
		what = after
	}
	spans := []celltext.Span{{Style: busy, Text: "NEXT: "}, {Style: strong, Text: what}}
	if m.until.IsZero() {
		return []celltext.Line{nil, spans}
	}
	bar := max(0, min(20, m.width-celltext.Width(what)-20))
	full := min(bar, (seconds*bar+19)/20)
	spans = append(spans, celltext.Span{Style: busy, Text: fmt.Sprintf("  %d s left %s%s", seconds, strings.Repeat("=", full), strings.Repeat("-", bar-full))})
	return []celltext.Line{nil, spans}
}

// waiting lists the scans that wait for the daemon.
func (m *stationScreen) waiting(most int) []celltext.Line {
	var queue []*scanRow
	for _, row := range m.rows {
		if row.about == waits || row.about == taken && !m.away.IsZero() {
			queue = append(queue, row)
		}
	}
	if len(queue) == 0 {
		return nil
	}
	head := wording.Count(len(queue), "scan") + " not handed in yet: keep clear of the machine"
	if m.width < len(head) {
		head = wording.Count(len(queue), "scan") + " not handed in yet: keep clear"
	}
	lines := []celltext.Line{nil, {{Style: warned, Text: head}}}
	for i, row := range queue {
		if len(lines) >= most-1 && i < len(queue)-1 {
			return append(lines, celltext.Line{{Text: fmt.Sprintf("  and %d more", len(queue)-i)}})
		}
		lines = append(lines, celltext.Line{
			{Text: "  " + m.clock(row.pull.at) + "  "},
			{Style: strong, Text: celltext.Short(row.pull.payload, 40)},
			{Style: faint, Text: "  for " + wording.Span(max(0, m.station.now().Sub(row.pull.at)))},
		})
	}
	return lines
}

// refusedAfter lists what had to wait and then was refused.
func (m *stationScreen) refusedAfter(most int) []celltext.Line {
	if len(m.lost) == 0 {
		return nil
	}
	lines := []celltext.Line{nil, {{Style: bad, Text: "REFUSED after the outage"}, {Style: faint, Text: "  (the card clear takes this away)"}}}
	shown := m.lost[max(0, len(m.lost)-min(mostLost, max((most-2)/2, 1))):]
	const before = len("15:04:05  TOO OLD   P0QSQ  ")
	for _, row := range shown {
		head := celltext.Line{
			{Text: m.clock(row.pull.at) + "  "},
			{Style: bad, Text: celltext.Pad(row.word, len("NOT SENT")) + "  "},
			{Style: strong, Text: celltext.Pad(celltext.Short(row.pull.payload, 9), 5) + "  "},
		}
		if m.width < 2*before {
			lines = append(lines, head)
			head = celltext.Line{{Text: "  "}}
		}
		room := max(m.width-head.Cells(), 10)
		for i, text := range wrapped(row.message, room, 3) {
			if i > 0 {
				head = celltext.Line{{Text: strings.Repeat(" ", m.width-room)}}
			}
			lines = append(lines, append(head, celltext.Span{Text: text}))
		}
	}
	if n := len(m.lost) - len(shown); n > 0 {
		lines[1] = append(lines[1], celltext.Span{Text: fmt.Sprintf(", %d older ones not shown", n)})
	}
	return lines
}

// history lists the last scans, the newest first.
func (m *stationScreen) history(most int) []celltext.Line {
	lines := []celltext.Line{nil}
	for i := len(m.rows) - 1; i >= 0 && len(lines) < most && len(lines) <= mostRows; i-- {
		lines = append(lines, m.rowLine(m.rows[i]))
	}
	return lines
}

func (m *stationScreen) rowLine(row *scanRow) celltext.Line {
	return celltext.Line{
		{Style: faint, Text: m.clock(row.pull.at) + "  "},
		{Style: row.style, Text: celltext.Pad(row.word, scanWordCells)},
		{Text: "  "},
		{Style: strong, Text: celltext.Pad(celltext.Short(row.pull.payload, 12), 9)},
		{Text: "  " + row.message},
	}
}

// wrapped breaks a foreign text into lines of so many cells, at most so many lines.
func wrapped(text string, cells, most int) []string {
	words := strings.Fields(celltext.Short(text, cells*most))
	var lines []string
	for len(words) > 0 {
		line := words[0]
		words = words[1:]
		for len(words) > 0 && (celltext.Width(line+" "+words[0]) <= cells || len(lines) == most-1) {
			line += " " + words[0]
			words = words[1:]
		}
		lines = append(lines, line)
	}
	return lines
}
