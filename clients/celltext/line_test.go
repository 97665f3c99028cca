package celltext

import (
	"strings"
	"testing"
)

func TestLineWrite(t *testing.T) {
	tests := []struct {
		name   string
		line   Line
		cells  int
		colour bool
		want   string
	}{
		{"plain", Line{{Plain, "a"}, {Bad, "b"}}, 0, false, "ab\n"},
		{"coloured", Line{{Plain, "a"}, {Bad, "b"}, {Good, ""}}, 0, true, "a\x1b[1;31mb\x1b[0m\n"},
		{"foreign text is made clean", Line{{Bad, "\x1b[32m\n"}}, 0, true, "\x1b[1;31m\\x1b[32m\x1b[0m\n"},
		{"no spaces at the end", Line{{Strong, "a  "}, {Plain, "  "}, {Faint, " "}}, 0, true, "\x1b[1ma\x1b[0m\n"},
		{"cut inside a piece", Line{{Plain, "abc"}, {Plain, "def"}}, 5, false, "abcd~\n"},
		{"cut between pieces", Line{{Plain, "abc"}, {Plain, "def"}}, 3, false, "ab~\n"},
		{"just fits", Line{{Plain, "abc"}, {Plain, "def"}}, 6, false, "abcdef\n"},
		{"wide characters", Line{{Plain, "日本"}, {Plain, "語"}}, 5, false, "日本~\n"},
		{"empty", nil, 5, true, "\n"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var b strings.Builder
			tt.line.Write(&b, tt.cells, tt.colour)
			if b.String() != tt.want {
				t.Errorf("got %q, want %q", b.String(), tt.want)
			}
		})
	}
}
