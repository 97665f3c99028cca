// Package space watches the disk that holds the daemon's data, and says early enough when nothing new may be taken: a store
// whose disk is really full stops answering, and what it stops at is a report about a machine that runs.
//
// Below a limit of free space the daemon is read-only: no new work, no new grants, while what drivers and people tell about
// running work still goes into the space that is left. A ballast file, of blocks that are really allocated, is given up when
// even that runs low. Once enough is free again the ballast is taken back and the daemon goes on by itself. A disk may also run
// out of inodes, with bytes enough: the store's next file cannot be made then, so their number has a limit, too.
//
// The package never removes anything but its own two files, never decides which request is new work, and does not know the
// store: whoever has seen a write fail says so with [Watch.Suspect].
package space
