package signal

import (
	"bytes"
	"encoding/json"
	"math"
	"strconv"
	"strings"

	"tandem/drivers"
)

// value is what one message says.
type value int

const (
	unknown value = iota
	idle
	running
	fault
	dark // a lamp is not lit
)

const longestPayload = 64 << 10 // bytes

// source is one topic and how its messages are read.
type source struct {
	topic string
	name  string           // of the setting that names it
	field []string         // of JSON; nil: the whole message is the word
	words map[string]value // in lower case
	away  map[string]bool  // words that say that the sensor is away

	number      bool    // numbers count, too
	from, below float64 // running from, idle below
}

// add notes the words of a setting.
func (s *source) add(v *drivers.Values, name string, means value) {
	for _, word := range v.List(name) {
		word = strings.ToLower(word)
		if known, ok := s.words[word]; ok && known != means {
			v.Fail(name, "the word "+word+" has another meaning already: write each word once")
		}
		s.words[word] = means
	}
}

func (s *source) lost(v *drivers.Values, words []string) {
	s.away = map[string]bool{}
	for _, word := range words {
		word = strings.ToLower(word)
		if _, ok := s.words[word]; ok {
			v.Fail("lost", "the word "+word+" has another meaning already: write each word once")
		}
		s.away[word] = true
	}
}

func path(field string) []string {
	if field == "" {
		return nil
	}
	return strings.Split(field, ".")
}

// read returns what a message says; last is what the one before said. It reports false for a message that says nothing that
// the settings know.
func (s *source) read(payload []byte, last value) (value, bool) {
	if len(payload) > longestPayload {
		return unknown, false
	}
	text := string(payload)
	if s.field != nil {
		// A last will is a plain word, or the same object.
		if s.away[strings.ToLower(strings.TrimSpace(text))] {
			return unknown, true
		}
		var ok bool
		if text, ok = pick(payload, s.field); !ok {
			return unknown, false
		}
	}
	text = strings.ToLower(strings.TrimSpace(text))
	if s.away[text] {
		return unknown, true
	}
	if v, ok := s.words[text]; ok {
		return v, true
	}
	if !s.number {
		return unknown, false
	}
	n, err := strconv.ParseFloat(text, 64)
	switch {
	case err != nil || math.IsNaN(n) || math.IsInf(n, 0):
		return unknown, false
	case n >= s.from:
		return running, true
	case n < s.below:
		return idle, true
	}
	return last, true // between the two it is as it was
}

// pick returns a text, number or boolean inside JSON, as it is written there.
func pick(payload []byte, field []string) (string, bool) {
	decoder := json.NewDecoder(bytes.NewReader(payload))
	decoder.UseNumber()
	var v any
	if err := decoder.Decode(&v); err != nil || decoder.More() {
		return "", false
	}
	for _, name := range field {
		switch in := v.(type) {
		case map[string]any:
			v = in[name]
		case []any:
			i, err := strconv.Atoi(name)
			if err != nil || i < 0 || i >= len(in) {
				return "", false
			}
			v = in[i]
		default:
			return "", false
		}
	}
	switch v := v.(type) {
	case string:
		return v, true
	case json.Number:
		return v.String(), true
	case bool:
		return strconv.FormatBool(v), true
	}
	return "", false
}
