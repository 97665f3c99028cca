//go:build !linux

package folder

// fileSystem says whether a folder is on a share, and how much room there is: this system is not asked.
func fileSystem(string) (kind, free string) {
	return "not known: look whether it is a network share", "not known"
}
