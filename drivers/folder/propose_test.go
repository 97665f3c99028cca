package folder

import (
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"tandem/drivers"
	"tandem/drivers/clock"
	"tandem/drivers/filejob/filejobtest"
)

func at(t *testing.T, address string) drivers.Target {
	t.Helper()
	target, err := drivers.ParseTarget(address)
	if err != nil {
		t.Fatal(err)
	}
	target.Timeout, target.Files = 10*time.Second, t.TempDir()
	return target
}

// TestProposeFolder: settings fit what lies in a folder, nothing new is left there, and a driver with them finds it.
func TestProposeFolder(t *testing.T) {
	t.Parallel()
	for _, test := range []struct {
		name    string
		entries []string // a folder ends with /
		want    map[string]string
	}{
		{"empty", nil, map[string]string{"done": "removed"}},
		{"waiting", []string{"a.plt", ".hidden.log"}, map[string]string{"done": "removed"}},
		{"folders", []string{"Done/", "error/", "a.plt"}, map[string]string{"done": "file", "done-file": "Done/{name}", "fail-file": "error/{name}"}},
		{"in place of the ending", []string{"a.ok", "b.err"}, map[string]string{"done": "file", "done-file": "{stem}.ok", "fail-file": "{stem}.err"}},
		{"behind the ending", []string{"a.plt.done"}, map[string]string{"done": "file", "done-file": "{name}.done"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			in := filepath.Join(t.TempDir(), "cutter", "in")
			if err := os.MkdirAll(in, 0o700); err != nil {
				t.Fatal(err)
			}
			for _, name := range test.entries {
				if strings.HasSuffix(name, "/") {
					if err := os.Mkdir(filepath.Join(in, name), 0o700); err != nil {
						t.Fatal(err)
					}
					continue
				}
				touch(t, filepath.Join(in, name))
			}
			target := at(t, in)
			p, err := proposeSettings(t.Context(), target)
			if err != nil {
				t.Fatal(err)
			}
			test.want["folder"], test.want["files"] = in, target.Files
			if !maps.Equal(p.Settings, test.want) || p.Name != "cutter in" {
				t.Errorf("proposed %q with %v, want %v", p.Name, p.Settings, test.want)
			}
			if left, err := os.ReadDir(in); err != nil || len(left) != len(test.entries) {
				t.Errorf("the folder has %v, %v after it, want %v", left, err, test.entries)
			}
			env := drivers.Env{Device: "cutter-1", Operations: []string{"cut"}, StateDir: t.TempDir(), Clock: clock.Wall(), Log: zap.NewNop()}
			driver, err := newDriver(env, p.Settings)
			if err != nil {
				t.Fatal(err)
			}
			filejobtest.Start(t, driver).Idle()
		})
	}
}

func TestProposeFolderReadOnly(t *testing.T) {
	t.Parallel()
	if runtime.GOOS != "linux" {
		t.Skip("which folder nobody may write to is only known of Linux here")
	}
	if _, err := proposeSettings(t.Context(), at(t, "/proc/self")); err == nil || !strings.Contains(err.Error(), "/proc/self") {
		t.Errorf("error %v, want one that a file cannot be made", err)
	}
}
