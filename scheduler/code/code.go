// Package code writes and reads the short codes that people scan or key on the floor: a letter for what the code stands
// for, a number, and a check character, in upper case, for example P0QSQ.
//
// A code only points at something; what it points at, and what a scan of it means, is decided elsewhere. The package
// does no input or output, keeps no state, and never guesses: a payload is a code in whole and by its check character,
// or it is an [*Error] that can be shown to whoever pulled the trigger.
package code

import (
	"fmt"
	"strings"
)

// Kind says what a code stands for: its first letter.
type Kind byte

// The kinds of codes.
const (
	Job     Kind = 'J'
	Panel   Kind = 'P'
	Device  Kind = 'D'
	Person  Kind = 'U' // a badge
	Command Kind = 'K' // its number is a Verb
	Lot     Kind = 'M' // a media lot
	Slot    Kind = 'R' // of a rack
)

// Kinds returns every kind, in a fixed order.
func Kinds() []Kind { return []Kind{Job, Panel, Device, Person, Command, Lot, Slot} }

// String returns what the kind stands for, in one word.
func (k Kind) String() string {
	switch k {
	case Job:
		return "job"
	case Panel:
		return "panel"
	case Device:
		return "device"
	case Person:
		return "person"
	case Command:
		return "command"
	case Lot:
		return "lot"
	case Slot:
		return "slot"
	}
	return fmt.Sprintf("kind %q", byte(k))
}

func (k Kind) known() bool { return strings.IndexByte("JPDUKMR", byte(k)) >= 0 }

// Code is what a payload says. It is comparable and may be the key of a map.
type Code struct {
	Kind   Kind
	Number uint64
}

// String returns the code as it is printed, or words for what is none, such as the zero Code.
func (c Code) String() string {
	if !c.formattable() {
		return fmt.Sprintf("%v number %d", c.Kind, c.Number)
	}
	return Format(c.Kind, c.Number)
}

func (c Code) formattable() bool { return c.Kind.known() && c.Number <= MaxNumber }

// numerals are the digits of a number: base 36 without I and O, which people take for 1 and 0.
const numerals = "0123456789ABCDEFGHJKLMNPQRSTUVWXYZ"

const (
	leastDigits = 3
	mostDigits  = 7
	shortest    = 1 + leastDigits + 1
	longest     = 1 + mostDigits + 1
)

// MaxNumber is the greatest number of a code: 34^7 - 1. The bound keeps every code shorter than the shortest code twice
// in a row, so that a payload the reader has doubled is never itself a code.
const MaxNumber = 34*34*34*34*34*34*34 - 1

// Format returns the code of a thing: letter, number with at least three digits, check character. It panics on a kind
// that does not exist and on a number above MaxNumber: counters cannot get there in the life of a shop.
func Format(k Kind, n uint64) string {
	if c := (Code{k, n}); !c.formattable() {
		panic(fmt.Sprintf("code: there is no code for %v", c))
	}
	var b [longest]byte
	i := len(b) - 1
	for digits := 0; n > 0 || digits < leastDigits; digits++ {
		i--
		b[i] = numerals[n%uint64(len(numerals))]
		n /= uint64(len(numerals))
	}
	i--
	b[i] = byte(k)
	b[len(b)-1] = Check(string(b[i : len(b)-1]))
	return string(b[i:])
}
