package snmp_test

import (
	"errors"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"tandem/drivers"
	"tandem/drivers/snmp"
)

// at is an agent as a person names it.
func at(t *testing.T, a *agent) drivers.Target {
	t.Helper()
	target, err := drivers.ParseTarget("127.0.0.1")
	if err != nil {
		t.Fatal(err)
	}
	target.Timeout, target.SNMPPort = 6*time.Second, a.port
	return target
}

// TestProposeRealAgent reads Debian's snmpd once, and a watcher with the settings that are proposed sees the printer.
func TestProposeRealAgent(t *testing.T) {
	t.Parallel()
	objects := printer()
	objects[".1.3.6.1.2.1.25.3.2.1.3.3"] = "string Invented Roll Printer" // hrDeviceDescr
	a := newAgent(t, objects)
	a.awaitAnswer()
	target := at(t, a)
	target.Community = "public"
	p, err := snmp.Kind().Propose(t.Context(), target)
	if err != nil {
		t.Fatal(err)
	}
	if want := map[string]string{"address": a.address()}; p.Name != "Invented Roll Printer" || !maps.Equal(p.Settings, want) {
		t.Errorf("proposed %q with %v, want %v", p.Name, p.Settings, want)
	}
	want := []drivers.Fact{
		{Name: "make and model", Value: "Invented Roll Printer"},
		{Name: "state", Value: "idle"},
		{Name: "display", Value: "READY"},
		{Name: "supply", Value: "Cyan ink (ink): 25 % left"},
		{Name: "supply", Value: "Waste tank (waste-ink): 80 % full"},
		{Name: "supply", Value: "White ink (ink-cartridge): level not told"},
		{Name: "supply", Value: "Roll 1 (white vinyl) (media): 40 % left"},
	}
	if !slices.Equal(p.Facts, want) {
		t.Errorf("found %v, want %v", p.Facts, want)
	}
	until, _ := watch(t, p.Settings)
	until("idle", func(s drivers.Seen) bool { return s.State == idle })
}

// TestProposeCredentials: another community than public is proposed without showing it.
func TestProposeCredentials(t *testing.T) {
	t.Parallel()
	a := newAgent(t, printer(), "rocommunity inside 127.0.0.1")
	a.awaitAnswer()
	target := at(t, a)
	target.Community = "inside"
	p, err := snmp.Kind().Propose(t.Context(), target)
	if err != nil {
		t.Fatal(err)
	}
	if p.Settings["credentials"] == "" || !strings.Contains(p.Assumed["credentials"], "chmod 600") || strings.Contains(p.Assumed["credentials"]+p.Settings["credentials"], "inside") {
		t.Errorf("proposed %v, assumed %v", p.Settings, p.Assumed)
	}
	target.Community, target.Credentials = "", filepath.Join(t.TempDir(), "printer.snmp")
	if err := os.WriteFile(target.Credentials, []byte("community: inside\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if p, err = snmp.Kind().Propose(t.Context(), target); err != nil || p.Settings["credentials"] != target.Credentials {
		t.Errorf("proposed %v, %v, want the file %s", p, err, target.Credentials)
	}
	target.Community, target.Credentials, target.Timeout = "outside", "", 300*time.Millisecond
	if _, err = snmp.Kind().Propose(t.Context(), target); err == nil || !strings.Contains(err.Error(), "silent to wrong ones") || !strings.Contains(err.Error(), strconv.Itoa(a.port)) {
		t.Errorf("error %v, want one that says what to check", err)
	}
}

// TestProposeNotAsked: without a community or credentials not a datagram is sent.
func TestProposeNotAsked(t *testing.T) {
	t.Parallel()
	if _, err := snmp.Kind().Propose(t.Context(), drivers.Target{Form: drivers.FormHost, Host: "192.0.2.7", Timeout: time.Second}); !errors.Is(err, drivers.ErrNotAsked) {
		t.Errorf("error %v, want %v", err, drivers.ErrNotAsked)
	}
}
