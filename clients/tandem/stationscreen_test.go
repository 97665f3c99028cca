package main

import (
	"fmt"
	"strings"
	"testing"
	"time"

	tea "charm.land/bubbletea/v2"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/celltext"
	tandemv1 "tandem/proto/tandem/v1"
)

// wall is a screen under test: no terminal, a clock that the test moves.
type wall struct {
	*stationScreen
	now   time.Time
	lines chan input
}

func newWall(width, height int, device string, env map[string]string) *wall {
	w := &wall{now: noon, lines: make(chan input, 4)}
	s := system{
		env: func(name string) string { return env[name] }, stdout: &output{}, stderr: &output{}, outIsTerminal: true, zone: zone,
		now: func() time.Time { return w.now }, size: func() (int, int) { return width, height },
	}
	a := &app{system: s, printer: newPrinter(s)}
	w.stationScreen = newStationScreen(newStation(nil, place{"st-1", device}, time.Minute, a), w.lines)
	return w
}

var inUTF8 = map[string]string{"LANG": "C.UTF-8"}

// scan lets a scan be taken in and answered.
func (w *wall) scan(payload string, outcome tandemv1.RecordScanResponse_Outcome, message string) {
	p := pull{payload, payload + w.now.String(), w.now}
	word, style := scanWord(outcome)
	w.Update(report{about: taken, pull: p})
	reply := &tandemv1.RecordScanResponse{Outcome: outcome, Message: message}
	if outcome == tandemv1.RecordScanResponse_OUTCOME_NEXT_SCAN {
		reply.EntryUntilTime = timestamppb.New(w.now.Add(20 * time.Second))
	}
	w.Update(report{about: answered, pull: p, style: style, word: word, message: message, reply: reply})
	w.now = w.now.Add(4 * time.Second)
}

func (w *wall) await(payload string) pull {
	p := pull{payload, payload + w.now.String(), w.now}
	w.Update(report{about: taken, pull: p})
	w.Update(report{about: waits, pull: p, style: warned, word: "WAITS", message: "the daemon does not answer (connection refused). Nothing is known to be done; a start may still come: keep clear of the machine"})
	w.now = w.now.Add(5 * time.Second)
	return p
}

// scenes are what a station shows in the course of a shift.
func scenes(w *wall) []struct {
	name string
	play func()
} {
	var p1, p2 pull
	return []struct {
		name string
		play func()
	}{
		{"ready", func() {}},
		{"next", func() {
			w.scan("U001B", tandemv1.RecordScanResponse_OUTCOME_SHOWN, "anna is at this station now")
			w.scan("D2B", tandemv1.RecordScanResponse_OUTCOME_NEXT_SCAN, "cutter-1: now scan the panel")
		}},
		{"lapsed", func() { w.now = w.now.Add(20 * time.Second) }},
		{"started", func() {
			w.scan("P0QSQ", tandemv1.RecordScanResponse_OUTCOME_STARTED, "cut of shop-window begins on cutter-1: 24 pieces, file 9f86d081884c")
		}},
		{"no", func() {
			w.scan("P0QTK", tandemv1.RecordScanResponse_OUTCOME_WRONG_STATION, "panel P0QTK of shop-window does not belong here: it dries in rack-1 until 14:30 and goes to laminator-1 then")
		}},
		{"away", func() {
			p1, p2 = w.await("P0QSQ"), w.await("M0074")
		}},
		{"back", func() {
			w.Update(report{about: linkBack, message: "the daemon is back"})
			w.Update(report{about: refused, pull: p1, style: bad, word: "TOO OLD", message: "no answer for more than 1 min, so nobody knows whether it counts: look before you scan it again"})
			w.Update(report{about: answered, pull: p2, style: good, word: "LOADED", message: "lot-7 is on cutter-1", reply: &tandemv1.RecordScanResponse{Outcome: tandemv1.RecordScanResponse_OUTCOME_LOADED}})
		}},
		{"undone", func() {
			w.scan("K0070", tandemv1.RecordScanResponse_OUTCOME_UNDONE, "3 pieces of shop-window are good again, 24 good ones now")
		}},
		{"not undone", func() {
			w.scan("K0070", tandemv1.RecordScanResponse_OUTCOME_NOT_UNDONE, "the last change of this station is taken back already; 3 pieces of shop-window are good again, 24 good ones now")
		}},
		{"cleared", func() {
			w.scan("K0065", tandemv1.RecordScanResponse_OUTCOME_CLEARED, "cleared: start again")
			for range 25 {
				w.scan("P0QSQ", tandemv1.RecordScanResponse_OUTCOME_MOVED, "P0QSQ is at packing")
			}
		}},
	}
}

var sizes = [][2]int{{80, 24}, {120, 40}, {40, 15}}

// TestStationScreen holds what the screen shows at three sizes: read the files as screens.
func TestStationScreen(t *testing.T) {
	for _, size := range sizes {
		w := newWall(size[0], size[1], "", inUTF8)
		var all strings.Builder
		for _, scene := range scenes(w) {
			scene.play()
			text := colours.ReplaceAllString(w.draw(), "")
			fmt.Fprintf(&all, "== %s %s\n%s\n", scene.name, strings.Repeat("=", size[0]-len(scene.name)-4), text)
			for i, line := range strings.Split(text, "\n") {
				if celltext.Width(line) > size[0] {
					t.Errorf("%v %s: line %d is %d cells wide", size, scene.name, i, celltext.Width(line))
				}
			}
			if n := strings.Count(text, "\n") + 1; n != size[1] {
				t.Errorf("%v %s: %d lines", size, scene.name, n)
			}
		}
		golden(t, fmt.Sprintf("station-%dx%d", size[0], size[1]), all.String())
	}
}

// TestStationScreenWithoutColour: colour says nothing that the words do not say.
func TestStationScreenWithoutColour(t *testing.T) {
	env := map[string]string{"LANG": "C.UTF-8", "NO_COLOR": "1"}
	bare, full := newWall(80, 24, "", env), newWall(80, 24, "", inUTF8)
	bareScenes := scenes(bare)
	for i, scene := range scenes(full) {
		scene.play()
		bareScenes[i].play()
		if strings.Contains(bare.draw(), "\x1b") {
			t.Errorf("%s: escape sequences in spite of NO_COLOR: %q", scene.name, bare.draw())
		}
		if !colours.MatchString(full.draw()) || colours.ReplaceAllString(full.draw(), "") != bare.draw() {
			t.Errorf("%s: the text changes with the colour", scene.name)
		}
	}
}

func TestStationScreenWithoutUTF8(t *testing.T) {
	w := newWall(80, 24, "cutter-1", map[string]string{"LC_ALL": "C", "LANG": "C.UTF-8"})
	for _, scene := range scenes(w) {
		scene.play()
		for _, r := range w.draw() {
			if r > 0x7f {
				t.Fatalf("%s: %q on a terminal that is not said to know it", scene.name, r)
			}
		}
	}
}

// TestStationScreenTinyAndHostile: whatever the size, nothing panics, spills or reaches the terminal that it would obey.
func TestStationScreenTinyAndHostile(t *testing.T) {
	for _, size := range [][2]int{{1, 1}, {2, 3}, {10, 4}, {20, 8}, {80, 9}, {300, 100}} {
		w := newWall(size[0], size[1], "cutter-1", inUTF8)
		w.scan(evil, tandemv1.RecordScanResponse_OUTCOME_NOT_READY, evil+strings.Repeat("long ", 500))
		w.await(evil)
		for _, c := range []byte("P1" + evil) {
			w.key(c)
		}
		for i, line := range strings.Split(colours.ReplaceAllString(w.draw(), ""), "\n") {
			if strings.ContainsFunc(line, func(r rune) bool { return r < ' ' || r == 0x7f || r == 0x9b || r == 0x202e }) || strings.HasPrefix(line, "fake line") {
				t.Errorf("%v: line %d: %q", size, i, line)
			}
			if celltext.Width(line) > size[0] || i >= size[1] {
				t.Errorf("%v: line %d spills: %q", size, i, line)
			}
		}
	}
}

// TestStationScreenKeys: what a reader types makes scans.
func TestStationScreenKeys(t *testing.T) {
	w := newWall(80, 24, "", inUTF8)
	typing := func(text string) {
		for _, r := range text {
			switch r {
			case '\r':
				w.Update(tea.KeyPressMsg{Code: tea.KeyEnter})
			case '\n':
				w.Update(tea.KeyPressMsg{Code: 'j', Mod: tea.ModCtrl})
			case '\t':
				w.Update(tea.KeyPressMsg{Code: tea.KeyTab})
			case '\b':
				w.Update(tea.KeyPressMsg{Code: tea.KeyBackspace})
			default:
				w.Update(tea.KeyPressMsg{Code: r, Text: string(r)})
			}
		}
	}
	got := func() string {
		select {
		case in := <-w.lines:
			return fmt.Sprint(in.payload, in.err)
		default:
			return "nothing"
		}
	}
	for _, tt := range []struct{ typed, want string }{
		{"P0QSQ\r", "P0QSQ<nil>"},
		{"\n", "nothing"}, // CR LF counts once
		{"P0QSX\bQ\t\r", "P0QSQ<nil>"},
		{"\r\r", "nothing"},
		{strings.Repeat("x", 600) + "\r", fmt.Sprint("", errTooLong)},
		{"P1\r", "P1<nil>"},
	} {
		typing(tt.typed)
		if s := got(); s != tt.want {
			t.Errorf("%.20q makes %s, want %s", tt.typed, s, tt.want)
		}
	}
	typing("P0Q")
	if !strings.Contains(w.draw(), "typed: P0Q") {
		t.Errorf("what is typed is not shown:\n%s", w.draw())
	}
	w.Update(tea.KeyPressMsg{Code: tea.KeyEscape})
	w.Update(tea.KeyPressMsg{Code: 'd', Mod: tea.ModCtrl})
	if s := got(); s != "EOF" {
		t.Errorf("Ctrl-D makes %s", s)
	}
	w.Update(tea.PasteMsg{Content: "A\nB\r\nC\nD\nE\n"})
	if !strings.Contains(w.draw(), "more than 64 scans at once") {
		t.Errorf("a scan that is one too many is not refused:\n%s", w.draw())
	}
	_, cmd := w.Update(tea.KeyPressMsg{Code: 'c', Mod: tea.ModCtrl})
	if cmd == nil || !w.interrupted {
		t.Error("Ctrl-C does not end it")
	}
}

func TestStationScreenNoOldAnswer(t *testing.T) {
	w := newWall(80, 24, "cutter-1", inUTF8)
	w.scan("P1", tandemv1.RecordScanResponse_OUTCOME_MOVED, "P1 is at cutter-1")
	w.Update(report{about: taken, pull: pull{"P2", "k2", w.now}})
	if got := w.large(); !strings.Contains(fmt.Sprint(got), "P1 is at cutter-1") {
		t.Errorf("the answer before is gone at once: %v", got)
	}
	w.now = w.now.Add(time.Second)
	if got := fmt.Sprint(w.large()); strings.Contains(got, "P1 is at cutter-1") || !strings.Contains(got, "no answer yet") {
		t.Errorf("the answer before is still there after a second: %s", got)
	}
}

func TestStationScreenBell(t *testing.T) {
	w := newWall(80, 24, "cutter-1", inUTF8)
	for _, tt := range []struct {
		style celltext.Style
		bell  bool
	}{{bad, true}, {good, false}, {warned, false}} {
		_, cmd := w.Update(report{about: refused, pull: pull{"P1", "k", w.now}, style: tt.style, word: "WORD"})
		if (cmd != nil) != tt.bell {
			t.Errorf("style %v: bell %t, want %t", tt.style, cmd != nil, tt.bell)
		}
	}
}

func TestBlockText(t *testing.T) {
	for _, o := range tandemv1.RecordScanResponse_Outcome_value {
		word, _ := scanWord(tandemv1.RecordScanResponse_Outcome(o))
		if word != "UNSPECIFIED" && blockWidth(word) == 0 {
			t.Errorf("%s cannot be written in block letters", word)
		}
	}
	seen := map[string]rune{}
	for r, rows := range blockLetters {
		picture := strings.Join(rows[:], "\n")
		if other, ok := seen[picture]; ok {
			t.Errorf("%c looks like %c", r, other)
		}
		seen[picture] = r
		for _, row := range rows {
			if len(row) != len(rows[0]) || strings.Trim(row, "#.") != "" {
				t.Errorf("%c has the row %q", r, row)
			}
		}
	}
	if got := blockText("NO", 100, 4, "#"); got != nil {
		t.Errorf("five rows in four: %q", got)
	}
	if got := strings.Join(blockText("NO", 8, 5, "#"), "\n"); got != "#  # ###\n## # # #\n# ## # #\n#  # # #\n#  # ###" {
		t.Errorf("NO =\n%s", got)
	}
}
