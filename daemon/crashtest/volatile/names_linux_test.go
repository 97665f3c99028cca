package volatile

import (
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func (d *Disk) rename(t *testing.T, from, to string) {
	t.Helper()
	must(t, os.Rename(filepath.Join(d.Path(), from), filepath.Join(d.Path(), to)))
}

func (d *Disk) remove(t *testing.T, name string) {
	t.Helper()
	must(t, os.Remove(filepath.Join(d.Path(), name)))
}

func (d *Disk) mkdir(t *testing.T, name string) {
	t.Helper()
	must(t, os.Mkdir(filepath.Join(d.Path(), name), 0o700))
}

func (d *Disk) syncFolder(t *testing.T, name string) {
	t.Helper()
	f, err := os.Open(filepath.Join(d.Path(), name))
	must(t, err)
	must(t, f.Sync())
	must(t, f.Close())
}

// all returns what is there, each file with what it holds.
func (d *Disk) all(t *testing.T) string {
	t.Helper()
	var out []string
	must(t, fs.WalkDir(os.DirFS(d.Path()), ".", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || path == "." {
			return err
		}
		if entry.IsDir() {
			out = append(out, path+"/")
			return nil
		}
		data, err := os.ReadFile(filepath.Join(d.Path(), path))
		out = append(out, path+"="+string(data))
		return err
	}))
	return strings.Join(out, " ")
}

// At the worst cut a name is there only if a sync says so.
func TestACutUndoesNamesThatWereNotSynced(t *testing.T) {
	for _, c := range []struct {
		what             string
		do               func(t *testing.T, d *Disk)
		journal, folders string
	}{
		{"a new file that is not synced", func(t *testing.T, d *Disk) { d.write(t, "a", "1", false) }, "old=0 sub/", "old=0 sub/"},
		{"a new file that is synced", func(t *testing.T, d *Disk) { d.write(t, "a", "1", true) }, "a=1 old=0 sub/", "old=0 sub/"},
		{"a new file with its folder", func(t *testing.T, d *Disk) {
			d.write(t, "a", "1", true)
			d.syncFolder(t, ".")
		}, "a=1 old=0 sub/", "a=1 old=0 sub/"},
		{"a folder's sync is no sync of its files", func(t *testing.T, d *Disk) {
			d.write(t, "a", "1", false)
			d.syncFolder(t, ".")
		}, "a= old=0 sub/", "a= old=0 sub/"},
		{"a rename", func(t *testing.T, d *Disk) {
			d.write(t, "a", "1", true)
			d.rename(t, "a", "old")
		}, "a=1 old=0 sub/", "old=0 sub/"},
		{"a rename, and a sync of what was renamed", func(t *testing.T, d *Disk) {
			d.write(t, "a", "1", true)
			d.rename(t, "a", "old")
			d.write(t, "old", "2", true)
		}, "a=12 old=0 sub/", "old=0 sub/"},
		{"a rename with its folder", func(t *testing.T, d *Disk) {
			d.write(t, "a", "1", true)
			d.rename(t, "a", "old")
			d.syncFolder(t, ".")
		}, "old=1 sub/", "old=1 sub/"},
		{"a deletion", func(t *testing.T, d *Disk) { d.remove(t, "old") }, "old=0 sub/", "old=0 sub/"},
		{"a deletion with its folder", func(t *testing.T, d *Disk) {
			d.remove(t, "old")
			d.syncFolder(t, ".")
		}, "sub/", "sub/"},
		{"a deletion before a file that is synced", func(t *testing.T, d *Disk) {
			d.remove(t, "old")
			d.write(t, "a", "1", true)
		}, "a=1 sub/", "old=0 sub/"},
		{"a new folder, and a file in it", func(t *testing.T, d *Disk) {
			d.mkdir(t, "new")
			d.write(t, "new/a", "1", true)
		}, "new/ new/a=1 old=0 sub/", "old=0 sub/"},
		{"a new folder that is synced itself", func(t *testing.T, d *Disk) {
			d.mkdir(t, "new")
			d.write(t, "new/a", "1", true)
			d.syncFolder(t, "new")
		}, "new/ new/a=1 old=0 sub/", "old=0 sub/"},
		{"a new folder with the one it is in", func(t *testing.T, d *Disk) {
			d.mkdir(t, "new")
			d.write(t, "new/a", "1", true)
			d.syncFolder(t, ".")
		}, "new/ new/a=1 old=0 sub/", "new/ old=0 sub/"},
		{"a folder that is removed", func(t *testing.T, d *Disk) {
			d.remove(t, "sub")
		}, "old=0 sub/", "old=0 sub/"},
		{"a folder that is renamed", func(t *testing.T, d *Disk) {
			d.write(t, "sub/a", "1", true)
			d.syncFolder(t, "sub")
			d.rename(t, "sub", "named")
			d.syncFolder(t, ".")
		}, "named/ named/a=1 old=0", "named/ named/a=1 old=0"},
		{"another folder's sync", func(t *testing.T, d *Disk) {
			d.remove(t, "old")
			d.write(t, "sub/a", "1", true)
			d.syncFolder(t, "sub")
		}, "sub/ sub/a=1", "old=0 sub/ sub/a=1"},
		{"from a folder to another", func(t *testing.T, d *Disk) {
			d.rename(t, "old", "sub/a")
			d.syncFolder(t, "sub")
		}, "sub/ sub/a=0", "sub/ sub/a=0"},
	} {
		for order, want := range map[Order]string{Journal: c.journal, Folders: c.folders} {
			t.Run(fmt.Sprintf("%s/%d", c.what, order), func(t *testing.T) {
				d := ForTest(t, order)
				d.write(t, "old", "0", true)
				d.mkdir(t, "sub")
				d.syncFolder(t, ".")
				c.do(t, d)
				must(t, d.Cut(nil))
				must(t, d.Restart())
				if got := d.all(t); got != want {
					t.Errorf("there is %q, want %q", got, want)
				}
				d.write(t, "zz", "x", true) // and it is a disk as before
				d.syncFolder(t, ".")
				must(t, d.Cut(nil))
				must(t, d.Restart())
				if got := d.all(t); got != want+" zz=x" {
					t.Errorf("later there is %q, want %q", got, want+" zz=x")
				}
			})
		}
	}
}

// Of what was not synced the journal keeps the first few operations, and where each folder is for itself, each keeps its own first few.
func TestACutKeepsTheFirstNames(t *testing.T) {
	for _, order := range []Order{Journal, Folders} {
		seen := map[string]bool{}
		for seed := range uint64(200) {
			d := &Disk{order: order}
			a, b := d.newItem(true, 0o700), d.newItem(true, 0o700)
			d.named(d.newItem(false, 0o600), a, "1")
			d.named(d.newItem(false, 0o600), b, "2")
			d.named(d.newItem(false, 0o600), a, "3")
			d.named(d.newItem(false, 0o600), b, "4")
			d.cutNames(rand.New(rand.NewPCG(seed, 1)))
			seen[fmt.Sprint(slices.Sorted(maps.Keys(a.stored)), slices.Sorted(maps.Keys(b.stored)))] = true
		}
		want := []string{"[] []", "[1] []", "[1] [2]", "[1 3] [2]", "[1 3] [2 4]"}
		if order == Folders {
			want = append(want, "[] [2]", "[] [2 4]", "[1] [2 4]", "[1 3] []")
		}
		for _, w := range want {
			if !seen[w] {
				t.Errorf("order %d: no cut leaves %q", order, w)
			}
			delete(seen, w)
		}
		if len(seen) > 0 {
			t.Errorf("order %d: cuts leave %v", order, seen)
		}
	}
}

// The same cuts leave the same.
func TestACutIsTheSameWithTheSameChance(t *testing.T) {
	left := func() string {
		d := ForTest(t, Folders)
		for n := range 20 {
			d.write(t, fmt.Sprint(n), strings.Repeat("x", 3*pageSize), n%3 == 0)
			if n%4 == 0 {
				d.mkdir(t, fmt.Sprint("sub", n))
				d.write(t, fmt.Sprintf("sub%d/a", n), "1", false)
			}
		}
		must(t, d.Cut(rand.New(rand.NewPCG(7, 1))))
		must(t, d.Restart())
		return d.all(t)
	}
	if a, b := left(), left(); a != b {
		t.Errorf("%.200q\n%.200q", a, b)
	}
}
