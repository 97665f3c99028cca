package filejob

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tandem/drivers"
	"tandem/drivers/filejob/filejobtest"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

func TestFiles(t *testing.T) {
	dir, other := t.TempDir(), t.TempDir()
	gull := filejobtest.Write(t, dir, "gull one.plt", []byte("gull"))
	filejobtest.Write(t, dir, "tern.plt", []byte("another tern"))
	tern := filejobtest.Write(t, other, "tern.plt", []byte("tern"))
	changed := filejobtest.Write(t, dir, "changed.plt", []byte("old"))
	filejobtest.Write(t, dir, "changed.plt", []byte("new"))
	if err := os.Symlink("/etc/hostname", filepath.Join(dir, "link.plt")); err != nil {
		t.Fatal(err)
	}
	at := func(d *tandemv1.Document, uri string) *tandemv1.Document {
		return &tandemv1.Document{Role: d.GetRole(), Uri: uri, Sha256: d.GetSha256()}
	}
	upper := at(gull, gull.GetUri())
	upper.Sha256 = strings.ToUpper(upper.GetSha256())
	files := Files{Folders: []string{dir, other}, Role: "cut"}
	several := files
	several.Several = true
	for _, test := range []struct {
		name   string
		files  Files
		docs   []*tandemv1.Document
		want   string
		reason string
		says   string
	}{
		{name: "by its name", files: files, docs: []*tandemv1.Document{gull}, want: "gull"},
		{name: "with escapes", files: files, docs: []*tandemv1.Document{at(gull, "gull%20one.plt")}, want: "gull"},
		{name: "file URI, RFC 8089", files: files, docs: []*tandemv1.Document{at(gull, "file://"+filepath.ToSlash(dir)+"/gull%20one.plt")}, want: "gull"},
		{name: "absolute", files: files, docs: []*tandemv1.Document{at(gull, filepath.Join(dir, "gull one.plt"))}, want: "gull"},
		{name: "the right one of two of that name", files: files, docs: []*tandemv1.Document{tern}, want: "tern"},
		{name: "other roles do not count", files: files, docs: []*tandemv1.Document{{Role: "artwork", Uri: "a.pdf"}, gull}, want: "gull"},
		{name: "the same twice", files: files, docs: []*tandemv1.Document{gull, gull}, want: "gull"},
		{name: "in order", files: several, docs: []*tandemv1.Document{tern, gull}, want: "terngull"},
		{name: "rehearsal", files: Files{Role: "cut", Rehearsal: true}},
		{name: "several", files: files, docs: []*tandemv1.Document{gull, tern}, reason: ReasonSeveral},
		{name: "none", files: files, reason: ReasonMissing},
		{name: "not there", files: files, docs: []*tandemv1.Document{at(gull, "heron.plt")}, reason: ReasonMissing, says: ": put it there"},
		{name: "absolute, elsewhere", files: files, docs: []*tandemv1.Document{at(gull, "file:///nowhere/gull%20one.plt")}, reason: ReasonMissing, says: "lies outside the folders "},
		{name: "outside", files: files, docs: []*tandemv1.Document{at(gull, "../gull one.plt")}, reason: ReasonMissing, says: "add its folder to the setting files, or hand the ticket in with a name below one of them"},
		{name: "elsewhere", files: files, docs: []*tandemv1.Document{at(gull, "https://example.org/gull.plt")}, reason: ReasonMissing},
		{name: "another computer's", files: files, docs: []*tandemv1.Document{at(gull, "file://example.org/gull.plt")}, reason: ReasonMissing},
		{name: "a link that leads out", files: files, docs: []*tandemv1.Document{at(gull, "link.plt")}, reason: ReasonUnreadable},
		{name: "a folder", files: Files{Folders: []string{filepath.Dir(dir)}, Role: "cut"}, docs: []*tandemv1.Document{at(gull, filepath.Base(dir))}, reason: ReasonUnreadable},
		{name: "changed since", files: files, docs: []*tandemv1.Document{changed}, reason: ReasonMismatch},
		{name: "hash in upper case is another hash", files: files, docs: []*tandemv1.Document{upper}, reason: ReasonMismatch},
		{name: "without a hash", files: files, docs: []*tandemv1.Document{{Role: "cut", Uri: "gull one.plt"}}, reason: ReasonUnhashed},
	} {
		t.Run(test.name, func(t *testing.T) {
			got, err := test.files.Read(t.Context(), &driverv1.Grant{Run: "r1", Documents: test.docs})
			if test.reason != "" {
				var why *Trouble
				if !errors.As(err, &why) || why.Reason != test.reason {
					t.Fatalf("error %v, want one with the reason %s", err, test.reason)
				}
				if !strings.Contains(why.Error(), test.says) {
					t.Errorf("error %v, want one that says %q", err, test.says)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if string(got.Body) != test.want || got.Sum != filejobtest.Document("", []byte(test.want)).GetSha256() {
				t.Errorf("read %q with the hash %s, want %q", got.Body, got.Sum, test.want)
			}
		})
	}
}

func TestFileSettings(t *testing.T) {
	for name, want := range map[string]map[string]string{
		"setting files is \"\": name the folder":              {},
		"setting files is \"cut\": \"cut\" depends on where":  {"files": "cut"},
		"setting role is \"Cut\": write the role of a docume": {"files": "/srv", "role": "Cut"},
	} {
		v := drivers.ReadSettings(FileSettings(), want)
		ReadFiles(v, false)
		if err := v.Err(); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("settings %v: error %v, want %q", want, err, name)
		}
	}
}

// FuzzMemory: whatever lies in the state file, it is refused or can be reported.
func FuzzMemory(f *testing.F) {
	f.Add([]byte(`{"job":{"run":"r1","fence":1,"state":5,"size":9,"sent":3},"past":["r0"]}`))
	f.Add([]byte(`{"job":{"run":"r1","fence":1,"state":6}}`))
	f.Add([]byte(`{"job":{"run":"R","fence":1,"state":5}}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		m, err := parseMemory(body)
		if err != nil {
			return
		}
		d := &Desk{memory: m}
		for _, r := range d.status().GetRuns() {
			if !drivers.ValidID(r.GetRun()) || r.GetState() == tandemv1.JobState_JOB_STATE_UNSPECIFIED || !(r.GetFraction() >= 0 && r.GetFraction() <= 1) {
				t.Errorf("%q is reported as %v", body, r)
			}
		}
	})
}

// FuzzNames: no URI leads out of the folder of files.
func FuzzNames(f *testing.F) {
	outside := filepath.Join(f.TempDir(), "secret")
	if err := os.WriteFile(outside, []byte("secret"), 0o600); err != nil {
		f.Fatal(err)
	}
	dir := filepath.Join(filepath.Dir(outside), "files")
	if err := os.Mkdir(dir, 0o700); err != nil {
		f.Fatal(err)
	}
	for _, uri := range []string{"../secret", "file:../secret", "file://" + outside, outside, "%2e%2e/secret", `..\secret`, "files/../../secret", "\x00"} {
		f.Add(uri)
	}
	doc := filejobtest.Document("", []byte("secret"))
	f.Fuzz(func(t *testing.T, uri string) {
		doc := &tandemv1.Document{Role: "cut", Uri: uri, Sha256: doc.GetSha256()}
		got, err := Files{Folders: []string{dir}, Role: "cut"}.Read(t.Context(), &driverv1.Grant{Run: "r1", Documents: []*tandemv1.Document{doc}})
		if err == nil || got != nil {
			t.Errorf("%q leads to %q", uri, got.Body)
		}
	})
}

func TestTakes(t *testing.T) {
	g := filejobtest.Waiting("r1", time.Hour)
	for _, test := range []struct {
		timing Timing
		size   int64
		want   time.Duration
	}{
		{Timing{Factor: 1}, 100, time.Hour},
		{Timing{Factor: 0.5}, 100, 30 * time.Minute},
		{Timing{Factor: 1, Rate: 50}, 100, 2 * time.Second},
	} {
		if got := test.timing.takes(g, test.size); got != test.want {
			t.Errorf("%+v: %d bytes take %s, want %s", test.timing, test.size, got, test.want)
		}
	}
}

func TestMemoryRefusesWhatItCannotBe(t *testing.T) {
	for _, body := range []string{
		"", "{", `{"job":{}}`, `{"job":{"run":"r1","fence":0,"state":5}}`, `{"job":{"run":"r1","fence":1,"state":3}}`,
		`{"job":{"run":"r1","fence":1,"state":6}}`, `{"job":{"run":"r1","fence":1,"state":5,"sent":2,"size":1}}`,
	} {
		if _, err := parseMemory([]byte(body)); err == nil || !strings.Contains(err.Error(), "move the file away") {
			t.Errorf("%s: error %v, want one with the remedy", body, err)
		}
	}
	if _, err := parseMemory(bytes.TrimSpace([]byte(`{"job":{"run":"r1","fence":1,"state":5}} `))); err != nil {
		t.Error(err)
	}
}
