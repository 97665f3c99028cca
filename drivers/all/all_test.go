package all_test

import (
	"slices"
	"strings"
	"testing"

	"tandem/drivers"
	"tandem/drivers/all"
	"tandem/drivers/blueprint"
	"tandem/drivers/drivertest"
	"tandem/drivers/ipp/ipptest"
)

func TestEveryKind(t *testing.T) {
	// The blueprint is no kind that a shop should meet, but who copies it wants a driver that works.
	for _, kind := range append(all.All(), blueprint.Kind()) {
		t.Run(kind.Name, func(t *testing.T) {
			if kind.Name == "ipp" { // which needs a device to talk to
				kind = ipptest.Conformable(t, kind)
			}
			if kind.New != nil {
				drivertest.Run(t, kind)
			}
			if kind.NewWatcher != nil {
				drivertest.RunWatcher(t, kind)
			}
		})
	}
}

func TestAllIsInOrderAndWithoutDoubles(t *testing.T) {
	var names []string
	for _, k := range all.All() {
		names = append(names, k.Name)
	}
	if !slices.IsSorted(names) || len(slices.Compact(slices.Clone(names))) != len(names) {
		t.Errorf("kinds are %v, want each once and in order", names)
	}
}

func TestFind(t *testing.T) {
	for _, k := range all.All() {
		if got, err := all.Find(k.Name); err != nil || got.Name != k.Name {
			t.Errorf("Find(%q) = %q, %v", k.Name, got.Name, err)
		}
	}
	for name, want := range map[string]string{"simm": `did you mean "sim"?`, "no-such-kind": "there are folder, ipp, operator, rack, signal, sim, snmp, stream"} {
		if _, err := all.Find(name); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("Find(%q): error %v, want %q", name, err, want)
		}
	}
}

// TestNamesSuggest holds the promise that a setting with a slip is refused with the setting that was meant.
func TestNamesSuggest(t *testing.T) {
	for _, k := range all.All() {
		for _, s := range k.Settings {
			env, slip := drivers.Env{Device: "d", Operations: []string{"cut"}}, map[string]string{s.Name + "x": "1"}
			_, err := drivers.NewHost(k, env, slip)
			if k.New == nil {
				_, err = drivers.NewWatcher(k, env, slip)
			}
			if want := `did you mean "` + s.Name + `"?`; err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: setting %q: error %v, want %s", k.Name, s.Name+"x", err, want)
			}
		}
	}
}
