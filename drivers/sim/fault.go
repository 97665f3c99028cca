package sim

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Trouble is a kind of fault.
type Trouble string

const (
	// Stop makes the machine stand still with media-jam-error until a person helps; then it goes on.
	Stop Trouble = "stop"
	// MediaEmpty is the end of the roll: it stands still with media-empty-error until a person helps.
	MediaEmpty Trouble = "media-empty"
	// MediaAbort is the end of the roll, too: it gives the run up as aborted with media-empty-error, and stands still until a
	// person helps.
	MediaAbort Trouble = "media-abort"
	// Offline keeps the driver from reaching the machine for a while. The machine goes on.
	Offline Trouble = "offline"
	// Reboot makes the machine forget everything and stand idle.
	Reboot Trouble = "reboot"
	// Flood makes the machine report 10,000 times a second for a while.
	Flood Trouble = "flood"
	// Spoil spoils pieces.
	Spoil Trouble = "spoil"
	// WrongPanel is another panel, of another size, in the place of the one that carries the piece. Like the two below it
	// shows where marks are read: in a run whose grant names panels.
	WrongPanel Trouble = "wrong-panel"
	// Turned is that panel the wrong way round.
	Turned Trouble = "turned"
	// Mirrored is that panel face down.
	Mirrored Trouble = "mirrored"
)

var troubles = []Trouble{Stop, MediaEmpty, MediaAbort, Offline, Reboot, Flood, Spoil, WrongPanel, Turned, Mirrored}

// ofPanels says whether the trouble is how a panel lies there.
func (t Trouble) ofPanels() bool { return t == WrongPanel || t == Turned || t == Mirrored }

// A Fault is something that goes wrong after a piece of a run.
//
// In settings it is written TROUBLE@[RUN/]PIECE[:HOW], several with commas between them:
//
//	stop@26            after piece 26 of the first run, until the time in help-after has passed
//	stop@2/26:90s      after piece 26 of the machine's second run, for 90 s
//	media-empty@26     likewise
//	media-abort@26     likewise, and the run has ended
//	offline@5:30s      for 30 s
//	reboot@10
//	flood@3:2s         for 2 s; without a time, for 1 s
//	spoil@7:3          pieces 7, 8 and 9; without a number, one
//	wrong-panel@2/26   the panel of the second run that should carry piece 26; likewise turned and mirrored
//
// Times are floor time. Each fault happens once.
type Fault struct {
	Trouble Trouble `json:"trouble"`
	// Run counts the runs that the machine has begun, from 1.
	Run int `json:"run,omitempty"`
	// Piece counts the pieces of that run, from 1.
	Piece int32 `json:"piece,omitempty"`
	// For is how long it lasts. 0: as the settings say.
	For time.Duration `json:"for,omitempty"`
	// Pieces is how many are spoiled; 0 means 1.
	Pieces int32 `json:"pieces,omitempty"`
}

const faultGrammar = "write TROUBLE@[RUN/]PIECE[:HOW], such as stop@26, offline@2/5:30s or spoil@7:3"

// ParseFault reads a fault as written in settings.
func ParseFault(text string) (Fault, error) {
	trouble, where, ok := strings.Cut(text, "@")
	f := Fault{Trouble: Trouble(trouble), Run: 1}
	if !ok || !slices.Contains(troubles, f.Trouble) {
		return Fault{}, fmt.Errorf("fault %q: %s; troubles are %v", text, faultGrammar, troubles)
	}
	where, how, hasHow := strings.Cut(where, ":")
	if run, piece, ok := strings.Cut(where, "/"); ok {
		n, err := strconv.ParseUint(run, 10, 31)
		if err != nil || n == 0 {
			return Fault{}, fmt.Errorf("fault %q: count runs from 1: %s", text, faultGrammar)
		}
		f.Run, where = int(n), piece
	}
	n, err := strconv.ParseUint(where, 10, 31)
	if err != nil || n == 0 {
		return Fault{}, fmt.Errorf("fault %q: count pieces from 1: %s", text, faultGrammar)
	}
	f.Piece = int32(n)
	switch {
	case !hasHow && f.Trouble == Offline:
		return Fault{}, fmt.Errorf("fault %q: say for how long, such as %s:30s", text, text)
	case !hasHow:
	case f.Trouble.ofPanels():
		return Fault{}, fmt.Errorf("fault %q: a panel lies there or not: leave out %q", text, ":"+how)
	case f.Trouble == Reboot:
		return Fault{}, fmt.Errorf("fault %q: a reboot takes no time: leave out %q", text, ":"+how)
	case f.Trouble == Spoil:
		n, err := strconv.ParseUint(how, 10, 31)
		if err != nil || n == 0 {
			return Fault{}, fmt.Errorf("fault %q: how many pieces? write a whole number above 0 after the colon", text)
		}
		f.Pieces = int32(n)
	default:
		f.For, err = time.ParseDuration(how)
		if err != nil || f.For <= 0 {
			return Fault{}, fmt.Errorf("fault %q: for how long? write a duration above 0 after the colon, such as 30s", text)
		}
	}
	return f, nil
}

// String writes a fault as ParseFault reads it.
func (f Fault) String() string {
	s := string(f.Trouble) + "@"
	if f.Run > 1 {
		s += strconv.Itoa(f.Run) + "/"
	}
	s += strconv.Itoa(int(f.Piece))
	switch {
	case f.For > 0:
		s += ":" + f.For.String()
	case f.Pieces > 0:
		s += ":" + strconv.Itoa(int(f.Pieces))
	}
	return s
}
