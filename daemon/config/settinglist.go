package config

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strconv"
	"strings"

	"tandem/proto/yamlfile"
)

// mostTimeScale is a day in nine seconds.
const mostTimeScale = 10_000

// allSettings returns every setting, in the order in which they are shown.
func allSettings() []setting {
	return append([]setting{
		{
			name: "data-dir", path: true, preset: stateFolder.on,
			usage: "folder for the ledger and everything else that is kept (default depends on the system: see the command config)",
			read: func(s *Settings, v string) error {
				s.DataDir = v
				return given(v, "name a folder")
			},
		},
		{
			name: "listen", preset: constant("127.0.0.1:7431"),
			usage: "address for clients, gRPC (default 127.0.0.1:7431)",
			read: func(s *Settings, v string) (err error) {
				s.Listen, err = loopback(v)
				return err
			},
		},
		{
			name: "bus-listen", preset: constant("127.0.0.1:7432"),
			usage: `address for drivers of other processes, NATS; "" for none (default 127.0.0.1:7432)`,
			read: func(s *Settings, v string) (err error) {
				if v == "" {
					s.BusListen = ""
					return nil
				}
				s.BusListen, err = loopback(v)
				return err
			},
		},
		{
			name: "mqtt-listen", preset: constant(""),
			usage: "address for stack lights and current sensors, MQTT 3.1.1, such as 127.0.0.1:1883; they need the user and the\n" +
				"password of DATA-DIR/bus/signal-credentials. They go in clear: on any address but loopback only in a network of machines alone (default none)",
			read: func(s *Settings, v string) (err error) {
				s.MQTTListen, err = sensorAddress(v)
				return err
			},
		},
		{
			name: "time-scale", preset: constant("1"),
			usage: "how much faster than the wall clock the floor's clock runs; above 1 for simulated floors only, as drying times shrink with it (default 1)",
			read: func(s *Settings, v string) error {
				f, err := strconv.ParseFloat(v, 64)
				if err != nil || !(f >= 1 && f <= mostTimeScale) {
					return fmt.Errorf("is %s; give a number from 1 to %d", yamlfile.Quote(v), mostTimeScale)
				}
				s.TimeScale = f
				return nil
			},
		},
		{
			name: "floor", path: true, preset: func(h Host) (string, error) { return settingsFolder.file(h, "floor.yaml") },
			usage: "floor file (default floor.yaml in the settings folder)",
			read: func(s *Settings, v string) error {
				s.Floor = v
				return given(v, "name a floor file")
			},
		},
		{
			name: "plan-search", preset: constant("on"),
			usage: "search for better plans in the background and follow them: on or off (default on)",
			read: func(s *Settings, v string) error {
				s.PlanSearch = v == "on"
				return oneOf(v, "on", "off")
			},
		},
		{
			name: "space-limit", preset: constant("64MiB"),
			usage: "free space on the data folder's disk below which no new work is taken (default 64MiB)",
			read: func(s *Settings, v string) (err error) {
				s.SpaceLimit, err = size(v, 1<<20)
				return err
			},
		},
		{
			name: "space-ballast", preset: constant("64MiB"),
			usage: "space held back there by a file, for reports of running work when the disk is full; 0MiB for none (default 64MiB)",
			read: func(s *Settings, v string) (err error) {
				s.Ballast, err = size(v, 0)
				return err
			},
		},
		{
			name: "log-level", preset: constant("info"),
			usage: "least severity that is logged: debug, info, warn or error (default info)",
			read: func(s *Settings, v string) error {
				s.LogLevel = v
				return oneOf(v, "debug", "info", "warn", "error")
			},
		},
		{
			name: "log-format", preset: constant("console"),
			usage: "console for people or json for machines (default console)",
			read: func(s *Settings, v string) error {
				s.LogFormat = v
				return oneOf(v, "console", "json")
			},
		},
	}, clusterSettings()...)
}

func constant(v string) func(Host) (string, error) {
	return func(Host) (string, error) { return v, nil }
}

// size reads a number of bytes, written with a unit: 64MiB or 1GiB.
func size(v string, least int64) (int64, error) {
	const most = 1 << 40
	for _, unit := range []struct {
		name  string
		bytes int64
	}{{"MiB", 1 << 20}, {"GiB", 1 << 30}} {
		digits, ok := strings.CutSuffix(v, unit.name)
		if n, err := strconv.ParseUint(digits, 10, 31); ok && err == nil && int64(n) <= most/unit.bytes && int64(n)*unit.bytes >= least {
			return int64(n) * unit.bytes, nil
		}
	}
	return 0, fmt.Errorf("is %s; give a whole number of MiB or GiB from %dMiB to 1024GiB, such as 64MiB", yamlfile.Quote(v), least>>20)
}

func given(v, remedy string) error {
	if v == "" {
		return errors.New("is empty; " + remedy)
	}
	return nil
}

func oneOf(v string, known ...string) error {
	if slices.Contains(known, v) {
		return nil
	}
	return fmt.Errorf("is %s; give one of %s", yamlfile.Quote(v), strings.Join(known, ", "))
}

// loopback checks that an address cannot be reached from another machine and returns it with the host as a number.
// There are no credentials on the wire yet: whoever reaches the port may start a machine.
func loopback(address string) (string, error) {
	const form = "such as 127.0.0.1:7431"
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return "", fmt.Errorf("is %s; give host:port, %s", yamlfile.Quote(address), form)
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || strconv.FormatUint(n, 10) != port {
		return "", fmt.Errorf("has the port %s; give one from 0 to 65535 (0: any free one), %s", yamlfile.Quote(port), form)
	}
	if host == "localhost" {
		host = "127.0.0.1"
	}
	ip, err := netip.ParseAddr(host)
	if err != nil || !ip.Unmap().IsLoopback() {
		return "", fmt.Errorf("is %s, where other machines could reach the daemon, and it has no access control yet; listen on loopback, %s, "+
			"and let other machines come through a tunnel that checks who they are, such as SSH", yamlfile.Quote(address), form)
	}
	return net.JoinHostPort(host, port), nil
}
