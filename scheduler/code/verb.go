package code

import "fmt"

// Verb is what a command code asks for: the number of a code of kind Command. The numbers are printed on the floor's
// command cards and never change their meaning.
type Verb uint64

// The verbs.
const (
	Start   Verb = 1 // let the run begin; the person stands at the device
	Done    Verb = 2 // the work on a device without a data port has ended
	Spoiled Verb = 3 // pieces came out bad
	Remake  Verb = 4 // make the bad pieces again
	Where   Verb = 5 // show where something is and what comes next
	Clear   Verb = 6 // forget the half-finished entry
	Undo    Verb = 7 // take back the last change of the station
)

// Verbs returns every verb, in the order of their numbers.
func Verbs() []Verb { return []Verb{Start, Done, Spoiled, Remake, Where, Clear, Undo} }

// String returns the verb in one word.
func (v Verb) String() string {
	switch v {
	case Start:
		return "start"
	case Done:
		return "done"
	case Spoiled:
		return "spoiled"
	case Remake:
		return "remake"
	case Where:
		return "where"
	case Clear:
		return "clear"
	case Undo:
		return "undo"
	}
	return fmt.Sprintf("verb %d", uint64(v))
}

// Code returns the code on the verb's command card.
func (v Verb) Code() Code { return Code{Kind: Command, Number: uint64(v)} }

// Verb returns what a command code asks for; false for other kinds and for numbers without a meaning.
func (c Code) Verb() (Verb, bool) {
	v := Verb(c.Number)
	return v, c.Kind == Command && v >= Start && v <= Undo
}
