package folder

import (
	"maps"
	"strings"
	"testing"

	"tandem/drivers"
)

func TestSettingsAreRefusedWithARemedy(t *testing.T) {
	good := map[string]string{"folder": "/mnt/in", "files": "/srv", "done-file": "done/{name}"}
	for _, test := range []struct {
		name, value, want string
	}{
		{"folder", "", "name the folder that the software watches"},
		{"folder", "in", "name it from the root"},
		{"staging", "in", "name it from the root"},
		{"files", "", "name the folder in which the files of runs lie"},
		{"name", "{panel}-{rnu}", `write {job}, {step}`},
		{"name", "{run", `write {job}, {step}`},
		{"name", "in/{run}", "it names a folder"},
		{"name", "{stem}{run}", "use {file} and {base}"},
		{"name", "con.{run}", "not every system takes"},
		{"name", "{run}.", "not every system takes"},
		{"name", "cut{ext}", "every run would have the same name"},
		{"pickup", "eats", "write moves or leaves"},
		{"done", "soon", "write file, removed or time"},
		{"done-file", "", "say which file says that a run is over"},
		{"done-file", "{name}", "the file that is dropped has such a name itself"},
		{"done-file", "*", "the file that is dropped has such a name itself"},
		{"done-file", "out/", "write the name of a file"},
		{"fail-file", "{job}/x", "placeholders and * belong into the name"},
		{"anchor", "a/b", "without a folder"},
		{"poll", "1ms", "write a duration from 100ms"},
		{"notify", "maybe", "write true or false"},
		{"lost-after", "0s", "write a duration from 1s"},
		{"stop-takes", "x", "write a duration"},
		{"overdue", "-1s", "write a duration"},
	} {
		given := maps.Clone(good)
		given[test.name] = test.value
		_, err := drivers.NewHost(Kind(), drivers.Env{Device: "cutter-1", Operations: []string{"cut"}}, given)
		if want := "setting " + test.name + " is "; err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: %q: error %v, want %q", test.name, test.value, err, test.want)
		}
	}
	if _, err := drivers.NewHost(Kind(), drivers.Env{Device: "cutter-1", Operations: []string{"cut"}}, good); err != nil {
		t.Error(err)
	}
}
