//go:build unix

package ipp

import (
	"context"
	"fmt"
	"hash/fnv"
	"testing"
	"time"

	"tandem/drivers"
	"tandem/drivers/drivertest"
	tandemv1 "tandem/proto/tandem/v1"
)

// TestConformanceOfEve runs the suite of all drivers against a printer of CUPS. The suite lives in virtual time, the printer
// does not: what takes minutes for the driver takes it milliseconds.
func TestConformanceOfEve(t *testing.T) {
	t.Parallel()
	e := newEve(t)
	e.byItself()
	document, _ := artwork(t, "%PDF-1.4 conformance")
	kind := Kind()
	kind.Example = map[string]string{"uri": e.uri(), "default-document": document, "poll": "10s", "poll-slow": "8m", "lost-after": "10m"}
	make := kind.New
	kind.New = func(env drivers.Env, given map[string]string) (drivers.Driver, error) {
		// Each test of the suite begins with its run r1, of a device of its own here: the printer remembers, and a run that it
		// has done it does not do again.
		h := fnv.New64a()
		fmt.Fprint(h, env.StateDir)
		env.Device = fmt.Sprintf("d-%x", h.Sum64())
		driver, err := make(env, given)
		if err == nil && env.StateDir != "" {
			freed(t, driver.(*device))
		}
		return driver, err
	}
	drivertest.Run(t, kind)
}

// freed waits until the printer has done with what the test before left to it.
func freed(t *testing.T, d *device) {
	deadline := 2000
	for {
		p, err := d.client.printer(context.Background()) // that of the test is none of the bubble
		if err == nil && p.state == tandemv1.DeviceState_DEVICE_STATE_IDLE {
			return
		}
		if deadline--; deadline == 0 {
			t.Fatalf("the printer is not free: %v %v", p, err)
		}
		time.Sleep(time.Millisecond) // virtual: each question takes as long as it takes
	}
}
