package drivers

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"tandem/proto/yamlfile"
)

// Setting describes a setting of a kind of driver.
type Setting struct {
	Name    string
	Default string // as a person would write it; empty: nothing
	Help    string // one line: meaning, unit, range
}

// Values are settings being read. A reading method whose value is wrong returns a zero value and notes the error, so
// that a driver reads everything first and then asks Err once.
type Values struct {
	values map[string]string
	errs   []error
}

// ReadSettings lays given settings over the defaults of the known ones. A setting that is not known is an error.
func ReadSettings(known []Setting, given map[string]string) *Values {
	v := &Values{values: make(map[string]string, len(known))}
	names := make([]string, 0, len(known))
	for _, s := range known {
		v.values[s.Name] = s.Default
		names = append(names, s.Name)
	}
	for _, name := range slices.Sorted(maps.Keys(given)) {
		if _, ok := v.values[name]; !ok {
			v.errs = append(v.errs, unknownSetting(name, names))
			continue
		}
		v.values[name] = strings.TrimSpace(given[name])
	}
	return v
}

func unknownSetting(name string, known []string) error {
	if near := yamlfile.Nearest(name, known); near != "" {
		return fmt.Errorf("setting %q is not known; did you mean %q?", name, near)
	}
	if len(known) == 0 {
		return fmt.Errorf("setting %q is not known: this kind of driver has none", name)
	}
	return fmt.Errorf("setting %q is not known; there are %s", name, strings.Join(known, ", "))
}

// Err returns everything that was wrong, or nil.
func (v *Values) Err() error { return errors.Join(v.errs...) }

// Fail notes what a driver itself finds wrong with a setting: what it is, and the remedy.
func (v *Values) Fail(name, remedy string) {
	v.errs = append(v.errs, fmt.Errorf("setting %s is %q: %s", name, v.values[name], remedy))
}

// String returns a setting as it was written. It panics if the kind has no such setting.
func (v *Values) String(name string) string {
	value, ok := v.values[name]
	if !ok {
		panic("drivers: setting " + name + " is read and not declared")
	}
	return value
}

// List returns the parts between commas, without blanks and empty parts.
func (v *Values) List(name string) []string {
	var out []string
	for part := range strings.SplitSeq(v.String(name), ",") {
		if part = strings.TrimSpace(part); part != "" {
			out = append(out, part)
		}
	}
	return out
}

// Duration returns a duration from least to most.
func (v *Values) Duration(name string, least, most time.Duration) time.Duration {
	d, err := time.ParseDuration(v.String(name))
	if err != nil || d < least || d > most {
		v.Fail(name, fmt.Sprintf("write a duration from %s to %s, such as 90s or 1h30m", least, most))
		return 0
	}
	return d
}

// Float returns a number from least to most.
func (v *Values) Float(name string, least, most float64) float64 {
	f, err := strconv.ParseFloat(v.String(name), 64)
	if err != nil || !(f >= least && f <= most) {
		v.Fail(name, fmt.Sprintf("write a number from %g to %g", least, most))
		return 0
	}
	return f
}

// Int returns a whole number from least to most.
func (v *Values) Int(name string, least, most int64) int64 {
	n, err := strconv.ParseInt(v.String(name), 10, 64)
	if err != nil || n < least || n > most {
		v.Fail(name, fmt.Sprintf("write a whole number from %d to %d", least, most))
		return 0
	}
	return n
}

// Bool returns true or false.
func (v *Values) Bool(name string) bool {
	b, err := strconv.ParseBool(v.String(name))
	if err != nil {
		v.Fail(name, "write true or false")
	}
	return b
}
