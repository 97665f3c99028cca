package drivers_test

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tandem/drivers"
)

var known = []drivers.Setting{
	{Name: "pace", Default: "1.5"},
	{Name: "poll-interval", Default: "10s"},
	{Name: "retries", Default: "3"},
	{Name: "tls", Default: "true"},
	{Name: "hosts", Default: "a, b,,c "},
}

func TestReadSettings(t *testing.T) {
	v := drivers.ReadSettings(known, map[string]string{"retries": " 5 "})
	if got := v.Float("pace", 1, 2); got != 1.5 {
		t.Errorf("pace = %g", got)
	}
	if got := v.Duration("poll-interval", 0, time.Minute); got != 10*time.Second {
		t.Errorf("poll-interval = %s", got)
	}
	if got := v.Int("retries", 0, 10); got != 5 {
		t.Errorf("retries = %d", got)
	}
	if got := v.Bool("tls"); !got {
		t.Errorf("tls = %t", got)
	}
	if got := v.List("hosts"); !slices.Equal(got, []string{"a", "b", "c"}) {
		t.Errorf("hosts = %q", got)
	}
	if err := v.Err(); err != nil {
		t.Error(err)
	}
}

func TestBadSettings(t *testing.T) {
	v := drivers.ReadSettings(known, map[string]string{
		"pace": "NaN", "poll-interval": "10", "retries": "11", "tls": "maybe", "poll_intervall": "1s", "colour": "red",
	})
	v.Float("pace", 1, 2)
	v.Duration("poll-interval", time.Second, time.Minute)
	v.Int("retries", 0, 10)
	v.Bool("tls")
	v.Fail("hosts", "name them all")
	err := v.Err()
	if err == nil {
		t.Fatal("no error")
	}
	for _, want := range []string{
		`setting pace is "NaN": write a number from 1 to 2`,
		`setting poll-interval is "10": write a duration from 1s to 1m0s, such as 90s or 1h30m`,
		`setting retries is "11": write a whole number from 0 to 10`,
		`setting tls is "maybe": write true or false`,
		`setting "poll_intervall" is not known; did you mean "poll-interval"?`,
		`setting "colour" is not known; there are pace, poll-interval, retries, tls, hosts`,
		`setting hosts is "a, b,,c ": name them all`,
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("the error lacks %s:\n%v", want, err)
		}
	}
	if err := drivers.ReadSettings(nil, map[string]string{"x": ""}).Err(); err == nil || !strings.Contains(err.Error(), "has none") {
		t.Errorf("a kind without settings: error %v", err)
	}
}

func TestStateFiles(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "not", "there")
	if body, err := drivers.LoadState(dir, "memory"); body != nil || err != nil {
		t.Errorf("a file that is not there is %q, %v", body, err)
	}
	for _, want := range []string{"first, and longer", "second"} {
		if err := drivers.SaveState(dir, "memory", []byte(want)); err != nil {
			t.Fatal(err)
		}
		if body, err := drivers.LoadState(dir, "memory"); string(body) != want || err != nil {
			t.Errorf("saved %q, loaded %q, %v", want, body, err)
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 1 {
		t.Errorf("the folder holds %v, %v; want one file", entries, err)
	}
	if err := os.WriteFile(filepath.Join(dir, "large"), make([]byte, 1<<20+1), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := drivers.LoadState(dir, "large"); err == nil || !strings.Contains(err.Error(), "move it away") {
		t.Errorf("a file that is too large: error %v", err)
	}
	if err := os.MkdirAll(filepath.Join(dir, "folder", "full"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := drivers.SaveState(dir, "folder", nil); err == nil {
		t.Error("a file has taken the place of a folder")
	}
	if _, err := os.Stat(filepath.Join(dir, "folder.new")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("what could not be saved still takes space (%v)", err)
	}
}
