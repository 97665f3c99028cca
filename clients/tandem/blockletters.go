package main

import "strings"

// letterRows is the height of a block letter.
const letterRows = 5

// blockLetters are capitals of five rows, # being filled.
var blockLetters = map[rune][letterRows]string{
	'A': {".#.", "#.#", "###", "#.#", "#.#"},
	'B': {"##.", "#.#", "##.", "#.#", "##."},
	'C': {"###", "#..", "#..", "#..", "###"},
	'D': {"##.", "#.#", "#.#", "#.#", "##."},
	'E': {"###", "#..", "##.", "#..", "###"},
	'F': {"###", "#..", "##.", "#..", "#.."},
	'G': {"####", "#...", "#.##", "#..#", "####"},
	'H': {"#.#", "#.#", "###", "#.#", "#.#"},
	'I': {"#", "#", "#", "#", "#"},
	'J': {"..#", "..#", "..#", "#.#", "###"},
	'K': {"#..#", "#.#.", "##..", "#.#.", "#..#"},
	'L': {"#..", "#..", "#..", "#..", "###"},
	'M': {"#...#", "##.##", "#.#.#", "#...#", "#...#"},
	'N': {"#..#", "##.#", "#.##", "#..#", "#..#"},
	'O': {"###", "#.#", "#.#", "#.#", "###"},
	'P': {"###", "#.#", "###", "#..", "#.."},
	'Q': {"####", "#..#", "#..#", "#.##", "####"},
	'R': {"###.", "#..#", "###.", "#.#.", "#..#"},
	'S': {"###", "#..", "###", "..#", "###"},
	'T': {"###", ".#.", ".#.", ".#.", ".#."},
	'U': {"#.#", "#.#", "#.#", "#.#", "###"},
	'V': {"#...#", "#...#", ".#.#.", ".#.#.", "..#.."},
	'W': {"#...#", "#...#", "#.#.#", "##.##", "#...#"},
	'X': {"#.#", "#.#", ".#.", "#.#", "#.#"},
	'Y': {"#.#", "#.#", ".#.", ".#.", ".#."},
	'Z': {"###", "..#", ".#.", "#..", "###"},
	' ': {"..", "..", "..", "..", ".."},
}

// blockText draws a word in block letters, as large as fits into so many cells and rows: a dot of a letter is two cells wide
// and one row high, twice that, or one cell wide where there is little room. It returns nil if there is too little or the
// word holds anything but capitals.
func blockText(word string, cells, rows int, dark string) []string {
	for _, dot := range []struct{ w, h int }{{4, 2}, {2, 1}, {1, 1}} {
		if lines := blockTextIn(word, dot.w, dot.h, dark); lines != nil && len(lines) <= rows && blockWidth(word)*dot.w <= cells {
			return lines
		}
	}
	return nil
}

// blockWidth is the width of a word in dots, one between its letters; 0 if it cannot be drawn.
func blockWidth(word string) int {
	width := -1
	for _, r := range word {
		letter, ok := blockLetters[r]
		if !ok {
			return 0
		}
		width += len(letter[0]) + 1
	}
	return max(width, 0)
}

func blockTextIn(word string, w, h int, dark string) []string {
	if blockWidth(word) == 0 {
		return nil
	}
	fill := strings.NewReplacer("#", strings.Repeat(dark, w), ".", strings.Repeat(" ", w))
	var lines []string
	for row := range letterRows {
		var parts []string
		for _, r := range word {
			parts = append(parts, fill.Replace(blockLetters[r][row]))
		}
		line := strings.TrimRight(strings.Join(parts, strings.Repeat(" ", w)), " ")
		for range h {
			lines = append(lines, line)
		}
	}
	return lines
}
