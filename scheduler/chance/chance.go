// Package chance gives numbers that look random and are not: the same seed and the same name give the same number, in every
// process and on every machine. It is what lets two floors be compared on the same luck, and a simulation be played again.
// It is not for secrets.
package chance

import "math"

// golden is the increment of SplitMix64 (G. L. Steele, D. Lea, C. H. Flood, Fast splittable pseudorandom number generators,
// OOPSLA 2014): 2^64 by the golden ratio, made odd.
const golden = 0x9e3779b97f4a7c15

// Stream is a sequence of numbers: SplitMix64.
type Stream struct{ state uint64 }

// New returns the stream of a seed.
func New(seed uint64) *Stream { return &Stream{state: seed} }

// Uint64 returns the next number, all 64 bits alike.
func (s *Stream) Uint64() uint64 {
	s.state += golden
	return mix(s.state)
}

func mix(z uint64) uint64 {
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	return z ^ (z >> 31)
}

// Uniform returns the next number as one strictly between 0 and 1.
func (s *Stream) Uniform() float64 { return unit(s.Uint64()) }

// unit keeps 52 bits and adds half a step, so that neither 0 nor 1 comes out and the mean is 1/2.
func unit(x uint64) float64 { return (float64(x>>12) + 0.5) * 0x1p-52 }

// Float returns the next number as one of [0, 1).
func (s *Stream) Float() float64 { return float64(s.Uint64()>>11) / (1 << 53) }

// Below returns the next number as one of [0, n), n > 0. The bias of the multiplication is n/2^32, of no account in a search.
func (s *Stream) Below(n int) int { return int(s.Uint64() >> 32 * uint64(n) >> 32) }

// Normal returns the next numbers as one of the standard normal distribution (Box and Muller 1958).
func (s *Stream) Normal() float64 {
	u := 1 - s.Float()
	return math.Sqrt(-2*math.Log(u)) * math.Cos(2*math.Pi*s.Float())
}

// Exponential returns the next number as one of the exponential distribution with that mean.
func (s *Stream) Exponential(mean float64) float64 { return -mean * math.Log(s.Uniform()) }

// Key is a name for a number, made up part by part.
type Key uint64

// Of returns the key of a seed.
func Of(seed uint64) Key { return Key(mix(seed + golden)) }

// Word adds a word. Words are told apart by where they begin, too: "ab" and "c" is another name than "a" and "bc".
func (k Key) Word(w string) Key {
	h := uint64(k) ^ uint64(len(w))*golden
	for i := range len(w) {
		h = (h ^ uint64(w[i])) * 0x100000001b3 // FNV-1a, with the key as its offset
	}
	return Key(mix(h + golden))
}

// Number adds a number.
func (k Key) Number(n uint64) Key { return Key(mix((uint64(k) ^ mix(n+golden)) + golden)) }

// Uniform returns the number of that name, strictly between 0 and 1.
func (k Key) Uniform() float64 { return unit(mix(uint64(k) + golden)) }

// Stream returns the stream of that name.
func (k Key) Stream() *Stream { return New(uint64(k)) }
