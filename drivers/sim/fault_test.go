package sim

import (
	"strings"
	"testing"
	"time"
)

func TestParseFault(t *testing.T) {
	for text, want := range map[string]Fault{
		"stop@26":          {Trouble: Stop, Run: 1, Piece: 26},
		"stop@2/26:90s":    {Trouble: Stop, Run: 2, Piece: 26, For: 90 * time.Second},
		"media-empty@1":    {Trouble: MediaEmpty, Run: 1, Piece: 1},
		"media-abort@2/3":  {Trouble: MediaAbort, Run: 2, Piece: 3},
		"offline@5:30s":    {Trouble: Offline, Run: 1, Piece: 5, For: 30 * time.Second},
		"reboot@10":        {Trouble: Reboot, Run: 1, Piece: 10},
		"flood@3:2s":       {Trouble: Flood, Run: 1, Piece: 3, For: 2 * time.Second},
		"spoil@3/7:3":      {Trouble: Spoil, Run: 3, Piece: 7, Pieces: 3},
		"flood@3":          {Trouble: Flood, Run: 1, Piece: 3},
		"wrong-panel@1":    {Trouble: WrongPanel, Run: 1, Piece: 1},
		"turned@2/31":      {Trouble: Turned, Run: 2, Piece: 31},
		"mirrored@7":       {Trouble: Mirrored, Run: 1, Piece: 7},
		"spoil@2147483647": {Trouble: Spoil, Run: 1, Piece: 1<<31 - 1},
	} {
		got, err := ParseFault(text)
		if err != nil || got != want {
			t.Errorf("ParseFault(%q) = %+v, %v, want %+v", text, got, err, want)
		}
	}
	for text, want := range map[string]string{
		"":                 "troubles are",
		"stop":             "TROUBLE@",
		"burn@3":           "troubles are",
		"stop@0":           "pieces from 1",
		"stop@-1":          "pieces from 1",
		"stop@x":           "pieces from 1",
		"stop@0/3":         "runs from 1",
		"stop@/3":          "runs from 1",
		"stop@3:":          "duration above 0",
		"stop@3:-5s":       "duration above 0",
		"offline@5":        "offline@5:30s",
		"reboot@5:3s":      "leave out",
		"spoil@5:3s":       "whole number",
		"turned@5:3s":      "leave out",
		"spoil@5:0":        "whole number",
		"stop@99999999999": "pieces from 1",
	} {
		if got, err := ParseFault(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("ParseFault(%q) = %+v, %v, want an error about %q", text, got, err, want)
		}
	}
}

func FuzzParseFault(f *testing.F) {
	for _, text := range []string{"stop@26", "stop@2/26:90s", "offline@5:30s", "spoil@7:3", "flood@1:1h", "reboot@1"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		fault, err := ParseFault(text)
		if err != nil {
			return
		}
		again, err := ParseFault(fault.String())
		if err != nil || again != fault {
			t.Errorf("%q is %+v, written as %q, read as %+v, %v", text, fault, fault, again, err)
		}
	})
}
