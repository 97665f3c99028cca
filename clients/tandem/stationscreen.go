package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	tea "charm.land/bubbletea/v2"
	"github.com/charmbracelet/colorprofile"

	tandemv1 "tandem/proto/tandem/v1"
)

const (
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
	until time.Time  // until when the daemon waits for that one; zero: it does not say
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
		kept := r.reply.GetEntryUntilTime()
		if m.until = kept.AsTime(); kept == nil {
			m.asked, m.until = nil, time.Time{}
		}
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
