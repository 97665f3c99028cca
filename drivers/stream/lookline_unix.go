//go:build unix

package stream

import (
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"

	"tandem/drivers"
)

// lookAtLine says what can be seen of a line by its name, and whether this user may open it.
func lookAtLine(path string) ([]drivers.Fact, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("look at %s: %w", path, err)
	}
	owner := ""
	if s, ok := info.Sys().(*syscall.Stat_t); ok {
		owner = fmt.Sprintf(", owner %s, group %s", nameOf(user.LookupId, s.Uid), groupOf(s.Gid))
	}
	facts := []drivers.Fact{{Name: "line", Value: info.Mode().String() + owner}}
	if info.Mode()&fs.ModeCharDevice == 0 {
		return nil, fmt.Errorf("%s is no serial line (%s)", path, info.Mode())
	}
	if err := unix.Access(path, unix.R_OK|unix.W_OK); err != nil {
		return append(facts, drivers.Fact{Name: "permission", Value: "the user who runs this may not open it: add the daemon's user to the line's group"}), nil
	}
	return append(facts, drivers.Fact{Name: "permission", Value: "the user who runs this may open it; the daemon's user must be allowed too"}), nil
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
