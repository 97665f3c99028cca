package config

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/pflag"

	"tandem/proto/yamlfile"
)

func hostWith(env map[string]string) Host {
	return Host{OS: "linux", Home: "/home/edda", LookupEnv: func(name string) (string, bool) {
		v, ok := env[name]
		return v, ok
	}}
}

func load(t *testing.T, args []string, h Host) (*Settings, error) {
	t.Helper()
	flags := pflag.NewFlagSet("tandemd", pflag.ContinueOnError)
	Flags(flags)
	if err := flags.Parse(args); err != nil {
		t.Fatal(err)
	}
	return LoadSettings(flags, h)
}

func settingsIn(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "tandemd.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestDefaults(t *testing.T) {
	got, err := load(t, nil, hostWith(nil))
	if err != nil {
		t.Fatal(err)
	}
	want := []Value{
		{"data-dir", "/home/edda/.local/state/tandem", "default"},
		{"listen", "127.0.0.1:7431", "default"},
		{"bus-listen", "127.0.0.1:7432", "default"},
		{"mqtt-listen", "", "default"},
		{"time-scale", "1", "default"},
		{"floor", "/home/edda/.config/tandem/floor.yaml", "default"},
		{"plan-search", "on", "default"},
		{"space-limit", "64MiB", "default"},
		{"space-ballast", "64MiB", "default"},
		{"log-level", "info", "default"},
		{"log-format", "console", "default"},
		{"cluster", "", "default"},
		{"name", "", "default"},
		{"advertise", "", "default"},
		{"credentials", "/home/edda/.config/tandem/credentials", "default"},
	}
	if fmt.Sprint(got.Values) != fmt.Sprint(want) {
		t.Errorf("got  %v\nwant %v", got.Values, want)
	}
	if got.DataDir != want[0].Text || got.Listen != want[1].Text || got.BusListen != want[2].Text || got.TimeScale != 1 ||
		got.Floor != want[5].Text || !got.PlanSearch || got.LogLevel != "info" || got.LogFormat != "console" {
		t.Errorf("settings %+v differ from the values shown", got)
	}
}

func TestDefaultFolders(t *testing.T) {
	tests := []struct {
		name            string
		host            Host
		env             map[string]string
		state, settings string
	}{
		// XDG Base Directory Specification: defaults, variables, relative ones ignored.
		{"user", Host{OS: "linux", Home: "/home/edda"}, nil, "/home/edda/.local/state/tandem", "/home/edda/.config/tandem/tandemd.yaml"},
		{
			"user with variables",
			Host{OS: "linux", Home: "/home/edda"},
			map[string]string{"XDG_STATE_HOME": "/s", "XDG_CONFIG_HOME": "/c"},
			"/s/tandem", "/c/tandem/tandemd.yaml",
		},
		{
			"user with relative variables",
			Host{OS: "linux", Home: "/home/edda"},
			map[string]string{"XDG_STATE_HOME": "s", "XDG_CONFIG_HOME": "c"},
			"/home/edda/.local/state/tandem", "/home/edda/.config/tandem/tandemd.yaml",
		},
		{"root", Host{OS: "linux", Root: true, Home: "/root"}, map[string]string{"XDG_STATE_HOME": "/s"}, "/var/lib/tandem", "/etc/tandem/tandemd.yaml"},
		// systemd.exec(5), StateDirectory= and ConfigurationDirectory=: several are separated by colons.
		{
			"service with a user of its own",
			Host{OS: "linux"},
			map[string]string{"STATE_DIRECTORY": "/var/lib/shop:/x", "CONFIGURATION_DIRECTORY": "/etc/shop"},
			"/var/lib/shop", "/etc/shop/tandemd.yaml",
		},
		{"Windows", Host{OS: "windows", Home: `C:\Users\edda`}, map[string]string{"ProgramData": `D:\ProgramData\`}, `D:\ProgramData\tandem`, `D:\ProgramData\tandem\tandemd.yaml`},
		{"Windows without the variable", Host{OS: "windows"}, nil, `C:\ProgramData\tandem`, `C:\ProgramData\tandem\tandemd.yaml`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.host.LookupEnv = hostWith(tt.env).LookupEnv
			if got, err := stateFolder.on(tt.host); err != nil || got != tt.state {
				t.Errorf("state in %s, %v, want %s", got, err, tt.state)
			}
			if got, err := settingsFolder.file(tt.host, "tandemd.yaml"); err != nil || got != tt.settings {
				t.Errorf("settings in %s, %v, want %s", got, err, tt.settings)
			}
		})
	}
	_, err := load(t, nil, Host{OS: "linux", LookupEnv: hostWith(nil).LookupEnv})
	if err == nil || !strings.Contains(err.Error(), "data-dir (default): there is no home folder to put it in; give a path") {
		t.Errorf("without a home: %v", err)
	}
	dir := t.TempDir()
	if s, err := load(t, []string{"--data-dir", dir, "--floor", dir}, Host{OS: "linux", LookupEnv: hostWith(nil).LookupEnv}); err != nil || s.DataDir != dir {
		t.Errorf("without a home, with paths: %v, %v", s, err)
	}
}

func TestPrecedence(t *testing.T) {
	path := settingsIn(t, "# settings\nlisten: 127.0.0.1:1\nbus_listen: \"\"\ntime_scale: 60\nlog_level: warn\ndata_dir: data\n")
	floor := filepath.Join(t.TempDir(), "a.yaml")
	env := map[string]string{"TANDEM_LISTEN": "[::1]:2", "TANDEM_LOG_LEVEL": "error", "TANDEM_CONFIG": path, "TANDEM_FLOOR": floor}
	got, err := load(t, []string{"--listen", "localhost:3"}, hostWith(env))
	if err != nil {
		t.Fatal(err)
	}
	want := []Value{
		{"data-dir", filepath.Join(filepath.Dir(path), "data"), path + ":6"}, // relative to the file
		{"listen", "localhost:3", "flag --listen"},
		{"bus-listen", "", path + ":3"},
		{"mqtt-listen", "", "default"},
		{"time-scale", "60", path + ":4"},
		{"floor", floor, "environment TANDEM_FLOOR"},
		{"plan-search", "on", "default"},
		{"space-limit", "64MiB", "default"},
		{"space-ballast", "64MiB", "default"},
		{"log-level", "error", "environment TANDEM_LOG_LEVEL"},
		{"log-format", "console", "default"},
		{"cluster", "", "default"},
		{"name", "", "default"},
		{"advertise", "", "default"},
		{"credentials", "/home/edda/.config/tandem/credentials", "default"},
	}
	if fmt.Sprint(got.Values) != fmt.Sprint(want) {
		t.Errorf("got  %v\nwant %v", got.Values, want)
	}
	if got.Listen != "127.0.0.1:3" || got.BusListen != "" || got.TimeScale != 60 || got.LogLevel != "error" {
		t.Errorf("got %+v", got)
	}
}

func TestPathsFromFlagsAreMadeAbsolute(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	got, err := load(t, []string{"--data-dir=d", "--floor", "../f.yaml"}, hostWith(nil))
	if err != nil || got.DataDir != filepath.Join(dir, "d") || got.Floor != filepath.Join(filepath.Dir(dir), "f.yaml") {
		t.Errorf("got %+v, %v", got, err)
	}
}

func TestSettingsRefused(t *testing.T) {
	tests := []struct {
		name, arg, file string
		want            string
	}{
		{"all interfaces", "--listen=:7431", "", `listen (flag --listen): is ":7431", where other machines could reach the daemon`},
		{"all IPv4 interfaces", "--listen=0.0.0.0:7431", "", "tunnel"},
		{"all IPv6 interfaces", "--listen=[::]:7431", "", "tunnel"},
		{"the local network", "--bus-listen=192.168.1.5:7432", "", "bus-listen (flag --bus-listen): is"},
		{"a name", "--listen=example.org:7431", "", "tunnel"},
		{"mapped", "--listen=[::ffff:10.0.0.1]:7431", "", "tunnel"},
		{"no port", "--listen=127.0.0.1", "", "give host:port"},
		{"service name", "--listen=127.0.0.1:http", "", `has the port "http"`},
		{"great port", "--listen=127.0.0.1:65536", "", "from 0 to 65535"},
		{"same port", "--listen=127.0.0.1:7432", "", "give it a port of its own"},
		{"empty", "--listen=", "", "give host:port"},
		{"empty folder", "--data-dir=", "", "data-dir (flag --data-dir): is empty; name a folder"},
		{"empty floor", "--floor=", "", "floor (flag --floor): is empty"},
		{"scale", "--time-scale=0", "", "give a number from 1 to 10000"},
		{"scale NaN", "--time-scale=NaN", "", "give a number from 1 to 10000"},
		{"scale word", "--time-scale=fast", "", `is "fast"; give a number`},
		{"level", "--log-level=loud", "", `is "loud"; give one of debug, info, warn, error`},
		{"format", "--log-format=xml", "", "give one of console, json"},
		{"unknown key", "", "lisen: 127.0.0.1:1", `FILE:1: unknown setting "lisen"; did you mean listen?`},
		{"unknown key, nothing near", "", "\ncolour: red", `FILE:2: unknown setting "colour"; there are data_dir, listen,`},
		{"flag's spelling", "", "data-dir: /x", `unknown setting "data-dir"; did you mean data_dir?`},
		{"list", "", "listen: [a]", "listen (FILE:1): must be one value"},
		{"nothing", "", "listen:", "listen (FILE:1): must be one value"},
		{"value in a file", "", "\n\nlog_level: loud", "log-level (FILE:3): is \"loud\""},
		{"truth", "", "log_level: true", `is "true"`},
		{"repeated key", "", "listen: 127.0.0.1:1\nlisten: 127.0.0.1:1", "FILE:2: listen: is given twice"},
		{"no mapping", "", "listen", "FILE: "},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var args []string
			if tt.arg != "" {
				args = append(args, tt.arg)
			}
			path := ""
			if tt.file != "" {
				path = settingsIn(t, tt.file)
				args = append(args, "--config", path)
			}
			got, err := load(t, args, hostWith(nil))
			want := strings.ReplaceAll(tt.want, "FILE", path)
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Fatalf("got %+v, %v, want ...%s...", got, err, want)
			}
			var setting *SettingError
			var file *yamlfile.Error
			if !errors.As(err, &setting) && !errors.As(err, &file) {
				t.Errorf("error of type %T has no *SettingError and no *yamlfile.Error", err)
			}
		})
	}
	_, err := load(t, []string{"--log-level=x", "--listen=x"}, hostWith(map[string]string{"TANDEM_TIME_SCALE": "x"}))
	for _, want := range []string{"log-level (flag", "listen (flag", "time-scale (environment TANDEM_TIME_SCALE)"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want ...%s...", err, want)
		}
	}
	if _, err := load(t, []string{"--config", filepath.Join(t.TempDir(), "none.yaml")}, hostWith(nil)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a named settings file that is not there: %v", err)
	}
}

func TestListenAnyFreePort(t *testing.T) {
	got, err := load(t, []string{"--listen=127.0.0.1:0", "--bus-listen=127.0.0.1:0"}, hostWith(nil))
	if err != nil || got.Listen != "127.0.0.1:0" {
		t.Errorf("got %+v, %v", got, err)
	}
}

func TestThisHost(t *testing.T) {
	h := ThisHost()
	dir, err := stateFolder.on(h)
	if err != nil || !filepath.IsAbs(dir) {
		t.Errorf("data of this host in %q, %v, want an absolute path", dir, err)
	}
	t.Setenv("TANDEM_LOG_LEVEL", "warn")
	if v, ok := h.LookupEnv("TANDEM_LOG_LEVEL"); !ok || v != "warn" {
		t.Errorf("environment says %q, %v", v, ok)
	}
}

// FuzzLoopback: whatever passes is a loopback address with a port, by the word of package net.
func FuzzLoopback(f *testing.F) {
	for _, s := range []string{"127.0.0.1:7431", "[::1]:0", "localhost:1", ":1", "127.1:1", "[::ffff:127.0.0.1]:1", "127.0.0.1%0:1", "[fe80::1%lo]:1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := loopback(s)
		if err != nil {
			return
		}
		a, err := net.ResolveTCPAddr("tcp", got)
		if err != nil || !a.IP.IsLoopback() {
			t.Errorf("loopback(%q) = %s: %v, %v", s, got, a, err)
		}
		if p, err := netip.ParseAddrPort(got); err != nil || !p.Addr().Unmap().IsLoopback() {
			t.Errorf("loopback(%q) = %s: %v, %v", s, got, p, err)
		}
	})
}
