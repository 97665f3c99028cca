package config

import (
	"errors"
	"os"
	"path"
	"runtime"
	"strings"
)

// Host is what the defaults depend on.
type Host struct {
	OS        string // as runtime.GOOS
	Root      bool   // runs as the superuser, as services do that were given no user of their own
	Home      string // the user's home folder; empty if there is none
	LookupEnv func(string) (string, bool)
}

// ThisHost returns the machine and user the process runs as.
func ThisHost() Host {
	home, err := os.UserHomeDir()
	if err != nil {
		home = ""
	}
	return Host{OS: runtime.GOOS, Root: os.Geteuid() == 0, Home: home, LookupEnv: os.LookupEnv}
}

// folder is a place for files of one sort on each kind of host.
type folder struct {
	service  string // variable in which systemd.exec(5) names the folder it has made for a unit
	root     string // for the superuser
	xdg      string // variable of the XDG Base Directory Specification
	fallback string // that specification's default, under the home folder
}

var (
	stateFolder    = folder{service: "STATE_DIRECTORY", root: "/var/lib/tandem", xdg: "XDG_STATE_HOME", fallback: ".local/state"}
	settingsFolder = folder{service: "CONFIGURATION_DIRECTORY", root: "/etc/tandem", xdg: "XDG_CONFIG_HOME", fallback: ".config"}
)

// on returns the folder on a host: %ProgramData%\tandem on Windows; elsewhere what the service manager says, else the
// superuser's, else the user's.
func (f folder) on(h Host) (string, error) {
	if h.OS == "windows" {
		base := h.env("ProgramData")
		if base == "" {
			base = `C:\ProgramData`
		}
		return strings.TrimRight(base, `\/`) + `\tandem`, nil
	}
	if given, _, _ := strings.Cut(h.env(f.service), ":"); given != "" {
		return given, nil
	}
	if h.Root {
		return f.root, nil
	}
	// The specification has relative paths in its variables ignored.
	if base := h.env(f.xdg); path.IsAbs(base) {
		return path.Join(base, "tandem"), nil
	}
	if h.Home == "" {
		return "", errors.New("there is no home folder to put it in; give a path")
	}
	return path.Join(h.Home, f.fallback, "tandem"), nil
}

// file returns the path of a file in the folder.
func (f folder) file(h Host, name string) (string, error) {
	dir, err := f.on(h)
	if err != nil {
		return "", err
	}
	if h.OS == "windows" {
		return dir + `\` + name, nil
	}
	return path.Join(dir, name), nil
}

func (h Host) env(name string) string {
	v, _ := h.LookupEnv(name)
	return v
}
