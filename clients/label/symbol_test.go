package label

import (
	"slices"
	"strings"
	"testing"
)

// widths of the bars and spaces of each symbol character of Code 128: ISO/IEC 15417 table 1, by value; 103 to 105 are the
// start characters, 106 is the stop character.
const widths = `212222 222122 222221 121223 121322 131222 122213 122312 132212 221213 221312 231212 112232 122132 122231 113222
123122 123221 223211 221132 221231 213212 223112 312131 311222 321122 321221 312212 322112 322211 212123 212321 232121 111323
131123 131321 112313 132113 132311 211313 231113 231311 112133 112331 132131 113123 113321 133121 313121 211331 231131 213113
213311 213131 311123 311321 331121 312113 312311 332111 314111 221411 431111 111224 111422 121124 121421 141122 141221 112214
112412 122114 122411 142112 142211 241211 221114 413111 241112 134111 111242 121142 121241 114212 124112 124211 411212 421112
421211 212141 214121 412121 111143 111341 131141 114113 114311 411113 411311 113141 114131 311141 411131 211412 211214 211232
2331112`

// values reads the symbol characters off the modules of a bar code.
func values(t *testing.T, row []bool) []int {
	t.Helper()
	var runs strings.Builder
	for x := 0; x < len(row); {
		end := x
		for end < len(row) && row[end] == row[x] {
			end++
		}
		runs.WriteByte('0' + byte(end-x))
		x = end
	}
	table, rest := strings.Fields(widths), runs.String()
	var list []int
	for len(rest) > 7 {
		v := slices.Index(table, rest[:6])
		if v < 0 {
			t.Fatalf("no symbol character has the widths %s", rest[:6])
		}
		list, rest = append(list, v), rest[6:]
	}
	if rest != table[106] {
		t.Fatalf("ends with the widths %s, want those of the stop character", rest)
	}
	return list
}

// TestCode128 holds the bars to worked examples of ISO/IEC 15417 as published. Where the example begins in code set A, and
// ours in B, which has the same values for capitals and digits, the start character is 104 instead of 103, and the check
// character one more.
func TestCode128(t *testing.T) {
	tests := []struct {
		payload string
		want    []int // start character, data and check character
		source  string
	}{
		{"HI345678", []int{104, 40, 41, 99, 34, 56, 78, 67 + 1}, "ISO/IEC 15417 worked example, there from code set A: 1406 mod 103 = 67"},
		{"PJJ123C", []int{104, 48, 42, 42, 17, 18, 19, 35, 54 + 1}, "published worked example, there from code set A: 54"},
		{"ABCDEF", []int{104, 33, 34, 35, 36, 37, 38, 42 + 1}, "published example, there from code set A: 42"},
		{"abcdef", []int{104, 65, 66, 67, 68, 69, 70, 97}, "published example from code set B: 97"},
	}
	for _, tt := range tests {
		g, err := code128Of(tt.payload)
		if err != nil {
			t.Fatal(err)
		}
		got := values(t, g[0])
		if !slices.Equal(got, tt.want) {
			t.Errorf("%s: %v, want %v: %s", tt.payload, got, tt.want, tt.source)
		}
		// 11 modules for each character and 13 for the stop character.
		if want := 11*len(tt.want) + 13; len(g[0]) != want {
			t.Errorf("%s: %d modules, want %d", tt.payload, len(g[0]), want)
		}
	}
}

// TestMatrixSizes holds the number of modules to the standards: ISO/IEC 16022 table 7 (5 codewords in 12 x 12, 8 in 14 x
// 14, 12 in 16 x 16) and ISO/IEC 18004 table 7 (16 alphanumeric characters in version 1 at level Q).
func TestMatrixSizes(t *testing.T) {
	tests := []struct {
		m       Matrix
		payload string
		want    int
	}{
		{DataMatrix, "P0QSQ", 12},
		{DataMatrix, "P0QSQXYZ", 14},
		{DataMatrix, "PZZZZZZZ1", 16},
		{QR, "P0QSQ", 21},
		{QR, "PZZZZZZZ1", 21},
	}
	for _, tt := range tests {
		g, err := matrixOf(tt.m, tt.payload)
		if err != nil {
			t.Fatal(err)
		}
		if len(g) != tt.want || len(g[0]) != tt.want {
			t.Errorf("%s of %s: %d x %d modules, want %d", tt.m, tt.payload, len(g[0]), len(g), tt.want)
		}
	}
	if g, _ := matrixOf(DataMatrix, "P0QSQ"); !finder(g) {
		t.Error("a Data Matrix symbol without its L of dark modules and its broken sides")
	}
}

// finder reports whether the left and lower sides are dark and the others alternate: ISO/IEC 16022 section 5.1.
func finder(g grid) bool {
	n := len(g)
	for i := range n {
		if !g[i][0] || !g[n-1][i] || g[0][i] != (i%2 == 0) || g[i][n-1] != (i%2 == 1) {
			return false
		}
	}
	return true
}

func TestCodesAreNeverSquashed(t *testing.T) {
	p := &page{dpi: 203, w: 2000, h: 2000}
	c := canvas{page: p, matrix: DataMatrix}
	// 12 modules and a quiet zone of 2 on each side, of 4 dots each, the fewest that are half a millimetre.
	if _, err := c.matrixIn(0, 0, 16*4-1, "P0QSQ"); err == nil || !strings.Contains(err.Error(), "64 dots") {
		t.Errorf("a matrix symbol in too little room: %v, want an error that names the 64 dots", err)
	}
	if side, err := c.matrixIn(0, 0, 16*5-1, "P0QSQ"); err != nil || side != 64 {
		t.Errorf("a matrix symbol of whole dots: %d, %v, want 64", side, err)
	}
	// 90 modules and a quiet zone of 10 on each side, of 3 dots each, the fewest that are a third of a millimetre.
	for room, want := range map[int]int{110*3 - 1: 0, 110 * 3: 3, 110*4 - 1: 3, 110 * 9: 4} {
		if _, module, err := c.barsFor(room, "P0QSQ"); err != nil || module != want {
			t.Errorf("bars in %d dots: modules of %d, %v, want %d", room, module, err, want)
		}
	}
}
