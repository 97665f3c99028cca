package config

import (
	"slices"
	"strings"
	"testing"
)

func TestCluster(t *testing.T) {
	h := hostWith(map[string]string{"CREDENTIALS_DIRECTORY": "/run/credentials/tandemd.service"})
	got, err := load(t, []string{"--cluster", "tls://nats-1:4222, tls://nats-2:4222", "--name", "floor-1"}, h)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(got.Cluster, []string{"tls://nats-1:4222", "tls://nats-2:4222"}) || got.Name != "floor-1" || got.Advertise != "127.0.0.1:7431" ||
		got.Credentials != "/run/credentials/tandemd.service" {
		t.Errorf("settings are %+v", got)
	}
	got, err = load(t, []string{"--cluster", "nats://127.0.0.1:4222", "--name", "a", "--advertise", "floor-1:7431", "--listen", "127.0.0.1:0", "--credentials", "/c"}, h)
	if err != nil || got.Advertise != "floor-1:7431" || got.Credentials != "/c" {
		t.Errorf("settings are %+v, %v", got, err)
	}
	// The address for drivers counts for nothing with a cluster, so it may well be the same.
	if _, err := load(t, []string{"--cluster", "nats://127.0.0.1:4222", "--name", "a", "--listen", "127.0.0.1:7432"}, h); err != nil {
		t.Error(err)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--cluster", "nats://127.0.0.1:4222"}, "name"},
		{[]string{"--cluster", "nats://127.0.0.1:4222", "--name", "Floor 1"}, "lower-case"},
		{[]string{"--cluster", "nats://127.0.0.1:4222", "--name", "a", "--listen", "127.0.0.1:0"}, "advertise"},
		{[]string{"--advertise", "floor-1"}, "host:port"},
		{[]string{"--advertise", ":7431"}, "host:port"},
		{[]string{"--advertise", "floor-1:0"}, "host:port"},
		{[]string{"--advertise", "floor-1:70000"}, "host:port"},
	} {
		if _, err := load(t, c.args, h); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: error %v, want one about %s", c.args, err, c.want)
		}
	}
}
