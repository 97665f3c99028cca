package intake

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"unicode/utf8"
)

// The files beside a file that was filed away.
const (
	reasonEnd = ".reason.txt"
	noteEnd   = ".note.txt"
)

// fileAway moves a file that has an answer. What cannot be done now is tried again, without asking the daemon again.
func (f *folder) fileAway(one *file) {
	a := one.answer
	if !f.unchanged(one) {
		// Somebody wrote into the file after it was read, or took it away: what it says now is asked as a new file.
		delete(f.files, one.name)
		if a.event.Kind != Refused {
			a.event.Text = strings.TrimPrefix(a.event.Text+"; the file was changed or taken away before it could be moved", "; ")
			f.count(a.event)
		}
		return
	}
	target, beside, text := DoneFolder, noteEnd, a.note
	if a.event.Kind == Refused {
		target, beside, text = RefusedFolder, reasonEnd, reasonText(one.name, a.problems)
	}
	to, err := f.moveAway(one, target, beside, text)
	switch {
	case f.stopped != nil:
		return
	case err != nil:
		f.stick(one, "cannot be moved to "+target+": "+reasonOf(err))
		return
	}
	delete(f.files, one.name)
	a.event.To = target + "/" + to
	f.count(a.event)
}

// count tells what has become of a file.
func (f *folder) count(e Event) {
	switch e.Kind {
	case Taken:
		f.sum.Taken++
	case Same:
		f.sum.Same++
	default:
		f.sum.Refused++
	}
	f.tell(e)
}

// unchanged says whether a file is as it was when it was read.
func (f *folder) unchanged(one *file) bool {
	info, err := f.root.Lstat(one.name)
	return err == nil && info.Mode().IsRegular() && info.Size() == one.size && info.ModTime().Equal(one.mtime)
}

// moveAway moves a file, with a text beside it if there is one, and returns the name it has there.
func (f *folder) moveAway(one *file, target, beside, text string) (string, error) {
	a := one.answer
	wish := "" // the place that was noted before the program ended
	if before, found := f.journal.find(a.entry.Digest); found && f.unfinished(one, before) {
		wish = before.To
	}
	to, err := f.reserve(target, one.name, wish, beside, text)
	if err != nil {
		return "", err
	}
	if !f.step("reserved") {
		return "", nil
	}
	if a.event.Kind == Taken && to != wish {
		a.entry.To = to
		if err := f.journal.add(a.entry); err != nil {
			return "", err
		}
		if !f.step("noted") {
			return "", nil
		}
	}
	if text != "" {
		if err := f.writeBeside(filepath.Join(target, to+beside), text); err != nil {
			return "", err
		}
		if !f.step("written") {
			return "", nil
		}
	}
	if err := f.root.Rename(one.name, filepath.Join(target, to)); err != nil {
		return "", err
	}
	if !f.step("moved") {
		return "", nil
	}
	if before, found := f.journal.find(a.entry.Digest); found && a.event.Kind == Taken {
		before.Moved = true
		_ = f.journal.add(before) // without it the next file of this content is told as this one, no more
	}
	return to, nil
}

// reserve makes an empty file under a free name, which the moved file then takes the place of, so that nothing is
// overwritten whoever else writes there. An empty file is free: it was reserved before the program ended. So is a name whose
// text beside it is the one to be written.
func (f *folder) reserve(target, name, wish, beside, text string) (string, error) {
	if wish != "" && f.free(target, wish, beside, text) {
		return wish, f.placeholder(target, wish)
	}
	base := shortName(name)
	end := filepath.Ext(base)
	for n := 1; n < 100_000; n++ {
		to := base
		if n > 1 {
			to = fmt.Sprintf("%s-%d%s", strings.TrimSuffix(base, end), n, end)
		}
		if !f.free(target, to, beside, text) {
			continue
		}
		err := f.placeholder(target, to)
		if errors.Is(err, fs.ErrExist) {
			continue
		}
		return to, err
	}
	return "", errors.New("there are too many files of that name: put some of them elsewhere")
}

// free says whether a name can be taken.
func (f *folder) free(target, to, beside, text string) bool {
	path := filepath.Join(target, to)
	if info, err := f.root.Lstat(path); err == nil && (info.Size() > 0 || !info.Mode().IsRegular()) {
		return false
	}
	for _, end := range []string{reasonEnd, noteEnd} {
		if _, err := f.root.Lstat(path + end); err == nil && (end != beside || !f.holds(path+end, text)) {
			return false
		}
	}
	return true
}

func (f *folder) holds(path, text string) bool {
	r, err := f.root.Open(path)
	if err != nil {
		return false
	}
	defer r.Close()
	data, err := io.ReadAll(io.LimitReader(r, int64(len(text))+1))
	return err == nil && bytes.Equal(data, []byte(text))
}

func (f *folder) placeholder(target, to string) error {
	path := filepath.Join(target, to)
	w, err := f.root.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if errors.Is(err, fs.ErrExist) {
		if info, err := f.root.Lstat(path); err == nil && info.Mode().IsRegular() && info.Size() == 0 {
			return nil
		}
	}
	if err != nil {
		return err
	}
	return w.Close()
}

// writeBeside writes a text whole or not at all.
func (f *folder) writeBeside(path, text string) error {
	if f.holds(path, text) {
		return nil
	}
	return writeWhole(f.root, filepath.Join(stateFolder, "beside.tmp"), path, []byte(text))
}

// writeWhole writes a file by way of a temporary one: whole or not at all.
func writeWhole(root *os.Root, temporary, path string, content []byte) error {
	w, err := root.OpenFile(temporary, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o666)
	if err != nil {
		return err
	}
	_, err = w.Write(content)
	if err = errors.Join(err, w.Sync(), w.Close()); err != nil {
		return err
	}
	return root.Rename(temporary, path)
}

// shortName leaves room for what is added to a name: file systems take 255 bytes.
func shortName(name string) string {
	const most = 200
	if len(name) <= most {
		return name
	}
	end := filepath.Ext(name)
	stem := name[:most-len(end)]
	for len(stem) > 0 {
		if r, size := utf8.DecodeLastRuneInString(stem); r != utf8.RuneError || size > 1 {
			break
		}
		stem = stem[:len(stem)-1]
	}
	return stem + end
}
