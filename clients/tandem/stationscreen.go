package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	tea "charm.land/bubbletea/v2"
	"github.com/charmbracelet/colorprofile"

	"tandem/clients/celltext"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// entryLasts is how long the daemon waits for the next scan of an entry. The screen only shows it.
	entryLasts = 20 * time.Second
	// soonAnswered is how long the answer before stays in sight while the next one is awaited.
	soonAnswered = 400 * time.Millisecond
	// mostRows is how many scans the screen remembers.
	mostRows = 20
	// mostLost is how many refusals after an outage it keeps in sight.
	mostLost = 5
	// typedAhead bounds the scans that are typed faster than they are taken in.
	typedAhead = 64
)

// fullScreen takes scans and shows them on the whole terminal until the input or the context ends. What was not handed in is
// listed on the terminal that is left behind.
func (s *station) fullScreen(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	lines := make(chan input, typedAhead)
	options := []tea.ProgramOption{
		tea.WithContext(ctx), tea.WithOutput(s.stdout), tea.WithoutSignalHandler(), tea.WithFPS(30), tea.WithColorProfile(colorprofile.ANSI),
	}
	m := newStationScreen(s, lines)
	if s.inIsTerminal {
		options = append(options, tea.WithInput(s.stdin))
	} else {
		// The reader has a line of its own. The goroutine ends with it, or with the program.
		m.lines = nil
		options = append(options, tea.WithInput(nil))
		go s.read(ctx, lines)
	}
	program := tea.NewProgram(m, options...)
	s.showBy(func(r report) { program.Send(r) })
	served := make(chan error, 1)
	go func() {
		err := s.serve(ctx, lines)
		program.Quit()
		served <- err
	}()
	_, err := program.Run()
	s.showBy(s.line)
	cancel()
	end := <-served
	for _, r := range m.rows {
		if r.about == refused && r.word != "REFUSED" {
			s.line(r.report)
		}
	}
	switch {
	case m.interrupted:
		return &told{exitInterrupted}
	case err != nil && !errors.Is(err, tea.ErrProgramKilled):
		return fmt.Errorf("show the station: %w", err)
	default:
		return end
	}
}

// stationScreen is what the terminal shows. It belongs to the goroutine of the program.
type stationScreen struct {
	station *station
	lines   chan<- input // where what is typed goes; nil: the reader does not type on this terminal

	width, height int
	typed         []byte
	long          bool
	interrupted   bool

	rows  []*scanRow // oldest first
	lost  []*scanRow // refused after they had to wait
	away  time.Time  // since when the daemon does not answer; zero: it does
	last  *scanRow   // shown large
	asked *scanRow   // the scan whose answer asks for one more
}

// scanRow is a scan and what became of it.
type scanRow struct {
	report
	waited bool
}

func newStationScreen(s *station, lines chan<- input) *stationScreen {
	m := &stationScreen{station: s, lines: lines}
	m.width, m.height = s.size()
	return m
}

// tick moves countdowns.
type tick struct{}

func ticking() tea.Cmd { return tea.Tick(time.Second/4, func(time.Time) tea.Msg { return tick{} }) }

// Init implements tea.Model.
func (m *stationScreen) Init() tea.Cmd { return ticking() }

// Update implements tea.Model.
func (m *stationScreen) Update(msg tea.Msg) (tea.Model, tea.Cmd) {
	switch msg := msg.(type) {
	case tea.WindowSizeMsg:
		m.width, m.height = msg.Width, msg.Height
	case tick:
		return m, ticking()
	case report:
		return m, m.take(msg)
	case tea.PasteMsg:
		for i := range len(msg.Content) {
			m.key(msg.Content[i])
		}
	case tea.KeyPressMsg:
		return m, m.pressed(msg.Key())
	}
	return m, nil
}

// pressed takes a key: readers type.
func (m *stationScreen) pressed(k tea.Key) tea.Cmd {
	switch k.Keystroke() {
	case "ctrl+c":
		m.interrupted = true
		return tea.Quit
	case "ctrl+d":
		if len(m.typed) == 0 && m.lines != nil {
			// What waits is still handed in; the station ends the program.
			m.hand(input{err: io.EOF})
		}
	case "enter", "ctrl+j":
		m.key('\n')
	case "backspace":
		if n := len(m.typed); n > 0 {
			m.typed = m.typed[:n-1]
		}
	case "ctrl+u", "esc":
		m.typed, m.long = nil, false
	case "tab":
		m.key(' ')
	default:
		for i := range len(k.Text) {
			m.key(k.Text[i])
		}
	}
	return nil
}

// key takes a character; the end of a line makes a scan, as for a reader with a line of its own.
func (m *stationScreen) key(c byte) {
	switch {
	case c == '\r' || c == '\n':
		payload, long := strings.TrimSpace(string(m.typed)), m.long
		m.typed, m.long = nil, false
		switch {
		case m.lines == nil:
		case long:
			m.hand(input{err: errTooLong})
		case payload != "":
			m.hand(input{payload: payload})
		}
	case len(m.typed) == maxPayload:
		m.long = true
	default:
		m.typed = append(m.typed, c)
	}
}

// hand hands in what was typed. It never waits: what is taken in is shown by the goroutine that would wait.
func (m *stationScreen) hand(in input) {
	select {
	case m.lines <- in:
	default:
		m.take(report{
			about: ignored, pull: pull{payload: in.payload, at: m.station.now()}, style: bad, word: "REFUSED",
			message: fmt.Sprintf("more than %d scans at once: scan it again", typedAhead),
		})
	}
}

// take notes a report.
func (m *stationScreen) take(r report) tea.Cmd {
	if r.about == linkBack {
		m.away = time.Time{}
		return nil
	}
	row := m.rowOf(r.pull)
	if row == nil {
		row = &scanRow{}
		m.rows = append(m.rows, row)
		m.rows = m.rows[max(0, len(m.rows)-mostRows-m.unanswered()):]
	}
	row.report = r
	switch r.about {
	case taken:
		row.word, row.style, row.message = "SENT", busy, "no answer yet"
		return nil
	case waits:
		row.waited = true
		if m.away.IsZero() {
			m.away = m.station.now()
		}
	case answered:
		m.away = time.Time{}
		m.asked = nil
		if r.reply.GetOutcome() == tandemv1.RecordScanResponse_OUTCOME_NEXT_SCAN {
			m.asked = row
		}
		if r.reply.GetOutcome() == tandemv1.RecordScanResponse_OUTCOME_CLEARED {
			m.lost = nil
		}
	case refused, ignored, linkBack: // nothing but what is noted of all
	}
	m.last = row
	if row.waited && r.style == bad {
		m.lost = append(m.lost, row)
	}
	if r.style == bad {
		return tea.Raw("\a")
	}
	return nil
}

// rowOf finds the row of a scan that is not done with.
func (m *stationScreen) rowOf(p pull) *scanRow {
	for _, row := range m.rows {
		if p.id != "" && row.pull.id == p.id && (row.about == taken || row.about == waits) {
			return row
		}
	}
	return nil
}

// unanswered counts the scans that are under way.
func (m *stationScreen) unanswered() int {
	n := 0
	for _, row := range m.rows {
		if row.about == taken || row.about == waits {
			n++
		}
	}
	return n
}

// View implements tea.Model.
func (m *stationScreen) View() tea.View {
	v := tea.NewView(m.draw())
	v.AltScreen = true
	v.WindowTitle = "tandem station " + m.station.place.station
	return v
}

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

// verdict is the answer in the word that is read from afar. A start has its own: a machine may begin to move.
func (r *scanRow) verdict() string {
	switch {
	case r.about == waits || r.about == taken:
		return "WAIT"
	case r.style == bad:
		return "NO"
	case r.style == good && r.word != "STARTED":
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
	left := entryLasts - m.station.now().Sub(m.asked.pull.at)
	if left <= 0 {
		return []celltext.Line{nil, {{Style: warned, Text: "TOO LATE: "}, {Text: "the entry has lapsed, begin again"}}}
	}
	seconds := int((left + time.Second - 1) / time.Second)
	what := m.asked.message
	if _, after, ok := strings.Cut(what, ": "); ok {
		what = after
	}
	bar := max(0, min(20, m.width-celltext.Width(what)-20))
	full := min(bar, (seconds*bar+19)/20)
	return []celltext.Line{nil, {
		{Style: busy, Text: "NEXT: "},
		{Style: strong, Text: what},
		{Style: busy, Text: fmt.Sprintf("  %d s left %s%s", seconds, strings.Repeat("=", full), strings.Repeat("-", bar-full))},
	}}
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
