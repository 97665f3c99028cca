package config

import (
	"errors"
	"strings"
	"testing"

	"github.com/spf13/pflag"

	tandemv1 "tandem/proto/tandem/v1"
)

func TestCheckWatch(t *testing.T) {
	kinds := func(name string) (Kind, error) {
		if name == "lamp" {
			return Kind{CheckWatch: func(_ *tandemv1.Device, w *tandemv1.Watch) error {
				if w.GetSettings()["topic"] == "" {
					return errors.Join(errors.New("setting topic is missing"), errors.New("setting broker is missing"))
				}
				return nil
			}}, nil
		}
		return fakeKinds(name)
	}
	good := &tandemv1.Watch{Kind: "lamp", Settings: map[string]string{"topic": "west"}}
	for _, test := range []struct {
		name     string
		watch    []*tandemv1.Watch
		external bool
		want     []string
	}{
		{"two good ones", []*tandemv1.Watch{good, good}, false, nil},
		{"no kind", []*tandemv1.Watch{{}}, false, []string{"devices[0].watch[0].kind: is missing"}},
		{"unknown kind", []*tandemv1.Watch{good, {Kind: "lamps"}}, false, []string{"devices[0].watch[1].kind: driver kind \"lamps\" is not known"}},
		{"unknown kind of a process of its own", []*tandemv1.Watch{{Kind: "lamps"}}, true, nil},
		{"no id", []*tandemv1.Watch{{Kind: "a b"}}, true, []string{"devices[0].watch[0].kind: \"a b\" is not an id"}},
		{"bad settings", []*tandemv1.Watch{{Kind: "lamp"}}, false, []string{"devices[0].watch[0].settings: setting topic", "devices[0].watch[0].settings: setting broker"}},
		{"too many", []*tandemv1.Watch{good, good, good, good, good}, false, []string{"devices[0].watch: "}},
	} {
		f := goodFloor()
		f.Devices[0].Watch = test.watch
		f.Devices[0].Driver.External = test.external
		problems := CheckFloor(f, kinds)
		if len(problems) != len(test.want) {
			t.Errorf("%s: problems %v, want %q", test.name, problems, test.want)
			continue
		}
		for i, p := range problems {
			if got := p.Field + ": " + p.Problem; !strings.HasPrefix(got, test.want[i]) {
				t.Errorf("%s: %s, want %s", test.name, got, test.want[i])
			}
		}
		if out := Normalise(f, kinds); len(out.GetDevices()[0].GetWatch()) != len(test.watch) {
			t.Errorf("%s: normalised to %v", test.name, out.GetDevices()[0].GetWatch())
		}
	}
}

func TestMQTTListen(t *testing.T) {
	load := func(args ...string) (*Settings, error) {
		flags := pflag.NewFlagSet("test", pflag.ContinueOnError)
		Flags(flags)
		if err := flags.Parse(args); err != nil {
			t.Fatal(err)
		}
		return LoadSettings(flags, Host{OS: "linux", Root: true, LookupEnv: func(string) (string, bool) { return "", false }})
	}
	if s, err := load(); err != nil || s.MQTTListen != "" {
		t.Errorf("the default is %v, %v; want nobody listening", s, err)
	}
	if s, err := load("--mqtt-listen=localhost:1883"); err != nil || s.MQTTListen != "127.0.0.1:1883" {
		t.Errorf("given it is %v, %v", s, err)
	}
	_, err := load("--mqtt-listen=127.0.0.1:1883", "--cluster=nats://127.0.0.1:4222", "--name=a")
	if err == nil || !strings.Contains(err.Error(), "mqtt-listen") {
		t.Errorf("with a cluster: error %v, want one that names mqtt-listen", err)
	}
}

func TestSensorAddress(t *testing.T) {
	for address, want := range map[string]string{
		"": "", "localhost:1883": "127.0.0.1:1883", "127.0.0.1:1883": "127.0.0.1:1883", "192.0.2.1:1883": "192.0.2.1:1883", "[::1]:0": "[::1]:0",
		"1883": "give host:port", "127.0.0.1": "give host:port", "127.0.0.1:mqtt": "has the port", "127.0.0.1:65536": "has the port",
		"shop.example:1883": "has the host", ":1883": "has the host",
	} {
		got, err := sensorAddress(address)
		if err == nil && got != want || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("sensorAddress(%q) = %q, %v; want %q", address, got, err, want)
		}
	}
}
