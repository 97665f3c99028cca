package main

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"maps"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

func root(t *testing.T) string {
	t.Helper()
	dir, err := moduleRoot(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// Every mutant still finds the text that it changes, and nothing is left of the old ones.
func TestMutantsFit(t *testing.T) {
	files, err := overlay(root(t), mutants)
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]bool{}
	for _, m := range mutants {
		if names[m.name] || m.name == "" || m.breaks == "" {
			t.Errorf("mutant %q has a name that another has, or lacks a word on what it breaks", m.name)
		}
		names[m.name] = true
		if !bytes.Contains(files[m.file], fmt.Appendf(nil, "mutantIs(%q)", m.name)) {
			t.Errorf("mutant %s is not in %s", m.name, m.file)
		}
	}
}

// The packages with all mutants in them are sound Go. The packages that they import are as the go command has them.
func TestMutantsCompile(t *testing.T) {
	dir := root(t)
	files, err := overlay(dir, mutants)
	if err != nil {
		t.Fatal(err)
	}
	folders := map[string]bool{}
	for file := range files {
		folders["./"+path.Dir(file)] = true
	}
	args := []string{"list", "-deps", "-export", "-f", "{{.ImportPath}}\t{{.Export}}\t{{.Dir}}\t{{join .GoFiles \" \"}}"}
	list := exec.CommandContext(t.Context(), "go", slices.AppendSeq(args, maps.Keys(folders))...) //nolint:gosec // our own arguments
	list.Dir = dir
	said, err := list.Output()
	if err != nil {
		t.Fatalf("list the packages that are mutated: %v", err)
	}
	exports, sources := map[string]string{}, map[string][]string{}
	for line := range strings.Lines(string(said)) {
		f := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		exports[f[0]] = f[1]
		if below, err := filepath.Rel(dir, f[2]); err == nil && folders["./"+filepath.ToSlash(below)] {
			sources[f[0]] = []string{filepath.ToSlash(below)}
			sources[f[0]] = append(sources[f[0]], strings.Fields(f[3])...)
		}
	}
	if len(sources) != len(folders) {
		t.Fatalf("the go command knows %d of %d packages that are mutated", len(sources), len(folders))
	}
	for name, source := range sources {
		check(t, dir, name, source[0], source[1:], files, exports)
	}
}

func check(t *testing.T, dir, name, folder string, own []string, files map[string][]byte, exports map[string]string) {
	t.Helper()
	set := token.NewFileSet()
	var parsed []*ast.File
	for _, file := range append(slices.Clone(own), chooser) {
		below := path.Join(folder, file)
		text, changed := files[below]
		if !changed {
			var err error
			if text, err = os.ReadFile(filepath.Join(dir, filepath.FromSlash(below))); err != nil {
				t.Fatal(err)
			}
		}
		f, err := parser.ParseFile(set, below, text, parser.SkipObjectResolution)
		if err != nil {
			t.Errorf("with its mutants: %v", err)
			return
		}
		parsed = append(parsed, f)
	}
	conf := types.Config{
		Importer: importer.ForCompiler(set, "gc", func(path string) (io.ReadCloser, error) { return os.Open(exports[path]) }),
		Error:    func(err error) { t.Errorf("with its mutants: %v", err) },
	}
	conf.Check(name, set, parsed, nil) //nolint:errcheck // Error has said it
}

func TestEdited(t *testing.T) {
	const source = "a := 1\nb := 2\nc := 2\n"
	for _, test := range []struct {
		what string
		list []mutant
		want string // of the text, or of the error
	}{
		{"one", []mutant{{name: "x", old: "a := 1", new: "a := f(MUTANT)"}}, "a := f(mutantIs(\"x\"))\nb := 2\nc := 2\n"},
		{"two, the later one first", []mutant{{name: "x", old: "c := 2", new: "c := MUTANT"}, {name: "y", old: "b := 2", new: "b := MUTANT"}}, "a := 1\nb := mutantIs(\"y\")\nc := mutantIs(\"x\")\n"},
		{"gone", []mutant{{name: "x", old: "d := 1", new: "MUTANT"}}, "0 times"},
		{"twice there", []mutant{{name: "x", old: ":= 2", new: "MUTANT"}}, "2 times"},
		{"always in force", []mutant{{name: "x", old: "a := 1", new: "a := 2"}}, "does not ask for MUTANT"},
		{"overlapping", []mutant{{name: "x", old: "a := 1\nb", new: "MUTANT"}, {name: "y", old: "b := 2", new: "MUTANT"}}, "change the same text"},
	} {
		got, err := edited("f.go", []byte(source), test.list)
		if err != nil {
			got = []byte(err.Error())
		}
		if string(got) != test.want && (err == nil || !strings.Contains(string(got), test.want)) {
			t.Errorf("%s: %q, want %q", test.what, got, test.want)
		}
	}
}

func TestRead(t *testing.T) {
	for _, test := range []struct {
		text string
		want result
		err  bool
	}{
		{"seeds from 1\n2000 days, 0 broken: 7 hours\n", result{days: 2000}, false},
		{"seeds from 1\nseed 7: run-3 began twice\nmore of it: 5\n7 days, 1 broken: 7 hours\n", result{seed: 7, days: 7, says: "run-3 began twice"}, false},
		{"seed 9: late\nseed 7: early\n9 days, 2 broken: 7 hours\n", result{seed: 7, days: 9, says: "early"}, false},
		{"seeds from 1\npanic: out of memory\n", result{}, true},
		{"7 days, 1 broken: 7 hours\n", result{}, true},
	} {
		var got result
		if err := got.read(test.text); (err != nil) != test.err || err == nil && got != test.want {
			t.Errorf("%q gives %+v and %v, want %+v", test.text, got, err, test.want)
		}
	}
}

// A few mutants of which the first days tell are built and found, and the product as it is holds on the same days. The command
// plays all of them.
func TestSomeAreFound(t *testing.T) {
	if testing.Short() {
		t.Skip("builds a program")
	}
	dir := t.TempDir()
	h := hunter{program: filepath.Join(dir, "hunt"), workers: 1}
	if err := build(t.Context(), root(t), dir, h.program, mutants); err != nil {
		t.Fatal(err)
	}
	const days = 40
	r, err := h.hunt(t.Context(), "", days)
	if err != nil || r.seed != 0 || r.days != days {
		t.Fatalf("the product as it is: %v, %v", r, err)
	}
	for _, name := range []string{"old-fence", "greeted-for-ever", "grant-before-commit"} {
		if r, err := h.hunt(t.Context(), name, days); err != nil || r.seed == 0 || r.cpu <= 0 || r.cpu > time.Minute {
			t.Errorf("%s: %v, %v", name, r, err)
		}
	}
}
