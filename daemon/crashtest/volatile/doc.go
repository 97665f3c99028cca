// Package volatile is a disk for tests whose power can be cut. What is written to it is in memory until it has been synced, as on any
// computer, and is lost at the cut, or kept in part: killing a process shows nothing of that, as its writes stay with the system. A sync
// can be let fail, too, and then what it was for is lost although it can still be read, as on Linux (fsync(2), "EIO").
//
// Names are lost as well: a new file, a new folder, a rename or a deletion that nothing has brought to the disk may be undone. "Calling
// fsync() does not necessarily ensure that the entry in the directory containing the file has also reached disk. For that an explicit fsync()
// on a file descriptor for the directory is also needed" (fsync(2)). What file systems do beyond that is no promise of POSIX, so there are
// two sorts of disk:
//
//   - [Journal], as ext4 and xfs do in practice: the operations of a file system go to one journal, and one that is on the disk is there with
//     all before it. A sync of a folder brings those on its names there, and that of a new file the making of it. The cut leaves the first few
//     of the others. (From memory, and from what Pillai et al. found in "All File Systems Are Not Created Equal", OSDI 2014.)
//   - [Folders], as POSIX promises: the operations of each folder are for themselves, and only the sync of that folder counts. A new file that
//     was synced can be gone, and a folder with all that was synced in it. An operation is still done in whole or not at all; a rename from one
//     folder to another belongs to both, and a sync of either brings it to the disk.
//
// The store of a cluster's server needs the first sort: it syncs what a new block holds, and not the folder (nats-server 2.15.2). On the
// second, what it was the only one to have can be gone. For the server in its own process tandemd syncs the folder, before it acknowledges.
//
// Both are harder than a real disk where that may do more and need not: the data of a file that takes another's name is not written out
// before (ext4, auto_da_alloc), a sync of a file that has grown takes nothing along but its making, and a time that passes is no sync. They are
// easier in sizes: a file that is cut short, or emptied, is so on the disk at once.
//
// It is a file system in user space (fuse(4)), and needs Linux and root. A program that maps a file into memory, as SQLite does, must be another
// process than the test: one that waits for a page of its own disk waits for ever.
package volatile
