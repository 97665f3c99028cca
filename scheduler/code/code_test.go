package code

import (
	"errors"
	"math/rand/v2"
	"strings"
	"testing"
	"unicode"
)

func TestCheck(t *testing.T) {
	tests := []struct {
		s      string
		want   byte
		source string
	}{
		{"A12425GABC1234002", 'M', "GRid standard (global release identifier), its example A1-2425G-ABC1234002-M"},
		{"00000000C36D002B", 'K', "ISAN (ISO 15706), check character of the root of the published 0000-0000-C36D-002B-K-0000-0000-E"},
		{"00000000C36D002B00000000", 'E', "the same, check character of the whole"},
		{"DADPIDA3897722461", 'J', "published example of MOD 37,36"},
		{"123AB", 'X', "published worked example of MOD 37,36"},
		{"", '1', "by the formula of ISO/IEC 7064: (37 - 36) mod 36"},
	}
	for _, tt := range tests {
		if got := Check(tt.s); got != tt.want {
			t.Errorf("Check(%q) = %q, want %q: %s", tt.s, got, tt.want, tt.source)
		}
	}
	for _, s := range []string{"a", "A-1", "Ä", "\x00", "A B"} {
		if got := Check(s); got != 0 {
			t.Errorf("Check(%q) = %q, want 0: not in the alphabet", s, got)
		}
	}
}

// ISO/IEC 7064 promises of its hybrid systems that all single substitutions are detected, and nearly all swaps of two
// neighbours; measured elsewhere on random six-character strings: 36 of 23,304 swaps missed.
func TestDetection(t *testing.T) {
	rng := rand.New(rand.NewPCG(7064, 3736))
	var substitutions, swaps, missed int
	for range 2000 {
		s := Format(Kinds()[rng.IntN(len(Kinds()))], rng.Uint64N(MaxNumber+1))
		for i := range len(s) {
			for _, r := range []byte(alphabet) {
				if r == s[i] {
					continue
				}
				substitutions++
				if wrong := s[:i] + string(r) + s[i+1:]; Check(wrong[:len(wrong)-1]) == wrong[len(wrong)-1] {
					t.Fatalf("%s passes for %s", wrong, s)
				}
			}
			if i == 0 || s[i-1] == s[i] {
				continue
			}
			swaps++
			if wrong := s[:i-1] + s[i:i+1] + s[i-1:i] + s[i+1:]; Check(wrong[:len(wrong)-1]) == wrong[len(wrong)-1] {
				missed++
			}
		}
	}
	t.Logf("substitutions: 0 of %d missed; swaps: %d of %d missed", substitutions, missed, swaps)
	if missed*100 > swaps {
		t.Errorf("%d of %d swaps of neighbours missed, want less than 1 %%", missed, swaps)
	}
}

func TestFormat(t *testing.T) {
	tests := []struct {
		kind Kind
		n    uint64
		want string // without the check character
	}{
		{Job, 0, "J000"},
		{Job, 1, "J001"},
		{Panel, 17, "P00H"},
		{Panel, 18, "P00J"}, // no I
		{Device, 22, "D00N"},
		{Device, 23, "D00P"}, // no O
		{Person, 33, "U00Z"},
		{Command, 34, "K010"},
		{Lot, 34*34*34 - 1, "MZZZ"},
		{Slot, 34 * 34 * 34, "R1000"},
		{Job, MaxNumber, "JZZZZZZZ"},
	}
	for _, tt := range tests {
		got := Format(tt.kind, tt.n)
		if want := tt.want + string(Check(tt.want)); got != want {
			t.Errorf("Format(%v, %d) = %s, want %s", tt.kind, tt.n, got, want)
		}
		if c, err := Parse(got); err != nil || c != (Code{tt.kind, tt.n}) || c.String() != got {
			t.Errorf("Parse(%s) = %v, %v, want %v %d", got, c, err, tt.kind, tt.n)
		}
	}
}

func TestFormatPanics(t *testing.T) {
	for _, c := range []Code{{Job, MaxNumber + 1}, {'X', 1}, {0, 1}, {'j', 1}} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("Format(%v, %d) did not panic", c.Kind, c.Number)
				}
			}()
			_ = Format(c.Kind, c.Number)
		}()
	}
}

func TestParse(t *testing.T) {
	good := Format(Job, 842)
	want := Code{Job, 842}
	for _, payload := range []string{
		good, strings.ToLower(good), good + "\r", good + "\n", good + "\r\n", good + "\t", " " + good + " ",
		"]C0" + good, "]C1" + good, "]Q1" + good, "]d1" + good + "\r", "]c0" + strings.ToLower(good),
	} {
		if c, err := Parse(payload); err != nil || c != want {
			t.Errorf("Parse(%q) = %v, %v, want %v", payload, c, err, want)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	job, panel := Format(Job, 842), Format(Panel, 842)
	flip := func(s string, i int, b byte) string { return s[:i] + string(b) + s[i+1:] }
	const layout = "keyboard layout"
	tests := []struct {
		name, payload string
		want          error
		hint          string // part of it
	}{
		{"empty", "", ErrNotACode, "nothing was read"},
		{"line end only", "\r\n", ErrNotACode, "nothing was read"},
		{"too long", job + strings.Repeat(" ", MaxPayload), ErrTooLong, "517 bytes"},
		{"just too long to look at", strings.Repeat("A", MaxPayload+1), ErrTooLong, ""},
		{"long", strings.Repeat("A", MaxPayload), ErrNotACode, "characters"},
		{"short", "J1", ErrNotACode, "characters"},
		{"kind", "X" + job[1:], ErrNotACode, "begins"},
		{"letter O", flip(job, 1, 'O'), ErrNotACode, "key 1 or 0"},
		{"letter I", flip(job, 2, 'I'), ErrNotACode, "key 1 or 0"},
		{"blank inside", job[:2] + " " + job[2:], ErrNotACode, ""},
		{"needless zero", "J0" + job[1:4] + string(Check("J0"+job[1:4])), ErrNotACode, "zeros"},
		{"wrong digit", flip(job, 3, 'Z'), ErrCheck, "compare"},
		{"another kind's check character", "P" + job[1:], ErrCheck, "compare"},
		{"check character small sharp s", job[:4] + "ß", ErrNotACode, layout},
		{"doubled", job + job, ErrDoubled, "reader"},
		{"doubled, case", job + strings.ToLower(job), ErrDoubled, "reader"},
		{"doubled with line end", job + "\r" + job + "\r", ErrDoubled, "reader"},
		{"doubled with CR LF", job + "\r\n" + job + "\r\n", ErrDoubled, "reader"},
		{"doubled with one identifier", "]C0" + job + job, ErrDoubled, "reader"},
		{"doubled with two identifiers", "]C0" + job + "]C0" + job, ErrDoubled, "reader"},
		{"doubled, longest", Format(Job, MaxNumber) + Format(Job, MaxNumber), ErrDoubled, "reader"},
		{"two codes", job + panel, ErrNotACode, "characters"},
		{"three times", job + job + job, ErrNotACode, "characters"},
		{"code and more", Format(Job, 45842) + "X", ErrCheck, "compare"},
		{"two identifiers", "]C0]C0" + job, ErrNotACode, ""},
		{"identifier only", "]C0", ErrNotACode, ""},
		{"French digits", "Jà&é" + job[4:], ErrNotACode, layout},
		{"apostrophe", "J'" + job[2:], ErrNotACode, layout},
		{"sharp s", "Jß" + job[2:], ErrNotACode, layout},
		{"Cyrillic", "О001Х", ErrNotACode, layout},
		{"German bracket", "+C0" + job, ErrNotACode, layout},
		{"an id", "harbour-17", ErrNotACode, "characters"},
		{"wildcard", "*", ErrNotACode, ""},
		{"subject", "tandem.>", ErrNotACode, ""},
		{"path", "../../x", ErrNotACode, ""},
		{"formula", "=1+1", ErrNotACode, ""},
		{"address", "https://example.org/%22", ErrNotACode, "characters"},
		{"dotless i", "Jı01X", ErrNotACode, ""},
		{"long s", "ſ001X", ErrNotACode, ""},
		{"escape sequence", "\x1b[2J" + job, ErrNotACode, ""},
		{"zero byte", job + "\x00", ErrNotACode, ""},
		{"broken UTF-8", "J\xff\xfe1", ErrNotACode, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			c, err := Parse(tt.payload)
			var e *Error
			if !errors.Is(err, tt.want) || !errors.As(err, &e) {
				t.Fatalf("Parse(%q) = %v, %v, want %v", tt.payload, c, err, tt.want)
			}
			if c != (Code{}) {
				t.Errorf("Parse(%q) = %v beside an error", tt.payload, c)
			}
			if !strings.Contains(e.Hint, tt.hint) {
				t.Errorf("hint %q, want %q in it", e.Hint, tt.hint)
			}
			safe(t, err)
		})
	}
}

func TestParseSeesSwappedLayouts(t *testing.T) {
	german := strings.NewReplacer("Y", "Z", "Z", "Y")
	french := strings.NewReplacer("A", "Q", "Q", "A", "W", "Z", "Z", "W")
	for _, tt := range []struct {
		swap *strings.Replacer
		n    uint64
	}{{german, 33*34 + 32}, {french, 10*34 + 10}} {
		sent := Format(Job, tt.n)
		_, err := Parse(tt.swap.Replace(sent))
		if !errors.Is(err, ErrCheck) || !strings.Contains(err.Error(), "keyboard layout") {
			t.Errorf("%s read as %s: %v, want %v with a word on the keyboard layout", sent, tt.swap.Replace(sent), err, ErrCheck)
		}
	}
}

func TestErrorShowsWhatWasSeen(t *testing.T) {
	_, err := Parse("J\x1b[31m\u202e" + strings.Repeat("9", 100))
	if got, want := err.Error(), `"J?[31m?`+strings.Repeat("9", 33)+`..." is not a code of this shop: a code has 5 to 9 characters`; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestVerbs(t *testing.T) {
	names := map[string]bool{}
	for i, v := range Verbs() {
		if uint64(v) != uint64(i)+1 {
			t.Errorf("%v has number %d; printed cards say %d", v, v, i+1)
		}
		c, err := Parse(v.Code().String())
		if got, ok := c.Verb(); err != nil || !ok || got != v {
			t.Errorf("the card of %v reads %v, %v", v, got, err)
		}
		names[v.String()] = true
	}
	if len(names) != 7 {
		t.Errorf("names %v, want seven different ones", names)
	}
	for _, c := range []Code{{Command, 0}, {Command, 8}, {Job, 1}} {
		if v, ok := c.Verb(); ok {
			t.Errorf("%v means %v", c, v)
		}
	}
}

func TestKinds(t *testing.T) {
	for _, k := range Kinds() {
		if !k.known() || strings.HasPrefix(k.String(), "kind") {
			t.Errorf("kind %q is not known or has no name", byte(k))
		}
	}
	if got := Kind('X').String(); got != "kind 'X'" {
		t.Errorf("got %s", got)
	}
	if got := (Code{}).String(); got != `kind '\x00' number 0` {
		t.Errorf("the zero code prints as %s", got)
	}
}

// safe fails if an error could disturb a display.
func safe(t *testing.T, err error) {
	t.Helper()
	s := err.Error()
	if len(s) > 400 {
		t.Errorf("error has %d bytes: %s", len(s), s)
	}
	for _, r := range s {
		if !unicode.IsPrint(r) {
			t.Errorf("error echoes %U: %q", r, s)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"P0QSQ", "]C0p0qsq\r\n", "P0QSQP0QSQ", "", "\x1b]0;x\x07", "Jà&é1", strings.Repeat("Z", 513)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, payload string) {
		c, err := Parse(payload)
		if err == nil {
			want := upper(stripIdentifier(strings.Trim(payload, " \t\r\n")))
			if got := c.String(); got != want {
				t.Errorf("Parse(%q) = %s, want %s", payload, got, want)
			}
			if _, err = Parse(payload + payload); !errors.Is(err, ErrDoubled) && len(payload) <= MaxPayload/2 && strings.Trim(payload, " \t\r\n") == payload {
				t.Errorf("Parse(%q twice): %v, want %v", payload, err, ErrDoubled)
			}
			return
		}
		if _, ok := errors.AsType[*Error](err); !ok {
			t.Fatalf("Parse(%q): %T, want *Error", payload, err)
		}
		safe(t, err)
	})
}
