package snmp_test

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/drivers"
	"tandem/drivers/snmp"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	idle       = tandemv1.DeviceState_DEVICE_STATE_IDLE
	processing = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
	stopped    = tandemv1.DeviceState_DEVICE_STATE_STOPPED
)

// printer has the objects of an inkjet printer with hrDeviceIndex 3 that is idle. Object identifiers and numbers are those
// of HOST-RESOURCES-MIB (RFC 2790), Printer-MIB (RFC 3805) and IANA-PRINTER-MIB.
func printer() map[string]string {
	return map[string]string{
		".1.3.6.1.2.1.25.3.2.1.2.2": "objectid .1.3.6.1.2.1.25.3.1.4", // hrDeviceNetwork
		".1.3.6.1.2.1.25.3.2.1.2.3": "objectid .1.3.6.1.2.1.25.3.1.5", // hrDevicePrinter
		".1.3.6.1.2.1.25.3.2.1.5.3": "integer 2",                      // running
		".1.3.6.1.2.1.25.3.5.1.1.3": "integer 3",                      // idle
		".1.3.6.1.2.1.25.3.5.1.2.3": "octet 00 00",
		// prtMarkerSuppliesTable: class, type, description, unit, capacity, level
		".1.3.6.1.2.1.43.11.1.1.4.3.1": "integer 3", ".1.3.6.1.2.1.43.11.1.1.5.3.1": "integer 5",
		".1.3.6.1.2.1.43.11.1.1.6.3.1": "string Cyan ink", ".1.3.6.1.2.1.43.11.1.1.7.3.1": "integer 15",
		".1.3.6.1.2.1.43.11.1.1.8.3.1": "integer 2200", ".1.3.6.1.2.1.43.11.1.1.9.3.1": "integer 550",
		".1.3.6.1.2.1.43.11.1.1.4.3.2": "integer 4", ".1.3.6.1.2.1.43.11.1.1.5.3.2": "integer 8",
		".1.3.6.1.2.1.43.11.1.1.6.3.2": "string Waste tank", ".1.3.6.1.2.1.43.11.1.1.7.3.2": "integer 19",
		".1.3.6.1.2.1.43.11.1.1.8.3.2": "integer -2", ".1.3.6.1.2.1.43.11.1.1.9.3.2": "integer 80",
		".1.3.6.1.2.1.43.11.1.1.4.3.3": "integer 3", ".1.3.6.1.2.1.43.11.1.1.5.3.3": "integer 6",
		".1.3.6.1.2.1.43.11.1.1.6.3.3": "string White ink", ".1.3.6.1.2.1.43.11.1.1.7.3.3": "integer 15",
		".1.3.6.1.2.1.43.11.1.1.8.3.3": "integer 2200", ".1.3.6.1.2.1.43.11.1.1.9.3.3": "integer -3",
		// prtInputTable: unit, capacity, level, media, name
		".1.3.6.1.2.1.43.8.2.1.8.3.1": "integer 17", ".1.3.6.1.2.1.43.8.2.1.9.3.1": "integer 50",
		".1.3.6.1.2.1.43.8.2.1.10.3.1": "integer 20", ".1.3.6.1.2.1.43.8.2.1.12.3.1": "string white vinyl",
		".1.3.6.1.2.1.43.8.2.1.13.3.1": "string Roll 1",
		// prtConsoleDisplayBufferText
		".1.3.6.1.2.1.43.16.5.1.2.3.1": "string READY",
	}
}

// watch runs a watcher and returns a function that waits until it has seen what is wanted.
func watch(t *testing.T, given map[string]string) (until func(what string, ok func(drivers.Seen) bool) drivers.Seen, ended <-chan error) {
	t.Helper()
	given["poll"] = "1s"
	w, err := drivers.NewWatcher(snmp.Kind(), drivers.Env{Device: "printer-1", Operations: []string{"print"}}, given)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	seen, over := make(chan drivers.Seen), make(chan error, 1)
	go func() {
		over <- w.Watch(ctx, func(s drivers.Seen) {
			select {
			case seen <- s:
			case <-ctx.Done():
			}
		})
	}()
	t.Cleanup(cancel)
	return func(what string, ok func(drivers.Seen) bool) drivers.Seen {
		t.Helper()
		var last drivers.Seen
		patience := time.After(15 * time.Second)
		for {
			select {
			case last = <-seen:
				if ok(last) {
					return last
				}
			case err := <-over:
				t.Fatalf("%s: the watcher has ended: %v", what, err)
			case <-patience:
				t.Fatalf("%s: last seen %+v", what, last)
			}
		}
	}, over
}

// TestRealAgent follows a day of a printer whose agent is Debian's snmpd.
func TestRealAgent(t *testing.T) {
	t.Parallel()
	a := newAgent(t, printer())
	a.awaitAnswer()
	until, _ := watch(t, map[string]string{"address": a.address(), "poll-supplies": "1s"})

	s := until("idle", func(s drivers.Seen) bool { return s.State == idle })
	if len(s.Reasons) != 0 || s.Message != "READY" {
		t.Errorf("idle with reasons %v and message %q, want none and READY", s.Reasons, s.Message)
	}
	want := []*tandemv1.Supply{
		{DisplayName: "Cyan ink", Kind: "ink", LevelKnown: true, LevelPercent: 25},
		{DisplayName: "Waste tank", Kind: "waste-ink", Receptacle: true, LevelKnown: true, LevelPercent: 80},
		{DisplayName: "White ink", Kind: "ink-cartridge"}, // -3: some is left, nobody knows how much
		{DisplayName: "Roll 1 (white vinyl)", Kind: "media", LevelKnown: true, LevelPercent: 40},
	}
	if !slices.EqualFunc(s.Supplies, want, func(a, b *tandemv1.Supply) bool { return proto.Equal(a, b) }) {
		t.Errorf("supplies are %v, want %v", s.Supplies, want)
	}

	a.set(map[string]string{".1.3.6.1.2.1.25.3.5.1.1.3": "integer 4", ".1.3.6.1.2.1.43.11.1.1.9.3.1": "integer 220"})
	until("printing, with less ink", func(s drivers.Seen) bool {
		return s.State == processing && s.Supplies[0].GetLevelPercent() == 10
	})

	// RFC 3805 has a printer with a noncritical alert say warning and go on printing.
	a.set(map[string]string{
		".1.3.6.1.2.1.25.3.2.1.5.3": "integer 3", ".1.3.6.1.2.1.25.3.5.1.2.3": "octet 20 00", // lowToner
		".1.3.6.1.2.1.43.18.1.1.2.3.7": "integer 4", ".1.3.6.1.2.1.43.18.1.1.4.3.7": "integer 11",
		".1.3.6.1.2.1.43.18.1.1.7.3.7": "integer 1105", ".1.3.6.1.2.1.43.18.1.1.8.3.7": "string Cyan ink low",
	})
	until("ink low", func(s drivers.Seen) bool {
		return s.State == processing && slices.Equal(s.Reasons, []string{"marker-supply-low-warning"})
	})

	// Critical: down and other.
	a.set(map[string]string{
		".1.3.6.1.2.1.25.3.2.1.5.3": "integer 5", ".1.3.6.1.2.1.25.3.5.1.1.3": "integer 1",
		".1.3.6.1.2.1.25.3.5.1.2.3":    "octet 64 00", // noPaper, lowToner, jammed
		".1.3.6.1.2.1.43.18.1.1.2.3.8": "integer 3", ".1.3.6.1.2.1.43.18.1.1.4.3.8": "integer 13",
		".1.3.6.1.2.1.43.18.1.1.7.3.8": "integer 8", ".1.3.6.1.2.1.43.18.1.1.8.3.8": "string Media jam in the path",
		".1.3.6.1.2.1.43.16.5.1.2.3.1": "",
	})
	s = until("jammed", func(s drivers.Seen) bool { return s.State == stopped && len(s.Reasons) > 1 && s.Message != "READY" })
	if want := []string{"media-empty-error", "media-jam-error", "marker-supply-low-warning"}; !slices.Equal(s.Reasons, want) {
		t.Errorf("reasons are %v, want %v", s.Reasons, want)
	}
	if s.Message != "Media jam in the path" {
		t.Errorf("without a display the message is %q, want the text of the critical alert", s.Message)
	}

	// A person has cleared it at the machine.
	a.set(printer())
	a.set(map[string]string{
		".1.3.6.1.2.1.43.18.1.1.2.3.7": "", ".1.3.6.1.2.1.43.18.1.1.4.3.7": "", ".1.3.6.1.2.1.43.18.1.1.7.3.7": "", ".1.3.6.1.2.1.43.18.1.1.8.3.7": "",
		".1.3.6.1.2.1.43.18.1.1.2.3.8": "", ".1.3.6.1.2.1.43.18.1.1.4.3.8": "", ".1.3.6.1.2.1.43.18.1.1.7.3.8": "", ".1.3.6.1.2.1.43.18.1.1.8.3.8": "",
	})
	until("idle again", func(s drivers.Seen) bool { return s.State == idle && len(s.Reasons) == 0 })
}

// TestVersion3 speaks SNMPv3 with authentication and privacy, and is refused with the wrong key.
func TestVersion3(t *testing.T) {
	t.Parallel()
	a := newAgent(t, printer(),
		"createUser watch SHA-256 right-auth-key AES right-privacy-key", "rouser watch authpriv")
	a.awaitAnswer()
	credentials := func(key string) string {
		path := filepath.Join(t.TempDir(), "snmp")
		text := "# of printer-1\nuser: watch\nauth-key: right-auth-key\nprivacy-key: " + key + "\n"
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	until, _ := watch(t, map[string]string{"address": a.address(), "credentials": credentials("right-privacy-key")})
	until("idle", func(s drivers.Seen) bool { return s.State == idle && len(s.Supplies) == 4 })

	_, ended := watch(t, map[string]string{"address": a.address(), "credentials": credentials("wrong-privacy-key"), "answer-within": "300ms"})
	select {
	case err := <-ended:
		if err == nil || strings.Contains(err.Error(), "wrong-privacy-key") {
			t.Errorf("with the wrong key: %v, want an error without the key", err)
		}
	case <-time.After(15 * time.Second):
		t.Error("with the wrong key the watcher goes on")
	}
}

// TestSilentAgent ends when the agent does, and finds it again.
func TestSilentAgent(t *testing.T) {
	t.Parallel()
	a := newAgent(t, printer())
	a.awaitAnswer()
	given := map[string]string{"address": a.address(), "answer-within": "500ms"}
	until, ended := watch(t, given)
	until("idle", func(s drivers.Seen) bool { return s.State == idle })
	a.stop()
	select {
	case err := <-ended:
		if err == nil {
			t.Error("the watcher of a silent agent ends without an error")
		}
	case <-time.After(15 * time.Second):
		t.Fatal("the watcher of a silent agent goes on")
	}
	a.start()
	a.awaitAnswer()
	until, _ = watch(t, given)
	until("idle again", func(s drivers.Seen) bool { return s.State == idle })
}

// TestNoPrinter names the setting when there is no such printer.
func TestNoPrinter(t *testing.T) {
	t.Parallel()
	a := newAgent(t, printer())
	a.awaitAnswer()
	_, ended := watch(t, map[string]string{"address": a.address(), "device-index": "9"})
	select {
	case err := <-ended:
		if err == nil || !strings.Contains(err.Error(), "device-index") {
			t.Errorf("error %v, want one that names device-index", err)
		}
	case <-time.After(15 * time.Second):
		t.Error("the watcher goes on without a printer")
	}
}
