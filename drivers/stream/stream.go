// Package stream is the driver of cutters and other devices that take their work as bytes on a raw socket (often port
// 9100) or on a serial line. It sends the file whose hash belongs to the panel, no faster than the device and the pace
// allow, and tells how far it is by bytes and by time.
//
// It never sends a byte of a run twice: that a run was begun is kept before its first byte leaves. Where the connection is
// lost in a run, or the driver dies, nobody knows how far the device got; the run is reported so, and a person looks. Only
// a device that itself says how many bytes it has can be sent the rest, within a short time, if the floor file says so.
//
// CAUTION: the device moves while bytes come and for as long as it has some. A stop ends the sending; it is as late as the
// network and the device's memory make it, and is not an emergency stop.
package stream

import (
	"fmt"

	"tandem/drivers"
	"tandem/drivers/filejob"
)

// Kind is the kind of driver.
func Kind() drivers.Kind {
	return drivers.Kind{
		Name:     "stream",
		Summary:  "cutter or other device that takes its file on a raw socket (port 9100 style) or a serial line",
		Settings: settings(),
		Example:  map[string]string{"address": rehearsal, "stop-send": `\x18`},
		New:      newDriver,
		Propose:  proposeSettings,
	}
}

func newDriver(env drivers.Env, given map[string]string) (drivers.Driver, error) {
	c, err := readSettings(given)
	if err != nil {
		return nil, err
	}
	return newDesk(env, c, nil)
}

// newDesk makes a driver; open replaces what opens a line.
func newDesk(env drivers.Env, c config, open opener) (drivers.Driver, error) {
	if env.Capacity > 1 {
		return nil, fmt.Errorf("capacity is %d: a device that is sent bytes works on one run", env.Capacity)
	}
	if open == nil {
		open = c.opener()
	}
	return filejob.New(env, c.fileSettings, c.timing, &machine{config: c, env: env, open: open}), nil
}
