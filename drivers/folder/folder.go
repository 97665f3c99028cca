// Package folder is the driver of devices behind software that does nothing but watch a folder. It drops the file whose
// hash belongs to the panel there under an agreed name, in one step, and knows the end by a file that comes back, by a
// renamed one, or by the removal of its own.
//
// It drops the file of a run once. That it was about to is kept before, and after a restart the folder itself tells what
// happened: the file still has its temporary name, or lies there, or a sign of the end has come; only where nothing is left
// to tell is the outcome unknown. A share that is away tells nothing: it is waited for, for ever.
//
// CAUTION: whatever watches the folder may move its device as soon as the file lies there. A stop takes the file back if
// nobody has taken it yet; it cannot stop what has begun, and is not an emergency stop.
package folder

import (
	"fmt"

	"tandem/drivers"
	"tandem/drivers/filejob"
)

// Kind is the kind of driver.
func Kind() drivers.Kind {
	return drivers.Kind{
		Name:     "folder",
		Summary:  "device behind software that only watches a folder: the file is dropped there, and its end seen there",
		Settings: settings(),
		Example:  map[string]string{"folder": rehearsal},
		New:      newDriver,
		Propose:  proposeSettings,
	}
}

func newDriver(env drivers.Env, given map[string]string) (drivers.Driver, error) {
	c, err := readSettings(env.Device, given)
	if err != nil {
		return nil, err
	}
	return newDesk(env, c, nil)
}

// newDesk makes a driver; files replaces the share.
func newDesk(env drivers.Env, c config, files share) (drivers.Driver, error) {
	if env.Capacity > 1 {
		return nil, fmt.Errorf("capacity is %d: this driver hands over one run, and the next when that is over", env.Capacity)
	}
	switch {
	case files != nil:
	case c.rehearses():
		files = newMemoryShare()
	default:
		files = disk{}
	}
	return filejob.New(env, c.files, c.timing, &machine{config: c, env: env, share: files, turn: make(chan struct{}, 1)}), nil
}
