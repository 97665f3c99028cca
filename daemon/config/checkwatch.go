package config

import (
	"errors"
	"fmt"

	tandemv1 "tandem/proto/tandem/v1"
)

// mostWatches is drivers.MaxWatchers in the words of a floor file; more would not make a device better known.
const mostWatches = 4

// watches checks what watches a device.
func (c *check) watches(field string, d *tandemv1.Device) {
	c.count(field, len(d.GetWatch()), mostWatches)
	for i, w := range d.GetWatch() {
		at := fmt.Sprintf("%s[%d]", field, i)
		if w.GetKind() == "" {
			c.add(at+".kind", "is missing; name the kind of watcher, such as snmp or signal")
			continue
		}
		c.words(at+".settings", w.GetSettings())
		if !tandemv1.ValidID(w.GetKind()) {
			c.id(at+".kind", w.GetKind())
			continue
		}
		kind, err := c.kinds(w.GetKind())
		switch {
		case err != nil && d.GetDriver().GetExternal(): // a process of its own may know it
		case err != nil:
			c.add(at+".kind", "%v", err)
		case kind.CheckWatch != nil:
			c.joined(at+".settings", kind.CheckWatch(d, w))
		}
	}
}

// joined adds each of the errors that have been joined.
func (c *check) joined(field string, err error) {
	var joined interface{ Unwrap() []error }
	switch {
	case errors.As(err, &joined):
		for _, e := range joined.Unwrap() {
			c.add(field, "%v", e)
		}
	case err != nil:
		c.add(field, "%v", err)
	}
}
