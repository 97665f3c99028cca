package intake

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
	"time"

	"tandem/clients/ticketfile"
)

// file is what is known of a ticket in the folder.
type file struct {
	name  string
	size  int64
	mtime time.Time
	since time.Time // when it was first seen like this, by this computer's clock
	cuts  string    // stamp of its cut files, when they were last looked at

	after    time.Time // not tried again before
	wait     time.Duration
	attempts int
	stuck    bool // cannot be read or moved
	left     bool // is no ticket, and stays
	told     Kind // what was told of it last, so that it is told once

	answer *answer // the daemon has answered: only the move is left
}

// pass reads the folder once and takes what can be taken. It returns when there may be more to do.
func (f *folder) pass(ctx context.Context) time.Time {
	now := time.Now()
	if f.gone && !f.reopen(now) {
		return f.goneUntil
	}
	if err := f.list(now); err != nil {
		f.folderGone(now, err)
		return f.goneUntil
	}
	next := now.Add(f.Poll)
	taken := 0
	for _, one := range f.inOrder() {
		if ctx.Err() != nil || f.stopped != nil || taken == maxPerScan {
			break
		}
		if one.left {
			continue
		}
		if due := f.due(one); due.After(time.Now()) {
			next = earlier(next, due)
			continue
		}
		taken++
		f.take(ctx, one)
		if f.files[one.name] == one && !one.left {
			next = earlier(next, f.due(one))
		}
	}
	if taken == maxPerScan {
		next = now
	}
	return next
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// due is when a file may be tried.
func (f *folder) due(one *file) time.Time {
	due := one.since.Add(f.Settle)
	if one.after.After(due) {
		due = one.after
	}
	return due
}

// inOrder returns the files, the oldest first.
func (f *folder) inOrder() []*file {
	list := make([]*file, 0, len(f.files))
	for _, one := range f.files {
		list = append(list, one)
	}
	slices.SortFunc(list, func(a, b *file) int {
		return cmp.Or(a.mtime.Compare(b.mtime), strings.Compare(a.name, b.name))
	})
	return list
}

// list reads the folder and notes what has come, changed and gone.
func (f *folder) list(now time.Time) error {
	if err := f.samePlace(); err != nil {
		return err
	}
	dir, err := f.root.Open(".")
	if err != nil {
		return err
	}
	defer dir.Close()
	here := map[string]bool{}
	for {
		entries, err := dir.ReadDir(256)
		for _, e := range entries {
			if len(here) < maxCandidates && candidate(e.Name()) && f.look(e.Name(), now) {
				here[e.Name()] = true
			}
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
	}
	for name := range f.files {
		if !here[name] {
			delete(f.files, name)
		}
	}
	if len(f.told) > maxCandidates {
		clear(f.told)
	}
	return nil
}

// samePlace holds that the name of the folder still leads to the one that was opened: a folder that was deleted, or taken
// away with its share, can look empty to who has it open.
func (f *folder) samePlace() error {
	now, err := os.Stat(f.dir)
	if err != nil {
		return err
	}
	opened, err := f.root.Stat(".")
	if err != nil {
		return err
	}
	if !os.SameFile(now, opened) {
		return errors.New("another folder has taken its place")
	}
	return nil
}

// candidate says by its name whether a file may be a ticket: not those that programs make while they write.
func candidate(name string) bool {
	lower := strings.ToLower(name)
	return ticketfile.FormatOf(name) != ticketfile.None && !strings.HasPrefix(name, ".") && !strings.HasPrefix(name, "~") &&
		!slices.ContainsFunc([]string{"~", ".tmp", ".part", ".crdownload"}, func(end string) bool { return strings.HasSuffix(lower, end) })
}

// look notes a file as it is now, and says whether it is one to take.
func (f *folder) look(name string, now time.Time) bool {
	info, err := f.root.Lstat(name)
	if err != nil || info.IsDir() {
		return false // gone again, or not for us
	}
	if !info.Mode().IsRegular() {
		if !f.told[name] {
			f.told[name] = true
			f.tell(Event{Kind: Left, File: name, Text: "is a link or no ordinary file: put the file itself there"})
		}
		return false
	}
	one := f.files[name]
	if one != nil && one.size == info.Size() && one.mtime.Equal(info.ModTime()) {
		return true
	}
	// What was seen of a file before it changed does not count.
	delete(f.told, name)
	f.files[name] = &file{name: name, size: info.Size(), mtime: info.ModTime(), since: now}
	return true
}

// folderGone notes that the folder cannot be read, as happens with shares, and when to try again.
func (f *folder) folderGone(now time.Time, err error) {
	if !f.gone {
		f.gone = true
		f.goneWait = 0
		f.tell(Event{Kind: Gone, Text: fmt.Sprintf("the folder cannot be read (%s): trying again", reasonOf(err))})
	}
	f.retryFolder(now)
}

func (f *folder) retryFolder(now time.Time) {
	f.goneWait = nextWait(f.goneWait)
	f.goneUntil = now.Add(f.goneWait)
}

// reopen opens the folder anew: what was opened before it went may lead nowhere.
func (f *folder) reopen(now time.Time) bool {
	if now.Before(f.goneUntil) {
		return false
	}
	f.close()
	if err := f.begin(); err != nil {
		f.close()
		f.retryFolder(now)
		return false
	}
	f.gone = false
	f.files = map[string]*file{}
	f.tell(Event{Kind: Found, Text: "the folder can be read again"})
	return true
}

func nextWait(d time.Duration) time.Duration {
	if d == 0 {
		return backoffFirst
	}
	return min(2*d, backoffMost)
}

// reasonOf shortens an error of the file system to what a person needs.
func reasonOf(err error) string {
	if e, ok := errors.AsType[*fs.PathError](err); ok {
		return e.Err.Error()
	}
	return err.Error()
}
