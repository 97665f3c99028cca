package config

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/pflag"

	"tandem/proto/yamlfile"
)

// Settings are the daemon's own settings. Each comes from the first place that has it: a flag, an environment variable
// TANDEM_*, the settings file, the default.
type Settings struct {
	DataDir    string  // absolute; the daemon creates it
	Listen     string  // gRPC, host:port on loopback
	BusListen  string  // bus for drivers of other processes, host:port on loopback; empty: only bundled drivers
	MQTTListen string  // MQTT for sensors and their watchers, host:port; empty: nobody listens
	PlanSearch bool    // plans are searched for in the background
	TimeScale  float64 // how much faster than the wall clock the floor's clock runs; 1 except on a simulated floor
	Floor      string  // path of the floor file, absolute
	SpaceLimit int64   // free bytes on the data folder's disk below which no new work is taken
	Ballast    int64   // bytes held back there for reports of running work
	LogLevel   string  // debug, info, warn or error
	LogFormat  string  // console or json

	Cluster     []string // addresses of the NATS servers that keep the ledger; empty: the daemon keeps it itself
	Name        string   // of this daemon among those of a cluster
	Advertise   string   // host:port at which clients reach it
	Credentials string   // folder with the passwords of the cluster's users, absolute

	// Values are the same with where each came from, in a fixed order, for showing.
	Values []Value
}

// Value is a setting and its origin.
type Value struct {
	Name   string // as the flag: data-dir
	Text   string
	Origin string // flag --data-dir, environment TANDEM_DATA_DIR, FILE:LINE, or default
}

// SettingError is a setting that cannot be used.
type SettingError struct {
	Name    string // as the flag; empty for what is no setting
	Origin  string // as in Value
	Problem string // what is wrong and what would be right
}

// Error returns name, origin and problem.
func (e *SettingError) Error() string {
	if e.Name == "" {
		return e.Origin + ": " + e.Problem
	}
	return fmt.Sprintf("%s (%s): %s", e.Name, e.Origin, e.Problem)
}

// setting is how one setting is named, found and read.
type setting struct {
	name   string
	usage  string
	preset func(Host) (string, error) // the default
	path   bool                       // relative to the settings file if given there, else to the working folder
	read   func(*Settings, string) error
}

const configFlag = "config"

// Flags adds the flags of every setting to fs. Their defaults are worked out by LoadSettings, so that what was not given
// can be told from what was.
func Flags(fs *pflag.FlagSet) {
	fs.String(configFlag, "", "settings file, YAML (default tandemd.yaml in the settings folder, if it is there)")
	for _, s := range allSettings() {
		fs.String(s.name, "", s.usage)
	}
}

// LoadSettings works out the settings. The flags are those that Flags has added. Its errors are *SettingError, or joined
// ones of it, or tell why the settings file cannot be read.
func LoadSettings(flags *pflag.FlagSet, host Host) (*Settings, error) {
	file, err := readSettingsFile(flags, host)
	if err != nil {
		return nil, err
	}
	out := &Settings{}
	problems := file.problems()
	for _, s := range allSettings() {
		v, err := s.find(flags, host, file)
		if err == nil {
			err = s.read(out, v.Text)
		}
		if err != nil {
			problems = append(problems, &SettingError{Name: s.name, Origin: v.Origin, Problem: err.Error()})
			continue
		}
		out.Values = append(out.Values, v)
	}
	if len(problems) == 0 && len(out.Cluster) == 0 && out.Listen == out.BusListen && !strings.HasSuffix(out.Listen, ":0") {
		problems = append(problems, &SettingError{Name: "bus-listen", Origin: "same as listen", Problem: "is " + out.Listen + " too; give it a port of its own"})
	}
	if len(problems) == 0 {
		if err := out.checkCluster(); err != nil {
			problems = append(problems, err)
		}
	}
	if len(problems) > 0 {
		return nil, fmt.Errorf("read settings: %w", errors.Join(problems...))
	}
	return out, nil
}

// find returns the setting from the first place that has it.
func (s setting) find(flags *pflag.FlagSet, host Host, file *settingsFile) (Value, error) {
	v := Value{Name: s.name}
	base := ""
	if given, ok := fromFlag(flags, s.name); ok {
		v.Text, v.Origin = given, "flag --"+s.name
	} else if given, ok := host.LookupEnv(variable(s.name)); ok {
		v.Text, v.Origin = given, "environment "+variable(s.name)
	} else if given, ok := file.values[key(s.name)]; ok {
		v.Text, v.Origin = given, file.at(key(s.name))
		base = filepath.Dir(file.path)
	} else {
		v.Origin = "default"
		text, err := s.preset(host)
		v.Text = text
		return v, err
	}
	if s.path && v.Text != "" && !filepath.IsAbs(v.Text) {
		abs, err := filepath.Abs(filepath.Join(base, v.Text))
		if err != nil {
			return v, fmt.Errorf("make %s absolute: %w", yamlfile.Quote(v.Text), err)
		}
		v.Text = abs
	}
	return v, nil
}

func fromFlag(flags *pflag.FlagSet, name string) (string, bool) {
	f := flags.Lookup(name)
	if f == nil || !f.Changed {
		return "", false
	}
	return f.Value.String(), true
}

// variable returns the environment variable of a setting, key its name in the settings file.
func variable(name string) string { return "TANDEM_" + strings.ToUpper(key(name)) }
func key(name string) string      { return strings.ReplaceAll(name, "-", "_") }
