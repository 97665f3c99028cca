package main

import (
	"bytes"
	"image/png"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func TestLabelFiles(t *testing.T) {
	f := newFake(t)
	dir := t.TempDir()
	code, stdout, stderr := f.tandem(t, "label", "--devices", "--cards", "--stock", "62", "--dpi", "300", "--pdf", filepath.Join(dir, "codes.pdf"), "--png", filepath.Join(dir, "codes.png"))
	if code != exitOK || stdout != "" {
		t.Fatalf("exit %d: %s%s", code, stdout, stderr)
	}
	files, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, file := range files {
		names = append(names, filepath.Base(file))
		if !strings.Contains(stderr, file+": drawn") {
			t.Errorf("not a word about %s in:\n%s", file, stderr)
		}
	}
	// Two devices and a command: a page each.
	if want := []string{"codes-1.png", "codes-2.png", "codes-3.png", "codes.pdf"}; !slices.Equal(names, want) {
		t.Fatalf("wrote %v, want %v", names, want)
	}
	data, err := os.ReadFile(filepath.Join(dir, "codes-1.png"))
	if err != nil {
		t.Fatal(err)
	}
	// 62 mm at 300 dots per inch.
	if img, err := png.Decode(bytes.NewReader(data)); err != nil || img.Bounds().Dx() != 732 {
		t.Errorf("picture: %v, want 732 dots across", err)
	}
	code, stdout, stderr = f.tandem(t, "label", "shop-window", "--pdf", "-")
	if code != exitOK || !strings.HasPrefix(stdout, "%PDF-") || !strings.HasSuffix(stdout, "%%EOF\n") {
		t.Errorf("exit %d, %d bytes: %s", code, len(stdout), stderr)
	}
	if code, again, _ := f.tandem(t, "label", "shop-window", "--pdf", "-"); code != exitOK || again != stdout {
		t.Error("the same labels, other bytes")
	}
}

func TestLabelRefuses(t *testing.T) {
	for _, tt := range []struct {
		args []string
		exit int
		want string
	}{
		{nil, exitUsage, "name a job, or say what to print the codes of"},
		{[]string{"shop-window", "--stock", "a5"}, exitUsage, "choose from 100x50"},
		{[]string{"shop-window", "--dpi", "72"}, exitUsage, "choose from 203 300 600"},
		{[]string{"shop-window", "--code", "aztec"}, exitUsage, "choose from datamatrix and qr"},
		{[]string{"shop-window", "--png", "-"}, exitUsage, "give the name of a file"},
		{[]string{"shop-window", "--pdf", ""}, exitUsage, "or - for standard output"},
		{[]string{"shop-window", "--pdf", "-", "--json"}, exitUsage, "give --pdf a file"},
		{[]string{"--devices", "--reference", "order"}, exitUsage, "--reference belongs to travelers"},
		{[]string{"shop-window", "p9"}, exitUsage, "it has p1"},
		{[]string{"shop-window", "--stock", "a4-3x7"}, exitUsage, "too small for a traveler"},
		{[]string{"nothing"}, exitNotFound, `there is no job "nothing"`},
		{[]string{"--devices", "cutter-9"}, exitUsage, `there is no "cutter-9" among them`},
		{[]string{"--rolls", "--skip", "8"}, exitUsage, "give 0 to 7"},
	} {
		code, stdout, stderr := newFake(t).tandem(t, append([]string{"label"}, tt.args...)...)
		if code != tt.exit || stdout != "" || !strings.Contains(stderr, tt.want) {
			t.Errorf("%v: exit %d, want %d with %q:\n%s%s", tt.args, code, tt.exit, tt.want, stdout, stderr)
		}
	}
	f := newFake(t)
	s, _, errs := f.surroundings("label", "shop-window", "--pdf", "-")
	s.outIsTerminal = true
	if code := run(t.Context(), s); code != exitUsage || !strings.Contains(errs.String(), "standard output is a terminal") {
		t.Errorf("a PDF for a terminal: exit %d: %s", code, errs)
	}
}

func TestLabelSaysWhatTheFontsLack(t *testing.T) {
	f := newFake(t)
	f.jobs[0].DisplayName = "秋の窓"
	code, stdout, stderr := f.tandem(t, "label", f.jobs[0].GetId(), "--reference", "docket")
	if code != exitOK || !strings.Contains(stdout, "□□□") || !strings.Contains(stderr, "the fonts lack 3 characters") || !strings.Contains(stderr, `has no label "docket"`) {
		t.Errorf("exit %d:\n%s%s", code, stdout, stderr)
	}
}

func TestLabelSlotsOfARack(t *testing.T) {
	f := newFake(t)
	for _, name := range []string{"rack-1", "rack-1/upper-left", "r0005"} {
		code, stdout, stderr := f.tandem(t, "label", "--slots", "--quiet", name)
		if code != exitOK || stdout != "R0005\n" {
			t.Errorf("%s: exit %d: %s%s", name, code, stdout, stderr)
		}
	}
}
