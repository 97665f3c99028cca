package volatile

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Order is what a file system promises of the order in which names reach the disk.
type Order int

const (
	// Journal is one journal for the whole disk: an operation is on the disk only with all before it, and a sync of a new file takes its
	// name along.
	Journal Order = iota
	// Folders has each folder for itself, and only the sync of a folder stores its names, as POSIX has it.
	Folders
)

// item is a file or a folder.
type item struct {
	id     int
	folder bool
	mode   os.FileMode
	dirty  []extent // of a file: written and not synced
	in     *item    // the folder in which programs see it; nil: the root, or removed
	name   string   // there
	// What is in a folder, as programs see it and as it is on the disk.
	names, stored map[string]*item
}

// operation changes names, in whole or not at all.
type operation struct {
	made      *item // by it; nil: none
	gone, new place
}

// place is a name in a folder, and what has it; without a folder it is none.
type place struct {
	in   *item
	name string
	item *item
}

func (o *operation) touches(folder *item) bool { return o.gone.in == folder || o.new.in == folder }

// store makes it last.
func (o *operation) store() {
	if o.gone.in != nil {
		delete(o.gone.in.stored, o.gone.name)
	}
	if o.new.in != nil {
		o.new.in.stored[o.new.name] = o.new.item
	}
}

// path is that below the root, as programs see it; "" if it has been removed.
func (i *item) path() string {
	var names []string
	for ; i.in != nil; i = i.in {
		names = append(names, i.name)
	}
	if i.id != rootID {
		return ""
	}
	slices.Reverse(names)
	return strings.Join(names, "/")
}

// find returns what programs see at a path below the root; nil: nothing.
func (d *Disk) find(path string) *item {
	at := d.root
	for name := range strings.SplitSeq(path, "/") {
		if name != "" && at != nil {
			at = at.names[name]
		}
	}
	return at
}

// newItem makes an item without a name.
func (d *Disk) newItem(folder bool, mode os.FileMode) *item {
	d.items++
	i := &item{id: d.items, folder: folder, mode: mode.Perm()}
	if folder {
		i.names, i.stored = map[string]*item{}, map[string]*item{}
	}
	return i
}

// named gives a new item its name.
func (d *Disk) named(i, folder *item, name string) {
	folder.names[name], i.in, i.name = i, folder, name
	d.pending = append(d.pending, &operation{made: i, new: place{folder, name, i}})
}

// removed takes a name away.
func (d *Disk) removed(folder *item, name string) {
	i := folder.names[name]
	delete(folder.names, name)
	i.in = nil
	d.pending = append(d.pending, &operation{gone: place{folder, name, i}})
}

// renamed gives an item another name, which may be that of another one.
func (d *Disk) renamed(from *item, name string, to *item, newName string) {
	i := from.names[name]
	if from == to && name == newName {
		return
	}
	if replaced := to.names[newName]; replaced != nil {
		replaced.in = nil
	}
	delete(from.names, name)
	to.names[newName], i.in, i.name = i, to, newName
	d.pending = append(d.pending, &operation{gone: place{from, name, i}, new: place{to, newName, i}})
}

// syncNames stores the operations that the sync of an item brings to the disk.
func (d *Disk) syncNames(i *item) {
	d.storeNames(func(o *operation) bool {
		return i.folder && o.touches(i) || d.order == Journal && o.made == i
	})
}

// cutNames stores those that have reached the disk before a cut, as chance has it: of the journal, or of each folder, the first few.
func (d *Disk) cutNames(chance *rand.Rand) {
	lasts := map[*operation]bool{}
	last := func(of []*operation) {
		if n := chance.IntN(len(of) + 1); n > 0 {
			lasts[of[n-1]] = true
		}
	}
	if d.order == Journal {
		last(d.pending)
	} else {
		for _, folder := range d.touched() {
			var of []*operation
			for _, o := range d.pending {
				if o.touches(folder) {
					of = append(of, o)
				}
			}
			last(of)
		}
	}
	d.storeNames(func(o *operation) bool { return lasts[o] })
}

// touched are the folders with operations that are not on the disk.
func (d *Disk) touched() (folders []*item) {
	for _, o := range d.pending {
		for _, folder := range []*item{o.gone.in, o.new.in} {
			if folder != nil && !slices.Contains(folders, folder) {
				folders = append(folders, folder)
			}
		}
	}
	return folders
}

// storeNames stores operations, and those before them that they follow.
func (d *Disk) storeNames(wanted func(*operation) bool) {
	followed := map[*item]bool{} // folders with a later one that is stored
	stored := make([]bool, len(d.pending))
	for n, o := range slices.Backward(d.pending) {
		if !wanted(o) && !followed[o.gone.in] && !followed[o.new.in] && (d.order == Folders || len(followed) == 0) {
			continue
		}
		stored[n] = true
		for _, folder := range []*item{o.gone.in, o.new.in} {
			if folder != nil {
				followed[folder] = true
			}
		}
	}
	var left []*operation
	for n, o := range d.pending {
		if stored[n] {
			o.store()
		} else {
			left = append(left, o)
		}
	}
	d.pending = left
}

// content is the file with what is on the disk of a file.
func (d *Disk) content(i *item) string { return filepath.Join(d.durable(), contentName(i.id)) }
