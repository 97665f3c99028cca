// Package volatile is a disk for tests whose power can be cut. What is written to it is in memory until it has been synced, as on any
// computer, and is lost at the cut, or kept in part: killing a process shows nothing of that, as its writes stay with the system. A sync
// can be let fail, too, and then what it was for is lost although it can still be read, as on Linux (fsync(2), "EIO").
//
// It is a file system in user space (fuse(4)), and needs Linux and root. Names, sizes and directories are on disk at once; only what files
// hold has to be synced. A program that maps a file into memory, as SQLite does, must be another process than the test: one that waits for a
// page of its own disk waits for ever.
package volatile
