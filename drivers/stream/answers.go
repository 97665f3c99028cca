package stream

import (
	"bytes"
	"regexp"
)

// longestAnswer is how many bytes of an answer are looked at.
const longestAnswer = 4096

// word is what an answer of the device means.
type word int

const (
	wordNone word = iota
	wordDone
	wordFailed
	wordCanceled
	wordHeld
	wordGoesOn
	wordBooted
)

// answers is how a device's answers are understood.
type answers struct {
	end      []byte // at which each ends
	patterns []answer
}

type answer struct {
	pattern *regexp.Regexp
	word    word
}

func (a *answers) knows(w word) bool {
	for _, p := range a.patterns {
		if p.word == w {
			return true
		}
	}
	return false
}

// meaning returns what an answer means: that of the first pattern that matches.
func (a *answers) meaning(line []byte) word {
	for _, p := range a.patterns {
		if p.pattern.Match(line) {
			return p.word
		}
	}
	return wordNone
}

// listener cuts what a device says into answers, however its bytes arrive. Of an answer that is too long it keeps the
// first bytes.
type listener struct {
	end  []byte
	line []byte // begun
	tail []byte // the last bytes of a line that is too long, in which its end may begin
}

// hear takes bytes and calls answer for each answer that they end.
func (l *listener) hear(in []byte, answer func(line []byte)) {
	for _, b := range in {
		if len(l.line) < longestAnswer+len(l.end) {
			l.line = append(l.line, b)
			if bytes.HasSuffix(l.line, l.end) {
				line := l.line[:len(l.line)-len(l.end)]
				answer(line[:min(len(line), longestAnswer)])
				l.line = l.line[:0]
			}
			continue
		}
		if len(l.tail) == 0 { // the end may have begun within what was kept
			l.tail = append(l.tail, l.line[len(l.line)-len(l.end):]...)
		}
		l.tail = append(l.tail[1:], b)
		if bytes.Equal(l.tail, l.end) {
			answer(l.line[:longestAnswer])
			l.line, l.tail = l.line[:0], l.tail[:0]
		}
	}
}
