package drivers_test

import (
	"regexp"
	"strings"
	"testing"

	"tandem/drivers"
)

var grammar = regexp.MustCompile(`\A[a-z0-9][a-z0-9-]{0,62}\z`)

func TestValidID(t *testing.T) {
	for id, want := range map[string]bool{
		"a": true, "0": true, "cutter-1": true, "a-": true, "a--b": true, strings.Repeat("z", 63): true,
		"": false, "-a": false, strings.Repeat("z", 64): false, "Cutter": false, "a.b": false, "*": false, ">": false,
		"a b": false, "a/b": false, "../a": false, "=a()": false, "é": false, "a\n": false, "a\x00": false, "\x1b[31m": false,
	} {
		if got := drivers.ValidID(id); got != want {
			t.Errorf("ValidID(%q) = %t, want %t", id, got, want)
		}
	}
}

func FuzzValidID(f *testing.F) {
	for _, id := range []string{"", "a", "-a", "cutter-1", "a.b", "é", strings.Repeat("a", 64)} {
		f.Add(id)
	}
	f.Fuzz(func(t *testing.T, id string) {
		if got, want := drivers.ValidID(id), grammar.MatchString(id); got != want {
			t.Errorf("ValidID(%q) = %t, the grammar says %t", id, got, want)
		}
	})
}

func TestSubjects(t *testing.T) {
	for got, want := range map[string]string{
		drivers.HelloSubject("cutter-1"):  "tandem.v1.hello.cutter-1",
		drivers.StatusSubject("cutter-1"): "tandem.v1.status.cutter-1",
		drivers.OrderSubject("cutter-1"):  "tandem.v1.order.cutter-1",
	} {
		if got != want {
			t.Errorf("subject %q, want %q", got, want)
		}
	}
}

func BenchmarkValidID(b *testing.B) {
	for b.Loop() {
		drivers.ValidID("a-device-with-a-rather-long-name-1")
	}
}
