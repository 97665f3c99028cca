package snmp

import (
	"slices"
	"strings"
	"testing"

	tandemv1 "tandem/proto/tandem/v1"
)

// TestSeen checks the states that RFC 3805 section 2.2.13.2 lists for hrDeviceStatus, hrPrinterStatus and
// hrPrinterDetectedErrorState, and the bits and codes of RFC 2790 and the IANA-PRINTER-MIB.
func TestSeen(t *testing.T) {
	const (
		unknown    = tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED
		idle       = tandemv1.DeviceState_DEVICE_STATE_IDLE
		processing = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
		stopped    = tandemv1.DeviceState_DEVICE_STATE_STOPPED
	)
	for _, test := range []struct {
		name  string
		r     reading
		state tandemv1.DeviceState
		phase tandemv1.DevicePhase
		why   string
	}{
		{"idle", reading{device: 2, printer: 3}, idle, tandemv1.DevicePhase_DEVICE_PHASE_IDLE, ""},
		{"standby", reading{device: 2, printer: 1}, unknown, 0, ""},
		{"warm-up", reading{device: 2, printer: 5}, idle, tandemv1.DevicePhase_DEVICE_PHASE_SETUP, "subunit-warming-up-report"},
		{"printing", reading{device: 2, printer: 4}, processing, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION, ""},
		{"noncritical alert, idle", reading{device: 3, printer: 3, detected: []byte{0x80}}, idle, tandemv1.DevicePhase_DEVICE_PHASE_IDLE, "media-low-warning"},
		{"noncritical alert, printing", reading{device: 3, printer: 4, detected: []byte{0x01}}, processing, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION, "x-service-requested-warning"},
		{"one of two trays empty", reading{device: 3, printer: 4, detected: []byte{0x00, 0x04}}, processing, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION, "media-empty-warning"},
		{"critical alert", reading{device: 5, printer: 1, detected: []byte{0x04}}, stopped, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, "media-jam-error"},
		{"offline", reading{device: 5, printer: 1, detected: []byte{0x02}}, stopped, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, "subunit-offline-error"},
		{"moving offline", reading{device: 3, printer: 4, detected: []byte{0x02}}, processing, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION, "subunit-offline-warning"},
		{"down without a reason", reading{device: 5, printer: 1}, stopped, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, "other-error"},
		{"testing", reading{device: 4, printer: 1}, stopped, tandemv1.DevicePhase_DEVICE_PHASE_NON_PRODUCTIVE, "x-testing-report"},
		{"nothing known", reading{device: 1, printer: 2}, unknown, 0, ""},
		{"no hrDeviceStatus, door open", reading{printer: 1, detected: []byte{0x08}}, stopped, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, "door-open-error"},
		{"no hrDeviceStatus, ink low", reading{printer: 1, detected: []byte{0x20}}, unknown, 0, "marker-supply-low-warning"},
		{
			"every bit",
			reading{device: 5, printer: 1, detected: []byte{0xff, 0xff}},
			stopped, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED,
			"door-open-error input-tray-missing-error marker-supply-empty-error marker-supply-missing-error media-empty-error media-jam-error " +
				"output-area-full-error output-tray-missing-error subunit-offline-error marker-supply-low-warning media-low-warning " +
				"output-area-almost-full-warning x-maintenance-overdue-warning x-service-requested-warning",
		},
		{"interlock of the cover", reading{device: 5, printer: 1, alerts: []alert{{3, 6, 5, ""}}}, stopped, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, "interlock-open-error"},
		{"waste ink", reading{device: 3, printer: 3, alerts: []alert{{4, 11, 1108, ""}}}, idle, tandemv1.DevicePhase_DEVICE_PHASE_IDLE, "marker-waste-almost-full-warning"},
		{"generic code of supplies", reading{device: 5, printer: 1, alerts: []alert{{3, 11, 13, ""}}}, stopped, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, "marker-supply-empty-error"},
		{"generic code of input", reading{device: 3, printer: 3, alerts: []alert{{4, 8, 12, ""}}}, idle, tandemv1.DevicePhase_DEVICE_PHASE_IDLE, "media-low-warning"},
		{"the worse word counts", reading{device: 5, printer: 1, detected: []byte{0x40}, alerts: []alert{{4, 8, 808, ""}}}, stopped, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, "media-empty-error"},
		{"a change is no reason", reading{device: 2, printer: 3, alerts: []alert{{5, 6, 4, ""}, {5, 8, 804, ""}}}, idle, tandemv1.DevicePhase_DEVICE_PHASE_IDLE, ""},
		{"a code of its maker's", reading{device: 5, printer: 1, alerts: []alert{{3, 5, 30000, ""}}}, stopped, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, "other-error"},
	} {
		s := test.r.seen()
		if s.State != test.state || s.Phase != test.phase || !slices.Equal(s.Reasons, strings.Fields(test.why)) {
			t.Errorf("%s: seen %v, %v, %v; want %v, %v, %s", test.name, s.State, s.Phase, s.Reasons, test.state, test.phase, test.why)
		}
	}
}

func TestLevel(t *testing.T) {
	for _, test := range []struct {
		level, capacity, unit int
		known                 bool
		percent               int32
	}{
		{550, 2200, 15, true, 25},
		{2200, 2200, 15, true, 100},
		{2300, 2200, 15, true, 100},
		{0, 2200, 15, true, 0},
		{80, -2, 19, true, 80}, // counts in per cent, capacity unknown
		{80, -2, 15, false, 0},
		{-3, 2200, 15, false, 0}, // some is left
		{-2, 2200, 15, false, 0},
		{-1, -1, 19, false, 0},
		{5, 0, 15, false, 0},
		{1<<31 - 1, 1<<31 - 1, 15, true, 100},
	} {
		s := &tandemv1.Supply{}
		setLevel(s, test.level, test.capacity, test.unit)
		if s.GetLevelKnown() != test.known || s.GetLevelPercent() != test.percent {
			t.Errorf("level %d of %d in unit %d: %v %d%%, want %v %d%%", test.level, test.capacity, test.unit, s.GetLevelKnown(), s.GetLevelPercent(), test.known, test.percent)
		}
	}
}

func TestSupplyKinds(t *testing.T) {
	// PrtMarkerSuppliesTypeTC of the IANA-PRINTER-MIB.
	for n, want := range map[int]string{0: "other", 1: "other", 2: "other", 3: "toner", 5: "ink", 8: "waste-ink", 21: "toner-cartridge", 34: "covers", 35: "other"} {
		if got := supplyKind(n); got != want {
			t.Errorf("supplyKind(%d) = %s, want %s", n, got, want)
		}
	}
}

func TestAddress(t *testing.T) {
	for address, want := range map[string]string{
		"192.0.2.7": "192.0.2.7:161", "192.0.2.7:1161": "192.0.2.7:1161", "printer-1.example": "printer-1.example:161",
		"2001:db8::7": "[2001:db8::7]:161", "[2001:db8::7]": "[2001:db8::7]:161", "[2001:db8::7]:1161": "[2001:db8::7]:1161",
		"": "", "printer-1:": "", "printer-1:0": "", "printer-1:99999": "", "192.0.2.0/24": "", "a b": "", "udp:192.0.2.7:161": "",
	} {
		host, port, err := split(address)
		if got := (&watcher{host: host, port: port}).address(); err == nil && got != want || err == nil == (want == "") {
			t.Errorf("split(%q) = %s, %v; want %q", address, got, err, want)
		}
	}
}

func TestCredentials(t *testing.T) {
	for _, test := range []struct {
		given map[string]string
		want  string
	}{
		{map[string]string{}, ""},
		{map[string]string{"community": "floor"}, ""},
		{map[string]string{"user": "watch"}, ""},
		{map[string]string{"user": "watch", "auth-key": "12345678"}, ""},
		{map[string]string{"user": "watch", "auth": "sha512", "auth-key": "12345678", "privacy": "aes256", "privacy-key": "12345678"}, ""},
		{map[string]string{"user": "watch", "auth-key": "1234567"}, "auth-key has 7"},
		{map[string]string{"user": "watch", "privacy-key": "12345678"}, "without auth-key"},
		{map[string]string{"user": "watch", "auth": "sha"}, "without auth-key"},
		{map[string]string{"user": "watch", "auth": "sha3", "auth-key": "12345678"}, `auth is "sha3"`},
		{map[string]string{"user": "watch", "auth-key": "12345678", "privacy": "rot13", "privacy-key": "12345678"}, `privacy is "rot13"`},
		{map[string]string{"auth-key": "12345678"}, "without user"},
		{map[string]string{"community": "floor", "user": "watch"}, "keep one"},
	} {
		_, err := fromCredentials(test.given)
		if test.want == "" && err != nil || test.want != "" && (err == nil || !strings.Contains(err.Error(), test.want)) {
			t.Errorf("%v: error %v, want %q", test.given, err, test.want)
		}
	}
}
