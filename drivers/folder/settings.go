package folder

import (
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"tandem/drivers"
	"tandem/drivers/filejob"
	driverv1 "tandem/proto/tandem/driver/v1"
)

const rehearsal = "rehearsal"

func settings() []drivers.Setting {
	out := []drivers.Setting{
		{Name: "folder", Help: "folder that the device's software watches, from the root of the file system; or rehearsal: nothing is written"},
		{Name: "staging", Help: "folder on the same share in which a file is written before it is dropped; empty: the folder itself, under a name that begins with a dot and ends with .part"},
		{Name: "name", Default: "{panel}-{run}{ext}", Help: "name that is dropped, of {job}, {step}, {run}, {panel} (the first one's code), {device} and, of the file's own name, {file}, {base}, {ext}"},
		{Name: "pickup", Default: "leaves", Help: "what the software does with a file that it takes: moves it out of the folder, or leaves it there until it is done"},
		{Name: "done", Default: "file", Help: "sign that a run is over: file (done-file appears), removed (the dropped file is gone) or time (as long as it takes)"},
		{Name: "done-file", Help: "the file that says a run is over, returned or renamed, such as done/{name} or {stem}*.log; also {stem}: the dropped name without its extension; * is any text"},
		{Name: "fail-file", Help: "the file that says the software has given the run up, such as error/{name}"},
		{Name: "anchor", Default: ".tandem-{device}", Help: "file that is kept in the folder, so that an empty mount point is not taken for a file that was removed; none: there is none"},
		{Name: "poll", Default: "2s", Help: "how often the folder is looked at: 100ms to 10m"},
		{Name: "notify", Default: "true", Help: "whether to look at once when the system tells of a change as well; shares do not always tell"},
		{Name: "lost-after", Default: "30s", Help: "how long a share may be away until the device counts as lost: 1s to 1h"},
		{Name: "stop-takes", Default: "5m", Help: "how long the software may take to end a stopped run that it had taken, until its outcome counts as unknown: 0s to 24h"},
	}
	out = append(out, filejob.FileSettings()...)
	return append(out, filejob.TimingSettings()...)
}

// How the end of a run is known, and what becomes of a file that is taken.
const (
	doneFile    = "file"
	doneRemoved = "removed"
	doneTime    = "time"

	pickupMoves  = "moves"
	pickupLeaves = "leaves"
)

// config is the settings as they are used.
type config struct {
	folder, staging string
	name            string
	pickup, done    string
	doneFile        string
	failFile        string
	anchorName      string // empty: none
	poll            time.Duration
	notify          bool
	lostAfter       time.Duration
	stopTakes       time.Duration
	files           filejob.Files
	timing          filejob.Timing
}

func (c *config) rehearses() bool { return c.folder == rehearsal }

func readSettings(device string, given map[string]string) (config, error) {
	v := drivers.ReadSettings(settings(), given)
	c := config{
		folder: v.String("folder"), staging: v.String("staging"), name: v.String("name"), doneFile: v.String("done-file"), failFile: v.String("fail-file"),
		pickup: choice(v, "pickup", pickupMoves, pickupLeaves), done: choice(v, "done", doneFile, doneRemoved, doneTime),
		poll: v.Duration("poll", 100*time.Millisecond, 10*time.Minute), notify: v.Bool("notify"),
		lostAfter: v.Duration("lost-after", time.Second, time.Hour), stopTakes: v.Duration("stop-takes", 0, 24*time.Hour),
		timing: filejob.ReadTiming(v),
	}
	c.files = filejob.ReadFiles(v, c.rehearses())
	switch {
	case c.folder == "":
		v.Fail("folder", "name the folder that the software watches, such as /mnt/cutter/in; rehearsal tries a floor out without one")
	case !c.rehearses() && !filepath.IsAbs(c.folder):
		v.Fail("folder", "it depends on where the daemon is started: name it from the root of the file system")
	}
	if c.staging != "" && !filepath.IsAbs(c.staging) {
		v.Fail("staging", "it depends on where the daemon is started: name it from the root of the file system, or leave it out")
	}
	c.readPatterns(v)
	c.anchorName = strings.ReplaceAll(v.String("anchor"), "{device}", device)
	if c.anchorName == "none" {
		c.anchorName = ""
	} else if c.anchorName == "" || clean(c.anchorName) != c.anchorName || strings.Trim(c.anchorName, ". ") == "" {
		v.Fail("anchor", "write the name of a file without a folder, such as .tandem-anchor, or none")
	}
	if c.rehearses() {
		c.done, c.pickup, c.notify, c.anchorName = doneTime, pickupMoves, false, ""
	}
	return c, v.Err()
}

// readPatterns checks the patterns of names with values that a run could have.
func (c *config) readPatterns(v *drivers.Values) {
	value := values("device", &driverv1.Grant{Run: "run", Job: "job", Step: "step"}, "file.ext")
	name, err := expand(c.name, value)
	switch {
	case err != nil:
		v.Fail("name", err.Error())
	case strings.Contains(c.name, "{name}") || strings.Contains(c.name, "{stem}"):
		v.Fail("name", "{name} and {stem} are what this setting makes: use {file} and {base}, the file's own name")
	case strings.ContainsAny(c.name, `/\`):
		v.Fail("name", "it names a folder: leave that to the setting folder")
	case safeName(name) != name:
		v.Fail("name", fmt.Sprintf("it gives names such as %q, which not every system takes: use letters, digits, dashes and dots, no dot or blank at either end", name))
	case !strings.Contains(c.name, "{run}") && !strings.Contains(c.name, "{panel}"):
		v.Fail("name", "every run would have the same name: add {run}")
	}
	named := withName(value, name)
	for _, s := range []struct{ name, pattern string }{{"done-file", c.doneFile}, {"fail-file", c.failFile}} {
		sign, err := newSign(s.pattern, c.folder, named)
		switch {
		case err != nil:
			v.Fail(s.name, err.Error())
		case sign != nil && sign.Dir == filepath.Clean(c.folder) && sign.matches(name):
			v.Fail(s.name, "the file that is dropped has such a name itself: say how the other one differs")
		}
	}
	if c.done == doneFile && c.doneFile == "" && !c.rehearses() {
		v.Fail("done-file", "done is file, so say which file says that a run is over, such as done/{name}; or choose another done")
	}
}

// withName adds {name} and {stem}, the dropped name with and without its extension.
func withName(value func(string) string, name string) func(string) string {
	return func(placeholder string) string {
		switch placeholder {
		case "name":
			return name
		case "stem":
			return strings.TrimSuffix(name, filepath.Ext(name))
		}
		return value(placeholder)
	}
}

func choice(v *drivers.Values, name string, words ...string) string {
	value := v.String(name)
	for _, w := range words {
		if value == w {
			return w
		}
	}
	v.Fail(name, "write "+strings.Join(words[:len(words)-1], ", ")+" or "+words[len(words)-1])
	return words[0]
}
