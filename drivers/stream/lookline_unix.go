//go:build unix

package stream

import (
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"

	"tandem/drivers"
)

// lookAtLine says what can be seen of a line without opening it, and whether this user may open it.
func lookAtLine(path string) ([]drivers.Fact, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("look at %s: %w", path, err)
	}
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok || info.Mode()&fs.ModeCharDevice == 0 {
		return nil, fmt.Errorf("%s is no serial line (%s): name one such as /dev/ttyUSB0", path, info.Mode())
	}
	number := uint64(s.Rdev) //nolint:unconvert // it has other types on other systems
	// Linux tells here what kind of device it is; nothing is there for a pseudo-terminal, and on other systems.
	kind, err := os.Readlink(fmt.Sprintf("/sys/dev/char/%d:%d/subsystem", unix.Major(number), unix.Minor(number)))
	if kind = filepath.Base(kind); err == nil && kind != "tty" {
		return nil, fmt.Errorf("%s is no serial line, but a device of the kind %q: name one such as /dev/ttyUSB0", path, kind)
	}
	facts := []drivers.Fact{{
		Name:  "line",
		Value: fmt.Sprintf("mode %04o, owner %s, group %s", info.Mode().Perm(), nameOf(user.LookupId, s.Uid), groupOf(s.Gid)),
	}}
	permission := "the user who runs this may open it; the daemon's user must be allowed too"
	if unix.Access(path, unix.R_OK|unix.W_OK) != nil {
		permission = "the user who runs this may not open it: add the daemon's user to the line's group"
	}
	return append(facts, drivers.Fact{Name: "permission", Value: permission}), nil
}

func nameOf(find func(string) (*user.User, error), id uint32) string {
	number := strconv.FormatUint(uint64(id), 10)
	if u, err := find(number); err == nil {
		return u.Username
	}
	return number
}

func groupOf(id uint32) string {
	number := strconv.FormatUint(uint64(id), 10)
	if g, err := user.LookupGroupId(number); err == nil {
		return g.Name
	}
	return number
}
