package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// variable is the environment's variable that chooses a mutant.
const variable = "FAULTSIM_MUTANT"

// here stands in a mutant's new text for "this mutant is in force".
const here = "MUTANT"

// chooser is a file that is added to each package that is mutated.
const chooser = "zz_mutant_chosen.go"

const chooserText = `package %s

import "os"

var mutantChosen = os.Getenv(%q)

func mutantIs(name string) bool { return mutantChosen == name }
`

// edit is one mutant's change of a file.
type edit struct {
	mutant   string
	from, to int // bytes of the source
	text     string
}

// edited returns a source with all its mutants in it. Each old text must be there exactly once, and no two may overlap.
func edited(file string, source []byte, list []mutant) ([]byte, error) {
	var edits []edit
	for _, m := range list {
		if n := bytes.Count(source, []byte(m.old)); n != 1 {
			return nil, fmt.Errorf("mutant %s: its old text is %d times in %s, and must be there once: the product has changed, so must the mutant",
				m.name, n, file)
		}
		if !strings.Contains(m.new, here) {
			return nil, fmt.Errorf("mutant %s: its new text does not ask for %s", m.name, here)
		}
		from := bytes.Index(source, []byte(m.old))
		edits = append(edits, edit{m.name, from, from + len(m.old), strings.ReplaceAll(m.new, here, fmt.Sprintf("mutantIs(%q)", m.name))})
	}
	slices.SortFunc(edits, func(a, b edit) int { return cmp.Compare(a.from, b.from) })
	var out []byte
	at := 0
	for i, e := range edits {
		if e.from < at {
			return nil, fmt.Errorf("mutants %s and %s change the same text of %s", edits[i-1].mutant, e.mutant, file)
		}
		out = append(append(out, source[at:e.from]...), e.text...)
		at = e.to
	}
	return append(out, source[at:]...), nil
}

var packageClause = regexp.MustCompile(`(?m)^package (\w+)`)

// overlay returns the changed and added files of a set of mutants, by their paths below the module's root.
func overlay(root string, list []mutant) (map[string][]byte, error) {
	byFile := map[string][]mutant{}
	for _, m := range list {
		byFile[m.file] = append(byFile[m.file], m)
	}
	out := map[string][]byte{}
	for file, own := range byFile {
		source, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(file)))
		if err != nil {
			return nil, fmt.Errorf("mutant %s: %w", own[0].name, err)
		}
		if out[file], err = edited(file, source, own); err != nil {
			return nil, err
		}
		name := packageClause.FindSubmatch(source)
		if name == nil {
			return nil, fmt.Errorf("%s has no package clause", file)
		}
		out[path.Join(path.Dir(file), chooser)] = fmt.Appendf(nil, chooserText, name[1], variable)
	}
	return out, nil
}

// build makes the program that hunts, with all mutants in it.
func build(ctx context.Context, root, dir, program string, list []mutant) error {
	files, err := overlay(root, list)
	if err != nil {
		return err
	}
	replace := map[string]string{}
	for file, text := range files {
		copied := filepath.Join(dir, strings.ReplaceAll(file, "/", "-"))
		if err := os.WriteFile(copied, text, 0o600); err != nil {
			return err
		}
		replace[filepath.Join(root, filepath.FromSlash(file))] = copied
	}
	text, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		return fmt.Errorf("write the overlay: %w", err)
	}
	name := filepath.Join(dir, "overlay.json")
	if err := os.WriteFile(name, text, 0o600); err != nil {
		return err
	}
	make := exec.CommandContext(ctx, "go", "build", "-overlay", name, "-o", program, "./daemon/faultsim/hunt") //nolint:gosec // our own arguments
	make.Dir = root
	if said, err := make.CombinedOutput(); err != nil {
		return fmt.Errorf("build the mutants: %w\n%s", err, said)
	}
	return nil
}
