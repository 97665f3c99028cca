package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestRun makes a folder of one instance with bounds and one without, and reads the tables.
func TestRun(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{
		"jsp/own/two.txt":  "2 2\n0 3 1 2\n1 4 0 1\n", // best: 6, machine 1 works for 2+4
		"jsp/own/free.txt": "1 1\n0 7\n",
		"bounds.csv":       "set,instance,jobs,machines,lb,ub\njsp/own,two,2,2,6,6\n",
	} {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, test := range []struct {
		args []string
		want []string // fields of lines, in this order; an error has one
	}{
		{[]string{"-set", "own"}, []string{"jsp/own/free 7 - 7 7.0 7 -", "jsp/own/two 6 6 6 6.0 6 0.00", "jsp/own 2 1 0.00 0.00 0.00 1 1"}},
		{[]string{"-set", "own", "-only", "summary"}, []string{"jsp/own 2 1 0.00 0.00 0.00 1 1"}},
		{[]string{"-set", "nowhere"}, []string{"-set nowhere: no instance"}},
		{[]string{"-solver", "luck"}, []string{"-solver luck: not known"}},
		{[]string{"-seeds", "0"}, []string{"-seeds and -cpu: use more than 0"}},
	} {
		var out strings.Builder
		err := run(append([]string{"-dir", dir, "-cpu", "20ms", "-seeds", "2"}, test.args...), &out)
		text := out.String()
		if err != nil {
			text = err.Error()
		}
		text = strings.Join(strings.Fields(text), " ")
		at := 0
		for _, want := range test.want {
			i := strings.Index(text[at:], want)
			if i < 0 {
				t.Errorf("%v: %q is not in %q", test.args, want, text)
				break
			}
			at += i
		}
	}
}

func TestBoundsRefused(t *testing.T) {
	for _, text := range []string{"a\nb\n", "set,instance,jobs,machines,lb,ub\na,b,1,1,x,2\n"} {
		if _, err := readBounds(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), "line 2") {
			t.Errorf("%q: %v", text, err)
		}
	}
}
