package xjdf

import (
	"crypto/sha256"
	"encoding/hex"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// umPerPoint converts: a point is 1/72 inch, an inch 25,400 micrometres.
const umPerPoint = 25_400.0 / 72

func um(points float64) int64 { return int64(math.Round(points * umPerPoint)) }

// xmlFloat is xs:float without NaN and the infinities, which are no measure of anything.
var xmlFloat = regexp.MustCompile(`^[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?$`)

// pdfNumber is a number of ISO 32000-1 section 7.3.3: no exponent.
var pdfNumber = regexp.MustCompile(`^[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)$`)

// maxNumber bounds every number, far above any length in points or micrometres.
const maxNumber = 1e9

// number reads a finite number of that form; the text says what is wrong, or is empty.
func number(s string, form *regexp.Regexp) (v float64, wrong string) {
	if !form.MatchString(s) {
		return 0, yamlfile.Quote(s) + " is not a number"
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.Abs(v) > maxNumber {
		return 0, yamlfile.Quote(s) + " is beyond any measure"
	}
	return v, ""
}

// numbers reads a list of numbers separated by white space, of a length from least to most.
func numbers(s string, least, most int) (list []float64, wrong string) {
	fields := strings.Fields(s)
	if len(fields) < least || len(fields) > most {
		want := strconv.Itoa(least)
		if most > least {
			want += " or " + strconv.Itoa(most)
		}
		return nil, yamlfile.Quote(s) + " has " + count(len(fields), "number") + ", not " + want
	}
	for _, f := range fields {
		v, wrong := number(f, xmlFloat)
		if wrong != "" {
			return nil, wrong
		}
		list = append(list, v)
	}
	return list, ""
}

// instant reads xs:dateTime with an offset; without one it would be another time in every zone.
func instant(s string) (t time.Time, wrong string) {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return t, yamlfile.Quote(s) + " is not a time with an offset: write it like 2026-03-05T16:00:00+01:00"
	}
	if t.Year() < 1970 || t.Year() > 9000 {
		return t, yamlfile.Quote(s) + " is beyond any date"
	}
	return t, ""
}

// makeID turns a name into an id: lower case, dashes for what no id may have, cut to 63 bytes with part of a hash, so that
// long names stay apart. Empty if nothing is left.
func makeID(name string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(name) {
		if r < 'a' && (r < '0' || r > '9') || r > 'z' {
			r = '-'
		}
		b.WriteByte(byte(r))
	}
	id := strings.Trim(b.String(), "-")
	if len(id) > 63 {
		sum := sha256.Sum256([]byte(name))
		id = strings.TrimRight(id[:54], "-") + "-" + hex.EncodeToString(sum[:4])
	}
	if !tandemv1.ValidID(id) {
		return ""
	}
	return id
}

// plain makes a name fit to be stored and shown: no control characters, at most max bytes.
func plain(s string, most int) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, s)
	for len(s) > most {
		_, size := utf8.DecodeLastRuneInString(s)
		s = s[:len(s)-size]
	}
	return strings.TrimSpace(s)
}
