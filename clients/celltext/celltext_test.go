package celltext

import (
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"
)

func TestClean(t *testing.T) {
	tests := []struct {
		name, in, want string
	}{
		{"plain", "shop-window, 60 pieces", "shop-window, 60 pieces"},
		{"letters of any script", "Größe 日本 é", "Größe 日本 é"},
		{"real replacement character", "a\ufffdb", "a\ufffdb"},
		{"colour sequence", "\x1b[31mred\x1b[0m", `\x1b[31mred\x1b[0m`},
		{"window title sequence", "\x1b]0;owned\x07", `\x1b]0;owned\x07`},
		{"line ends", "a\r\nb\nc\td", "a  b c d"},
		{"back space", "ok\b\bno", `ok\x08\x08no`},
		{"delete", "a\x7fb", `a\x7fb`},
		// ECMA-48 section 5.3: C1 controls, 9B is CSI, in 8-bit form.
		{"8-bit CSI as a rune", "a\u009b31m", `a\u009b31m`},
		{"8-bit CSI as a byte", "a\x9b31m", `a\x9b31m`},
		{"next line U+0085", "a\u0085b", "a b"},
		// UAX #9: explicit directional embeddings, overrides and isolates.
		{"direction override", "a\u202eb\u2066c\u200fd", `a\u202eb\u2066c\u200fd`},
		{"zero width", "a\u200bb\ufeffc", `a\u200bb\ufeffc`},
		{"line separator", "a\u2028b", "a b"},
		{"variation selector", "a\ufe0fb", `a\ufe0fb`},
		{"outside the basic plane", "a\U000e0041b", `a\U000e0041b`},
		{"torn UTF-8", "a\xe6\x97", `a\xe6\x97`},
		{"empty", "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := Clean(tt.in); got != tt.want {
				t.Errorf("Clean(%q) = %q, want %q", tt.in, got, tt.want)
			}
		})
	}
}

func TestWidth(t *testing.T) {
	// Classes as in UAX #11, East Asian Width.
	tests := []struct {
		in   string
		want int
	}{
		{"", 0},
		{"abc", 3},
		{"é", 1},
		{"e\u0301", 1},
		{"日本", 4},
		{"ＡＢ", 4},
		{"ｱ", 1},
		{"a日b", 4},
	}
	for _, tt := range tests {
		if got := Width(tt.in); got != tt.want {
			t.Errorf("Width(%q) = %d, want %d", tt.in, got, tt.want)
		}
	}
}

func TestClip(t *testing.T) {
	tests := []struct {
		in    string
		cells int
		want  string
	}{
		{"abcdef", 6, "abcdef"},
		{"abcdef", 5, "abcd~"},
		{"abcdef", 1, "~"},
		{"abcdef", 0, ""},
		{"abcdef", -3, ""},
		{"日本語", 6, "日本語"},
		{"日本語", 5, "日本~"},
		{"日本語", 4, "日~"},
		{"日本語", 2, "~"},
		{"", 4, ""},
	}
	for _, tt := range tests {
		if got := Clip(tt.in, tt.cells); got != tt.want {
			t.Errorf("Clip(%q, %d) = %q, want %q", tt.in, tt.cells, got, tt.want)
		}
	}
}

func TestPad(t *testing.T) {
	if got := Pad("日", 4); got != "日  " {
		t.Errorf("Pad = %q", got)
	}
	if got := Pad("abcdef", 4); got != "abcdef" {
		t.Errorf("Pad = %q", got)
	}
}

// FuzzClean holds the promise against any bytes: one line, nothing that a terminal obeys, and stable.
func FuzzClean(f *testing.F) {
	for _, seed := range []string{"plain", "\x1b[2J", "\u009b", "\xff\xfe", "a\u202eb", "日本語 e\u0301"} {
		f.Add(seed, 7)
	}
	f.Fuzz(func(t *testing.T, s string, cells int) {
		got := Clean(s)
		if !utf8.ValidString(got) {
			t.Fatalf("Clean(%q) = %q is not UTF-8", s, got)
		}
		if bad := strings.IndexFunc(got, func(r rune) bool { return !unicode.IsPrint(r) }); bad >= 0 {
			t.Fatalf("Clean(%q) = %q has a control character at %d", s, got, bad)
		}
		if again := Clean(got); again != got {
			t.Fatalf("Clean is not stable: %q, then %q", got, again)
		}
		cells %= 200
		if w := Width(Clip(got, cells)); w > max(cells, 0) {
			t.Fatalf("Clip(%q, %d) takes %d cells", got, cells, w)
		}
	})
}
