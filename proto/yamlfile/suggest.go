package yamlfile

import "strings"

// Nearest returns the word of known that somebody who wrote word most likely meant, or "" if none is near: at most a third
// of its letters differ. Case, hyphens and underscores do not count.
func Nearest(word string, known []string) string {
	const longest = 64
	w := plainWord(word)
	if len(w) > longest {
		return ""
	}
	best, least := "", len(w)/3+1
	for _, k := range known {
		if p := plainWord(k); len(p) <= longest {
			if d := distance(w, p); d < least || best == "" && d == 1 && len(w) > 1 {
				best, least = k, d
			}
		}
	}
	return best
}

func plainWord(s string) string {
	return strings.NewReplacer("_", "", "-", "").Replace(strings.ToLower(s))
}

// distance counts the letters to add, drop, change or swap with their neighbour to make b of a (optimal string alignment).
func distance(a, b string) int {
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		before, last, row = last, row, before
		row[0] = i + 1
		for j := range len(b) {
			d := last[j]
			if a[i] != b[j] {
				d++
			}
			d = min(d, last[j+1]+1, row[j]+1)
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				d = min(d, before[j-1]+1)
			}
			row[j+1] = d
		}
	}
	return row[len(b)]
}

// didYouMean ends a message with a suggestion if there is a near word.
func didYouMean(word string, known []string) string {
	if s := Nearest(word, known); s != "" {
		return "; did you mean " + s + "?"
	}
	return ""
}
