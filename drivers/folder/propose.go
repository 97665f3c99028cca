package folder

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"tandem/drivers"
)

// proposeSettings looks into a folder, and makes and removes one empty file there, under a name like that of a file that is being
// written. A share that has gone away can hang for long, so it is not waited for beyond the target's time.
func proposeSettings(ctx context.Context, t drivers.Target) (*drivers.Proposal, error) {
	if t.Form != drivers.FormFolder {
		return nil, drivers.ErrNotAsked
	}
	type result struct {
		p   *drivers.Proposal
		err error
	}
	ctx, cancel := context.WithTimeoutCause(ctx, t.Timeout, fmt.Errorf("%s: no answer within %s: is the share mounted and its server on?", t.Address, t.Timeout))
	defer cancel()
	looked := make(chan result, 1)
	go func() {
		p, err := look(t)
		looked <- result{p, err}
	}()
	select {
	case r := <-looked:
		return r.p, r.err
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
}

func look(t drivers.Target) (*drivers.Proposal, error) {
	entries, err := os.ReadDir(t.Address)
	if err != nil {
		return nil, fmt.Errorf("look into %s: %w: let this user read it", t.Address, err)
	}
	if err := tryWriting(t.Address); err != nil {
		return nil, err
	}
	p := &drivers.Proposal{
		Name: nameOf(t.Address), Named: true,
		Settings:  map[string]string{"folder": t.Address, "files": t.Files},
		Assumed:   map[string]string{},
		Abilities: []drivers.ProposedAbility{{Operation: "cut"}},
		Asked:     []drivers.Tried{{What: t.Address, Came: "listed; an empty file was made there and removed again"}},
		Cautions:  []string{"Whatever watches the folder may move its device as soon as a file lies there, with nobody beside it. A stop takes a file back that nobody has taken yet; it is no emergency stop."},
	}
	switch t.Operation {
	case "":
		p.Assumed["operation"] = "a folder does not tell what is behind it"
	case "print":
		p.Settings["role"] = "artwork"
		fallthrough
	default:
		p.Abilities[0].Operation = t.Operation
	}
	if t.Files == "" {
		p.Settings["files"], p.Assumed["files"] = drivers.ExamplePath("/srv/tandem/cut"), "name the folder where the files of runs lie, or give it with --files"
	}
	kind, free := fileSystem(t.Address)
	p.Fact("file system", kind)
	p.Fact("free space", free)
	p.Fact("files", count(entries))
	proposeEnd(p, entries)
	p.Ask("Pickup: does the software move a file out of the folder when it takes it (moves), or leave it until it is done (leaves)? Look at one file.", "pickup: leaves")
	p.Ask("Name: does the software take any file name? The driver drops {panel}-{run}{ext} under a name that begins with a dot and ends with .part first; if it takes those too, set staging to another folder of the same share.", "")
	return p, nil
}

// nameOf is the end of a path: a folder is often called in, and the one above it as the device.
func nameOf(path string) string {
	above := filepath.Base(filepath.Dir(path))
	return strings.Trim(above+" "+filepath.Base(path), ` /\.`)
}

// tryWriting makes and removes a file.
func tryWriting(dir string) error {
	f, err := os.CreateTemp(dir, ".tandem-propose-*.part")
	if err != nil {
		if errors.Is(err, fs.ErrPermission) {
			return fmt.Errorf("%s: this user may not write there: let the daemon's user write, or mount the share so (%w)", dir, err)
		}
		return fmt.Errorf("%s: a file cannot be made there (%w)", dir, err)
	}
	if err := errors.Join(f.Close(), os.Remove(f.Name())); err != nil {
		return fmt.Errorf("%s: the file %s that was made there cannot be removed: remove it, and let the daemon's user remove files (%w)", dir, filepath.Base(f.Name()), err)
	}
	return nil
}

func count(entries []os.DirEntry) string {
	files, folders := 0, []string{}
	for _, e := range entries {
		if e.IsDir() {
			folders = append(folders, e.Name())
		} else {
			files++
		}
	}
	switch {
	case len(folders) == 0:
		return fmt.Sprintf("%d, no folders", files)
	case len(folders) > 8:
		return fmt.Sprintf("%d, and %d folders", files, len(folders))
	}
	return fmt.Sprintf("%d, and the folders %s", files, strings.Join(folders, ", "))
}

// Words that folders and endings of returned files mostly have: common practice, no source.
var (
	doneWords = []string{"done", "out", "output", "finished", "processed", "completed", "complete", "ok", "success"}
	failWords = []string{"error", "errors", "failed", "fail", "rejected", "bad"}
	doneEnds  = []string{".done", ".ok", ".fin", ".log", ".finished", ".processed"}
	failEnds  = []string{".err", ".error", ".fail", ".failed", ".bad"}
)

// proposeEnd looks for what says that a run is over.
func proposeEnd(p *drivers.Proposal, entries []os.DirEntry) {
	done, fail, from := "", "", ""
	for _, e := range entries {
		word := strings.ToLower(e.Name())
		switch {
		case !e.IsDir():
		case done == "" && slices.Contains(doneWords, word):
			done, from = e.Name()+"/{name}", "the folder "+e.Name()
		case fail == "" && slices.Contains(failWords, word):
			fail = e.Name() + "/{name}"
		}
	}
	for _, e := range entries {
		name := e.Name()
		ext := strings.ToLower(filepath.Ext(name))
		switch {
		case e.IsDir() || strings.HasPrefix(name, "."):
		case done == "" && slices.Contains(doneEnds, ext):
			done, from = returned(name), "the file "+name
		case fail == "" && slices.Contains(failEnds, ext):
			fail = returned(name)
		}
	}
	if done != "" {
		p.Settings["done"], p.Settings["done-file"] = doneFile, done
		p.Assumed["done-file"] = "guessed from " + drivers.PlainLine(from) + ": drop a file by hand and see what comes back"
		p.Fact("looks like returned", from)
	} else {
		p.Settings["done"] = doneRemoved
		p.Assumed["done"] = "nothing there looks like a file that came back; right only if the software removes a file when its work is over, and not when it begins"
	}
	if fail != "" {
		p.Settings["fail-file"] = fail
		p.Assumed["fail-file"] = "guessed from a name"
	}
	p.Ask("End: drop one file by hand, beside the machine, and watch: does a file come back (file), does the dropped one vanish when the work is over (removed), or is there no sign (time)?", `done-file: "done/{name}"`)
}

// returned is the pattern of a returned file: behind the whole name if a file without the ending could be dropped, as in
// sheet.plt.ok, else in place of its extension.
func returned(name string) string {
	ext := filepath.Ext(name)
	if filepath.Ext(strings.TrimSuffix(name, ext)) != "" {
		return "{name}" + ext
	}
	return "{stem}" + ext
}
