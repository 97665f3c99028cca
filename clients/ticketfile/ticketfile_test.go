package ticketfile

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/xjdf"
	"tandem/proto/yamlfile"
)

func TestFormatOf(t *testing.T) {
	for name, want := range map[string]Format{
		"a.yaml": YAML, "a.YML": YAML, "a.json": JSON, "a.xjdf": XJDF, "a.XML": XML, "a.svg": None, "yaml": None, "": None, `c:\in\a.yaml`: YAML, "a.yaml.tmp": None,
	} {
		if got := FormatOf(name); got != want {
			t.Errorf("%s has the format %d, want %d", name, got, want)
		}
	}
}

const goodXJDF = `<XJDF xmlns="` + xjdf.Namespace + `" JobID="pier" Types="ShapeCutting">
<ResourceSet Name="Media" Usage="Input"><Resource ExternalID="foil"><Media MediaType="Foil"/></Resource></ResourceSet>
<ResourceSet Name="Component" Usage="Output"><Resource><AmountPool><PartAmount Amount="5"/></AmountPool><Component Dimensions="72 36"/></Resource></ResourceSet>
</XJDF>`

func TestParse(t *testing.T) {
	for _, tt := range []struct {
		name, text string
		err        error // nil, ErrIncomplete, ErrOther or errBad: anything else
		problem    string
	}{
		{"a.yaml", "id: pier\n", nil, ""},
		{"a.yaml", "id: pier", nil, ""},
		{"a.json", `{"id":"pier"}`, nil, ""},
		{"a.xjdf", goodXJDF, nil, ""},
		{"a.xml", goodXJDF, nil, ""},
		{"a.xml", "<svg/>", ErrOther, ""},
		{"a.xjdf", "<svg/>", errBad, `svg: is not the root of a ticket`},
		{"a.xml", "<sv", ErrIncomplete, "line 1: not well-formed"},
		{"a.xml", goodXJDF[:300], ErrIncomplete, "not well-formed"},
		{"a.yaml", "", ErrIncomplete, "is empty"},
		{"a.yaml", "id: pier\npie", ErrIncomplete, "line 2"},
		{"a.yaml", "colour: red\n", errBad, `line 1, "colour": unknown key`},
		{"a.yaml", "colour: red", ErrIncomplete, "unknown key"},
		{"a.yaml", "id: [\n", ErrIncomplete, "not YAML"},
		{"a.json", `{"colour":1}`, errBad, "unknown key"},
		{"a.json", `{"colour":1`, ErrIncomplete, "not JSON"},
		{"a.json", strings.Repeat("[", 200) + strings.Repeat("]", 200), errBad, "nested deeper"},
		{"a.yaml", strings.Repeat("#", MaxSize+1), errBad, "is larger than 4 MiB"},
		{"a.xjdf", strings.Repeat(" ", MaxSize+1), errBad, "is larger than 4 MiB"},
	} {
		ticket, err := Parse(tt.name, []byte(tt.text), xjdf.Options{})
		head := tt.name + " " + tt.text[:min(len(tt.text), 20)]
		switch {
		case tt.err == nil:
			if err != nil || ticket.Job.GetId() != "pier" || (ticket.Report != nil) != (tt.text == goodXJDF) {
				t.Errorf("%s: %v, %v", head, ticket, err)
			}
			continue
		case err == nil:
			t.Errorf("%s: no error", head)
			continue
		}
		if errors.Is(err, ErrIncomplete) != errors.Is(tt.err, ErrIncomplete) || errors.Is(err, ErrOther) != errors.Is(tt.err, ErrOther) {
			t.Errorf("%s: %v: incomplete %v, other %v", head, err, errors.Is(err, ErrIncomplete), errors.Is(err, ErrOther))
		}
		if got := Problems(err)[0].String(); !strings.Contains(got, tt.problem) {
			t.Errorf("%s: %s, want %s", head, got, tt.problem)
		}
	}
}

var errBad = errors.New("bad")

func TestProblems(t *testing.T) {
	err := yamlfile.Join([]*yamlfile.Error{{File: "f", Line: 3, Field: "id", Problem: "is bad"}, {File: "f", Problem: "is empty"}})
	var got []string
	for _, p := range append(Problems(err), Problems(errors.New("no luck"))...) {
		got = append(got, p.String())
	}
	if want := "line 3, id: is bad|is empty|no luck"; strings.Join(got, "|") != want {
		t.Errorf("problems %q, want %q", got, want)
	}
}

// TestShared holds that a file that several items name is read and sent once, and its hash held for each.
func TestShared(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "a.svg"), []byte("<svg/>"), 0o666); err != nil {
		t.Fatal(err)
	}
	roots, err := OpenRoots(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer roots.Close()
	item := func(uri, sha string) *tandemv1.Item {
		return &tandemv1.Item{Cut: &tandemv1.Document{Uri: uri, Sha256: sha}}
	}
	found, err := roots.CutFiles(&tandemv1.Job{Items: []*tandemv1.Item{item("a.svg", ""), {}, item("a.svg", ""), item("a.svg", "00")}})
	if len(found.Files) != 1 || err == nil || !strings.HasPrefix(err.Error(), "items[3].cut.sha256: ") || strings.Contains(err.Error(), "\n") {
		t.Errorf("found %v, error %v", found, err)
	}
	withFigures := item("b.svg", "")
	withFigures.Contour = &tandemv1.Contour{Lines: 1, LengthUm: 1}
	found, err = roots.CutFiles(&tandemv1.Job{Items: []*tandemv1.Item{withFigures}})
	if err != nil || found.Absent != 1 || len(found.Notes) != 1 || !strings.Contains(found.Notes[0], "own figures") {
		t.Errorf("found %v, error %v", found, err)
	}
}

// FuzzCutFile holds that no name leads out of the folders.
func FuzzCutFile(f *testing.F) {
	for _, uri := range []string{
		"a.svg", "../secret", "..%2fsecret", "out/secret", "file:../secret", "file:///../secret", "file://localhost/x", "./a.svg", "a.svg/../../secret", "//secret", `..\secret`, "C:secret",
		"file:%2e%2e/secret", "out", "out/../secret", "loop", "\x00", "http://x", "%", "",
	} {
		f.Add(uri)
	}
	dir := f.TempDir()
	inside := filepath.Join(dir, "inside")
	err := errors.Join(os.Mkdir(inside, 0o777), os.WriteFile(filepath.Join(dir, "secret"), []byte("secret"), 0o666),
		os.WriteFile(filepath.Join(inside, "a.svg"), []byte("<svg/>"), 0o666))
	if err != nil {
		f.Fatal(err)
	}
	// Where links cannot be made there are none to follow.
	_ = os.Symlink("..", filepath.Join(inside, "out"))
	_ = os.Symlink("loop", filepath.Join(inside, "loop"))
	roots, err := OpenRoots(inside)
	if err != nil {
		f.Fatal(err)
	}
	defer roots.Close()
	f.Fuzz(func(t *testing.T, uri string) {
		for _, uri := range []string{uri, inside + "/" + uri, "file://" + inside + "/" + uri} {
			found, _ := roots.CutFiles(&tandemv1.Job{Items: []*tandemv1.Item{{Cut: &tandemv1.Document{Uri: uri}}}})
			for _, file := range found.Files {
				if string(file.GetContent()) != "<svg/>" {
					t.Errorf("%q was read: %q", uri, file.GetContent())
				}
			}
		}
	})
}
