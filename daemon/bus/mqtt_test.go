package bus_test

import (
	"context"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"tandem/daemon/bus"
	"tandem/drivers"
	"tandem/drivers/drivertest"
	"tandem/drivers/signal"
	tandemv1 "tandem/proto/tandem/v1"
)

// sensors are Debian's mosquitto-clients at the server's MQTT listener.
type sensors struct {
	t        *testing.T
	host     string
	port     string
	file     string // of credentials
	password string
}

func newSensors(t *testing.T, server *bus.Server, dir string) sensors {
	t.Helper()
	if _, err := exec.LookPath("mosquitto_pub"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("mosquitto_pub is not installed: apt-get install mosquitto-clients")
		}
		t.Skip("mosquitto_pub is not installed: apt-get install mosquitto-clients")
	}
	address, err := server.MQTTURL()
	if err != nil {
		t.Fatal(err)
	}
	u, err := url.Parse(address)
	if err != nil || u.Port() == "" {
		t.Fatalf("the server listens for MQTT at %q, %v", address, err)
	}
	file := filepath.Join(dir, bus.SignalFile)
	credentials, err := drivers.ReadCredentials(file, "user", "password")
	if err != nil {
		t.Fatal(err)
	}
	return sensors{t, u.Hostname(), u.Port(), file, credentials["password"]}
}

// run is mosquitto_pub -V mqttv311 as a user; it returns what it writes.
func (s sensors) run(user, password string, args ...string) (string, error) {
	args = append([]string{"-V", "mqttv311", "-h", s.host, "-p", s.port, "-u", user, "-P", password}, args...)
	ctx, cancel := context.WithTimeout(s.t.Context(), 10*time.Second)
	defer cancel()
	out, err := exec.CommandContext(ctx, "mosquitto_pub", args...).CombinedOutput()
	return string(out), err
}

func (s sensors) say(topic, message string, more ...string) {
	s.t.Helper()
	if out, err := s.run(bus.SignalUser, s.password, append([]string{"-t", topic, "-m", message}, more...)...); err != nil {
		s.t.Fatalf("mosquitto_pub %s %s: %v: %s", topic, message, err, out)
	}
}

// watched runs a signal watcher on the listener.
func (s sensors) watched(given map[string]string) (until func(what string, state tandemv1.DeviceState) drivers.Seen, ended <-chan error) {
	s.t.Helper()
	given["broker"], given["credentials"] = "tcp://"+s.host+":"+s.port, s.file
	w, err := drivers.NewWatcher(signal.Kind(), drivers.Env{Device: "cutter-1", Operations: []string{"cut"}}, given)
	if err != nil {
		s.t.Fatal(err)
	}
	watched := drivertest.Watch(s.t, w)
	return func(what string, state tandemv1.DeviceState) drivers.Seen {
		s.t.Helper()
		shown := watched.Until(what, state)
		return shown[len(shown)-1]
	}, watched.Ended
}

func startSignals(t *testing.T, dir, listen string) *bus.Server {
	t.Helper()
	server, err := bus.StartServer(bus.ServerConfig{StoreDir: dir, MaxStore: 1 << 30, Listen: "127.0.0.1:0", ListenMQTT: listen})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Shutdown)
	return server
}

const (
	unknownState = tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED
	idle         = tandemv1.DeviceState_DEVICE_STATE_IDLE
	processing   = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
	stopped      = tandemv1.DeviceState_DEVICE_STATE_STOPPED
)

// TestSignals has a stack light and a current sensor tell what a machine does, over MQTT 3.1.1.
func TestSignals(t *testing.T) {
	dir := t.TempDir()
	s := newSensors(t, startSignals(t, dir, "127.0.0.1:0"), dir)
	light, lightEnded := s.watched(map[string]string{
		"topic": "cutter-1/light", "running": "green", "idle": "dark", "fault": "red", "running-after": "100ms", "idle-after": "200ms", "fault-after": "0s",
	})
	light("before any message", unknownState)
	s.say("cutter-1/light", "green")
	light("green", processing)
	s.say("cutter-1/light", "dark", "-q", "1")
	light("dark", idle)
	s.say("cutter-1/light", "red", "-r")
	if seen := light("red", stopped); len(seen.Reasons) != 1 || seen.Reasons[0] != "x-signal-fault-error" {
		t.Errorf("red has the reasons %v, want x-signal-fault-error", seen.Reasons)
	}
	s.say("cutter-2/light", "green") // is not ours

	// A current sensor that sends JSON, with hysteresis.
	amperes, _ := s.watched(map[string]string{
		"topic": "cutter-1/current", "field": "phases.0.rms", "running-from": "1.5", "idle-below": "1.0", "running-after": "0s", "idle-after": "0s", "stale-after": "2s",
	})
	amperes("before any message", unknownState)
	s.say("cutter-1/current", `{"phases":[{"rms":2.25}]}`)
	amperes("2.25 A", processing)
	s.say("cutter-1/current", `{"phases":[{"rms":1.2}]}`)
	amperes("1.2 A, as it was", processing)
	s.say("cutter-1/current", `{"phases":[{"rms":0.4}]}`)
	amperes("0.4 A", idle)
	if seen := amperes("silence", unknownState); len(seen.Reasons) != 1 || seen.Reasons[0] != "x-signal-stale-warning" {
		t.Errorf("a silent sensor has the reasons %v, want x-signal-stale-warning", seen.Reasons)
	}

	// What was kept is told to a watcher that comes later.
	late, _ := s.watched(map[string]string{"topic": "cutter-1/light", "fault": "red", "fault-after": "0s"})
	late("retained red", stopped)
	select {
	case err := <-lightEnded:
		t.Errorf("the first watcher has ended: %v", err)
	default:
	}
}

// TestSignalsOutliveTheServer starts a server again: watchers learn of the loss, and what was kept is still known. A server
// without the listener leaves it alone.
func TestSignalsOutliveTheServer(t *testing.T) {
	dir := t.TempDir()
	server := startSignals(t, dir, "127.0.0.1:0")
	s := newSensors(t, server, dir)
	s.say("cutter-1/light", "running", "-r", "-q", "1")
	given := map[string]string{"topic": "cutter-1/light", "running-after": "0s"}
	until, ended := s.watched(given)
	until("running", processing)
	server.Shutdown()
	select {
	case err := <-ended:
		if err == nil {
			t.Error("the watcher of a server that is gone ends without an error")
		}
	case <-time.After(20 * time.Second):
		t.Fatal("the watcher of a server that is gone goes on")
	}
	without := startSignals(t, dir, "")
	if address, err := without.MQTTURL(); address != "" || err != nil {
		t.Errorf("without a listener the address is %q, %v", address, err)
	}
	without.Shutdown()
	again := newSensors(t, startSignals(t, dir, s.host+":"+s.port), dir)
	if again.password != s.password {
		t.Error("the password has changed")
	}
	until, _ = again.watched(given)
	until("running again", processing)
}

// TestSignalsAreApart holds what the password of the sensors does not open.
func TestSignalsAreApart(t *testing.T) {
	dir := t.TempDir()
	server := startSignals(t, dir, "127.0.0.1:0")
	s := newSensors(t, server, dir)
	token, err := os.ReadFile(filepath.Join(dir, bus.TokenFile))
	if err != nil {
		t.Fatal(err)
	}
	for _, who := range []struct{ name, user, password string }{
		{"nobody", "", ""}, {"a guess", bus.SignalUser, "guess"}, {"a driver", "driver", strings.TrimSpace(string(token))},
	} {
		if out, err := s.run(who.user, who.password, "-t", "cutter-1/light", "-m", "red"); err == nil {
			t.Errorf("%s may publish over MQTT: %s", who.name, out)
		}
	}
	if nc, err := nats.Connect(server.URL(), nats.UserInfo(bus.SignalUser, s.password)); err == nil {
		nc.Close()
		t.Error("the sensors' user may speak to the bus")
	}

	// A sensor that names subjects of the bus reaches nobody there.
	floor, err := server.FloorConn("test")
	if err != nil {
		t.Fatal(err)
	}
	heard, err := floor.SubscribeSync("tandem.v1.>")
	if err != nil {
		t.Fatal(err)
	}
	if err := floor.Flush(); err != nil {
		t.Fatal(err)
	}
	s.say("tandem/v1/status/cutter-1", "{}", "-q", "1")
	if m, err := heard.NextMsg(100 * time.Millisecond); err == nil {
		t.Errorf("a sensor reaches the bus: %s", m.Subject)
	}
}
