// Package all lists every kind of driver and of watcher that the daemon has built in. A new one is added to All, and nothing else knows
// of it by name.
package all

import (
	"fmt"
	"strings"

	"tandem/drivers"
	"tandem/drivers/folder"
	"tandem/drivers/ipp"
	"tandem/drivers/operator"
	"tandem/drivers/rack"
	"tandem/drivers/signal"
	"tandem/drivers/sim"
	"tandem/drivers/snmp"
	"tandem/drivers/stream"
	"tandem/proto/yamlfile"
)

// All returns every kind, in the order of their names.
func All() []drivers.Kind {
	return []drivers.Kind{
		folder.Kind(),
		ipp.Kind(),
		operator.Kind(),
		rack.Kind(),
		signal.Kind(),
		sim.Kind(),
		snmp.Kind(),
		stream.Kind(),
	}
}

// Find returns the kind of a name. Its error says which there are.
func Find(name string) (drivers.Kind, error) {
	var names []string
	for _, k := range All() {
		if k.Name == name {
			return k, nil
		}
		names = append(names, k.Name)
	}
	if near := yamlfile.Nearest(name, names); near != "" {
		return drivers.Kind{}, fmt.Errorf("driver kind %q is not known; did you mean %q?", name, near)
	}
	return drivers.Kind{}, fmt.Errorf("driver kind %q is not known; there are %s", name, strings.Join(names, ", "))
}
