package folder

import (
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	driverv1 "tandem/proto/tandem/driver/v1"
)

// TestSafeName holds what Microsoft's "Naming Files, Paths, and Namespaces" says of names.
func TestSafeName(t *testing.T) {
	for in, want := range map[string]string{
		"P0015-r1.plt":   "P0015-r1.plt",
		`a<b>c:d"e/f\g|`: "a_b_c_d_e_f_g_",
		"what?*":         "what__",
		"a\x00b\nc":      "a_b_c",
		"trailing. . ":   "trailing",
		"CON":            "_CON",
		"con.plt":        "_con.plt",
		"COM1.tar.gz":    "_COM1.tar.gz",
		"LPT².plt":       "_LPT².plt",
		"COM10.plt":      "COM10.plt",
		"CONTOUR.plt":    "CONTOUR.plt",
		"NUL .plt":       "_NUL.plt",
		"":               "_",
		"..":             "_",
		".hidden":        "_.hidden",
		"Möwe groß.plt":  "Möwe groß.plt",
	} {
		if got := safeName(in); got != want {
			t.Errorf("%q becomes %q, want %q", in, got, want)
		}
	}
	if got := safeName(strings.Repeat("ö", 200) + ".plt"); len(got) > longestName || !utf8.ValidString(got) || !strings.HasSuffix(got, "ö.plt") {
		t.Errorf("a long name becomes %q", got)
	}
}

// FuzzName: whatever a ticket calls its file and its panels, the name that is dropped is one that every system takes.
func FuzzName(f *testing.F) {
	f.Add("{panel}-{run}{ext}", "P0015", "gull.plt")
	f.Add("{file}", `..\..\con`, "COM1.a.b")
	f.Add("{base}.{ext}", "", "../../etc/passwd")
	f.Add("{panel}", "\xff\xfe ", "aux ")
	f.Fuzz(func(t *testing.T, pattern, panel, file string) {
		name, err := expand(pattern, values("cutter-1", &driverv1.Grant{Run: "r1", PanelCodes: []string{panel}}, baseOf(file)))
		if err != nil {
			return
		}
		name = safeName(name)
		first, _, _ := strings.Cut(name, ".")
		switch {
		case name == "" || len(name) > longestName+1 || !utf8.ValidString(name) || clean(name) != name:
			t.Errorf("%q", name)
		case filepath.Base(name) != name || !filepath.IsLocal(name) || strings.HasPrefix(name, "."):
			t.Errorf("%q is no plain name", name)
		case strings.TrimRight(name, ". ") != name || strings.TrimLeft(name, " ") != name:
			t.Errorf("%q has a dot or a blank at an end", name)
		case reserved(strings.TrimRight(first, " ")):
			t.Errorf("%q is a device on Windows", name)
		case safeName(name) != name:
			t.Errorf("%q becomes %q", name, safeName(name))
		}
	})
}

func baseOf(file string) string {
	return file[strings.LastIndexAny(file, `/\`)+1:]
}

func TestSigns(t *testing.T) {
	g := &driverv1.Grant{Run: "r1", Job: "job-1", Step: "cut", PanelCodes: []string{"P0015", "P0023"}}
	value := withName(values("cutter-1", g, "gull [1].plt"), "P0015-r1.plt")
	root := t.TempDir()
	for _, test := range []struct {
		pattern, dir, name string
		want               bool
	}{
		{"{stem}.done", root, "P0015-r1.done", true},
		{"{stem}.done", root, "p0015-R1.DONE", true},
		{"{stem}*.log", root, "P0015-r1 2026.log", true},
		{"{stem}*.log", root, "P0015-r2.log", false},
		{"{file}", root, "gull [1].plt", true}, // no class of letters
		{"{file}", root, "gull 1.plt", false},
		{"out/{name}", filepath.Join(root, "out"), "P0015-r1.plt", true},
		{`out\{name}`, filepath.Join(root, "out"), "P0015-r1.plt", true},
		{"../out/{job}-{step}", filepath.Join(filepath.Dir(root), "out"), "job-1-cut", true},
		{"/elsewhere/{panel}.ok", "/elsewhere", "P0015.ok", true},
	} {
		s, err := newSign(test.pattern, root, value)
		if err != nil {
			t.Fatal(err)
		}
		if s.Dir != test.dir || s.matches(test.name) != test.want {
			t.Errorf("%s: in %s, %q: %v, want in %s, %v", test.pattern, s.Dir, test.name, s.matches(test.name), test.dir, test.want)
		}
	}
	for _, bad := range []string{"{nmae}", "{name", "name}", "out/", "{job}/x", "[a"} {
		if _, err := newSign(bad, root, value); err == nil {
			t.Errorf("%s is taken", bad)
		}
	}
}
