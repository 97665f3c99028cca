package main

import (
	"crypto/sha256"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	tandemv1 "tandem/proto/tandem/v1"
)

const wholeFile = "everything that is in it"

// withBackup lets the daemon send a file in two parts.
func (f *fake) withBackup() {
	sum := sha256.Sum256([]byte(wholeFile))
	for _, part := range []string{wholeFile[:7], wholeFile[7:]} {
		f.backup = append(f.backup, &tandemv1.BackupResponse{Payload: &tandemv1.BackupResponse_Data{Data: []byte(part)}})
	}
	f.backup = append(f.backup, &tandemv1.BackupResponse{Payload: &tandemv1.BackupResponse_Summary{Summary: &tandemv1.BackupSummary{
		Revision: 1042, LedgerHead: "9f86d081", Records: 1042, Events: 2400, Bytes: int64(len(wholeFile)), Sha256: sum[:],
	}}})
}

// files returns the names in a folder, those that begin with a dot too.
func files(t *testing.T, dir string) string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return strings.Join(names, " ")
}

func TestBackup(t *testing.T) {
	f, dir := newFake(t), t.TempDir()
	f.withBackup()
	path := filepath.Join(dir, "floor.tgz")
	code, stdout, stderr := f.tandem(t, "backup", path)
	if code != exitOK || !strings.Contains(stdout, "1042 records with 2400 events") || !strings.Contains(stdout, "9f86d081") {
		t.Fatalf("exit %d: %s%s", code, stdout, stderr)
	}
	got, err := os.ReadFile(path)
	if err != nil || string(got) != wholeFile {
		t.Errorf("the file holds %q: %v", got, err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("others may read it: %v %v", info.Mode(), err)
	}
	if names := files(t, dir); names != "floor.tgz" {
		t.Errorf("left behind: %s", names)
	}
	if code, _, stderr := f.tandem(t, "backup", path); code != exitUsage || !strings.Contains(stderr, "is there already") {
		t.Errorf("over a file that is there: exit %d: %s", code, stderr)
	}
	if code, stdout, _ := f.tandem(t, "--quiet", "backup", "--replace", path); code != exitOK || stdout != path+"\n" {
		t.Errorf("in its place: exit %d: %s", code, stdout)
	}
	// What is no plain file keeps its place: a superuser's --replace /dev/null must not leave a file there.
	link := filepath.Join(dir, "latest.tgz")
	if err := os.Symlink(path, link); err != nil {
		t.Skipf("no links here: %v", err)
	}
	for _, other := range []string{link, dir} {
		if code, _, stderr := f.tandem(t, "backup", "--replace", other); code != exitUsage || !strings.Contains(stderr, "give another name") {
			t.Errorf("in the place of %s: exit %d: %s", other, code, stderr)
		}
	}
	if info, err := os.Lstat(link); err != nil || info.Mode().IsRegular() {
		t.Errorf("the link is gone: %v %v", info, err)
	}
}

// Whatever goes wrong, there is no file under that name, and nothing else is left; one that was there before stays.
func TestBackupThatFails(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(f *fake)
		code  int
		says  string
	}{
		"no end":         {func(f *fake) { f.backup = f.backup[:2] }, exitFailure, "without saying that it is whole"},
		"a part is lost": {func(f *fake) { f.backup = f.backup[1:] }, exitFailure, "is not what the daemon sent"},
		"another is under way": {func(f *fake) {
			f.backup, f.fail["Backup"] = nil, status.Error(codes.ResourceExhausted, "another backup is being made")
		}, exitUnavailable, "another backup is being made"},
		"another has taken over": {func(f *fake) {
			f.backup, f.fail["Backup"] = f.backup[:1], status.Error(codes.Unavailable, "another daemon leads now")
		}, exitUnavailable, "run the same command again"},
		"the daemon dies": {func(f *fake) {
			f.backup, f.fail["Backup"] = f.backup[:1], status.Error(codes.Unavailable, "error reading from server: EOF")
		}, exitUnavailable, "before it had answered: error reading from server: EOF\nremedy: there is no backup, and nothing is kept of the unfinished one: run the same command again"},
		"the ledger is damaged": {func(f *fake) {
			f.backup, f.fail["Backup"] = f.backup[:1], status.Error(codes.Internal, "ledger: damaged at revision 7")
		}, exitFailure, "damaged at revision 7"},
	} {
		t.Run(name, func(t *testing.T) {
			f, dir := newFake(t), t.TempDir()
			f.withBackup()
			c.spoil(f)
			old := filepath.Join(dir, "old.tgz")
			if err := os.WriteFile(old, []byte("old"), 0o600); err != nil {
				t.Fatal(err)
			}
			for _, args := range [][]string{{"backup", filepath.Join(dir, "floor.tgz")}, {"backup", "--replace", old}} {
				if code, _, stderr := f.tandem(t, args...); code != c.code || !strings.Contains(stderr, c.says) {
					t.Errorf("%v: exit %d: %s", args, code, stderr)
				}
			}
			if got, err := os.ReadFile(old); err != nil || string(got) != "old" {
				t.Errorf("the old file holds %q: %v", got, err)
			}
			if names := files(t, dir); names != "old.tgz" {
				t.Errorf("left behind: %s", names)
			}
		})
	}
}

func TestBackupIntoNoFolder(t *testing.T) {
	f := newFake(t)
	if code, _, stderr := f.tandem(t, "backup", filepath.Join(t.TempDir(), "nowhere", "floor.tgz")); code != exitUsage || !strings.Contains(stderr, "make the file") {
		t.Errorf("exit %d: %s", code, stderr)
	}
}

func TestReviewArguments(t *testing.T) {
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"parked"}, "what became of parked?"},
		{[]string{"parked", "done"}, "name the step"},
		{[]string{"parked", "cut", "keep"}, "keep how many?"},
		{[]string{"parked", "cut", "keep", "none"}, "give a number of pieces"},
		{[]string{"parked", "cut", "keep", "0"}, "give a number of pieces, 1 or more"},
		{[]string{"parked", "cut", "lost"}, "say not-done, done or keep N"},
		{[]string{"parked", "cut", "done", "3"}, "say not-done, done or keep N"},
		{[]string{"--run", "run-7", "parked"}, "--run stands alone"},
		{[]string{"--all"}, "--all goes with not-done only"},
		{[]string{"--all", "done"}, "--all goes with not-done only"},
	} {
		f := newFake(t)
		code, _, stderr := f.tandem(t, append([]string{"review"}, c.args...)...)
		if code != exitUsage || !strings.Contains(stderr, c.says) {
			t.Errorf("%v: exit %d: %s", c.args, code, stderr)
		}
		if n := len(sent[*tandemv1.ReviewWorkRequest](f)); n > 0 {
			t.Errorf("%v: %d changes were asked for", c.args, n)
		}
	}
}
