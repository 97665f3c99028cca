package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"tandem/daemon/bus"
	"tandem/daemon/datadir"
	"tandem/drivers"
	tandemv1 "tandem/proto/tandem/v1"
)

// A hand press has no data port: people report its work, and a sensor on its stack light tells over the daemon's own MQTT
// listener what it does. The first watcher is for a lamp that nobody has connected, so that the second one counts.
func TestAWatchedDevice(t *testing.T) {
	if _, err := exec.LookPath("mosquitto_pub"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("mosquitto_pub is not installed: apt-get install mosquitto-clients")
		}
		t.Skip("mosquitto_pub is not installed: apt-get install mosquitto-clients")
	}
	mqtt, dead := freeAddress(t), freeAddress(t)
	dir := t.TempDir()
	credentials := filepath.Join(datadir.BusDir(dir), bus.SignalFile)
	file := &tandemv1.FloorFile{
		Devices: []*tandemv1.Device{{
			Id: "press-1", Capacity: 1, Driver: &tandemv1.Driver{Kind: "operator", Manual: true},
			Abilities: []*tandemv1.Ability{{Operation: "press"}},
			Watch: []*tandemv1.Watch{
				{Kind: "signal", Settings: map[string]string{"broker": "tcp://" + dead, "topic": "press-1/lamp"}},
				{Kind: "signal", Settings: map[string]string{
					"broker": "tcp://" + mqtt, "credentials": credentials, "topic": "press-1/lamp",
					"running": "green", "idle": "dark", "fault": "red", "running-after": "0s", "idle-after": "0s", "fault-after": "0s",
				}},
			},
		}},
		People: []*tandemv1.Person{{Id: "marit", Supervisor: true}},
	}
	s := newScene(t, file, func(c *daemonConfig) { c.DataDir, c.MQTTListen = dir, mqtt })
	mosquitto := func(program string, args ...string) string {
		t.Helper()
		c, err := drivers.ReadCredentials(credentials, "user", "password")
		if err != nil {
			t.Fatal(err)
		}
		host, port, _ := strings.Cut(mqtt, ":")
		args = append([]string{"-V", "mqttv311", "-h", host, "-p", port, "-u", c["user"], "-P", c["password"], "-t", "press-1/lamp"}, args...)
		out, err := exec.CommandContext(t.Context(), program, args...).CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v: %s", program, err, out)
		}
		return strings.TrimSpace(string(out))
	}
	say := func(word string) {
		t.Helper()
		mosquitto("mosquitto_pub", "-m", word, "-r")
	}
	until := func(what string, ok func(*tandemv1.Device) bool) *tandemv1.Device {
		t.Helper()
		for deadline := time.Now().Add(patience); ; time.Sleep(10 * time.Millisecond) {
			d, err := s.devices.GetDevice(t.Context(), &tandemv1.GetDeviceRequest{Id: "press-1"})
			if err != nil {
				t.Fatal(err)
			}
			if ok(d) {
				return d
			}
			if time.Now().After(deadline) {
				t.Fatalf("%s: the device is %v", what, d)
			}
		}
	}
	has := func(d *tandemv1.Device, reason string) bool { return slices.Contains(d.GetStateReasons(), reason) }

	until("idle, with a watcher that reaches nobody", func(d *tandemv1.Device) bool {
		return d.GetState() == tandemv1.DeviceState_DEVICE_STATE_IDLE && has(d, drivers.ReasonWatcherLost) &&
			len(d.GetWatched()) == 2 && d.GetWatched()[0].GetLink() == tandemv1.Link_LINK_OFFLINE && d.GetWatched()[1].GetLink() == tandemv1.Link_LINK_ONLINE
	})
	// Somebody presses something of their own.
	say("green")
	until("at other work", func(d *tandemv1.Device) bool {
		return d.GetState() == tandemv1.DeviceState_DEVICE_STATE_PROCESSING && has(d, drivers.ReasonOtherWork)
	})
	say("dark")
	until("idle again", func(d *tandemv1.Device) bool {
		return d.GetState() == tandemv1.DeviceState_DEVICE_STATE_IDLE && !has(d, drivers.ReasonOtherWork)
	})

	job := &tandemv1.Job{Id: "badges", Pieces: 6, Steps: []*tandemv1.Step{{Id: "press", Operation: "press"}}}
	if _, err := s.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: job, RequestId: s.next()}); err != nil {
		t.Fatal(err)
	}
	run := until("granted", func(d *tandemv1.Device) bool { return len(d.GetRuns()) == 1 }).GetRuns()[0].GetRun()
	if _, err := s.devices.StartRun(t.Context(), &tandemv1.StartRunRequest{Run: run, RequestId: s.next(), Actor: "marit"}); err != nil {
		t.Fatal(err)
	}
	under := func(d *tandemv1.Device) bool {
		return len(d.GetRuns()) == 1 && d.GetRuns()[0].GetState() == tandemv1.JobState_JOB_STATE_PROCESSING
	}
	say("green")
	until("at our work", func(d *tandemv1.Device) bool {
		return d.GetState() == tandemv1.DeviceState_DEVICE_STATE_PROCESSING && under(d) && !has(d, drivers.ReasonOtherWork)
	})
	// A fault is shown, and the run is not ended by it; nor by the daemon's restart, after which the lamp is still red.
	say("red")
	stands := func(d *tandemv1.Device) bool {
		return d.GetState() == tandemv1.DeviceState_DEVICE_STATE_STOPPED && has(d, "x-signal-fault-error") && under(d)
	}
	until("stopped by a fault", stands)
	// The server retains a message after it has passed it on.
	until("retained", func(*tandemv1.Device) bool { return mosquitto("mosquitto_sub", "-C", "1", "-W", "20") == "red" })
	s.reopen()
	until("still stopped by a fault", func(d *tandemv1.Device) bool {
		return stands(d) && len(d.GetWatched()) == 2 && d.GetWatched()[1].GetLink() == tandemv1.Link_LINK_ONLINE
	})
	say("green")
	until("working again", func(d *tandemv1.Device) bool {
		return d.GetState() == tandemv1.DeviceState_DEVICE_STATE_PROCESSING && under(d) && !has(d, "x-signal-fault-error")
	})
	say("dark")
	if _, err := s.devices.FinishRun(t.Context(), &tandemv1.FinishRunRequest{Run: run, RequestId: s.next(), Actor: "marit"}); err != nil {
		t.Fatal(err)
	}
	until("idle at the end", func(d *tandemv1.Device) bool {
		return d.GetState() == tandemv1.DeviceState_DEVICE_STATE_IDLE && len(d.GetRuns()) == 0
	})
	j, err := s.jobs.GetJob(t.Context(), &tandemv1.GetJobRequest{Id: "badges"})
	if err != nil || j.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED {
		t.Errorf("the job is %v, %v", j, err)
	}
}
