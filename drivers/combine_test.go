package drivers

import (
	"slices"
	"strings"
	"testing"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// TestCombine holds the precedence that combine states.
func TestCombine(t *testing.T) {
	const (
		unknown    = tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED
		idle       = tandemv1.DeviceState_DEVICE_STATE_IDLE
		processing = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
		stopped    = tandemv1.DeviceState_DEVICE_STATE_STOPPED

		online  = tandemv1.Link_LINK_ONLINE
		offline = tandemv1.Link_LINK_OFFLINE
	)
	sees := func(s tandemv1.DeviceState, reasons ...string) sight {
		return sight{kind: "w", seen: Seen{State: s, Reasons: reasons}.clean()}
	}
	lost, silent := sight{kind: "w", lost: true}, sight{kind: "w"}
	running := []*driverv1.RunStatus{{Run: "r1", State: tandemv1.JobState_JOB_STATE_PROCESSING}}
	waiting := []*driverv1.RunStatus{{Run: "r1", State: tandemv1.JobState_JOB_STATE_PENDING}, {Run: "r0", State: tandemv1.JobState_JOB_STATE_COMPLETED}}
	for _, test := range []struct {
		name    string
		said    tandemv1.DeviceState
		link    tandemv1.Link
		runs    []*driverv1.RunStatus
		reasons string
		sights  []sight
		want    tandemv1.DeviceState
		why     string
	}{
		{"both idle", idle, online, nil, "", []sight{sees(idle)}, idle, ""},
		{"a fault stops an idle device", idle, online, nil, "", []sight{sees(stopped, "media-jam-error")}, stopped, "media-jam-error"},
		{"a fault is shown while work goes on", processing, online, running, "", []sight{sees(stopped, "media-jam-error")}, stopped, "media-jam-error"},
		{"an idle lamp does not deny a run", processing, online, running, "", []sight{sees(idle)}, processing, ""},
		{"a green lamp does not help a driver that is stopped", stopped, online, nil, "media-empty-error", []sight{sees(processing)}, stopped, "media-empty-error"},
		{"somebody else works", idle, online, nil, "", []sight{sees(processing)}, processing, "x-other-work-report"},
		{"with a run that only waits", idle, online, waiting, "", []sight{sees(processing)}, processing, "x-other-work-report"},
		{"our run is under way", idle, online, running, "", []sight{sees(processing)}, processing, ""},
		{"the first counts", idle, online, nil, "", []sight{sees(idle), sees(stopped, "door-open-error")}, idle, ""},
		{"and not the worst", idle, online, nil, "", []sight{sees(processing), sees(stopped, "door-open-error")}, processing, "x-other-work-report"},
		{"the first that knows", idle, online, nil, "", []sight{sees(unknown), sees(stopped, "door-open-error")}, stopped, "door-open-error"},
		{"the first that is reached", idle, online, nil, "", []sight{lost, sees(stopped, "door-open-error")}, stopped, "x-watcher-lost-warning door-open-error"},
		{"one that has not spoken yet has no say", idle, online, nil, "", []sight{silent, sees(processing)}, processing, "x-other-work-report"},
		{"silence is not idle", idle, online, nil, "", []sight{lost}, idle, "x-watcher-lost-warning"},
		{"warnings of all", idle, online, nil, "x-blade-worn-warning", []sight{sees(idle, "media-low-warning"), sees(idle, "marker-supply-low-warning", "other-error")}, idle, "x-blade-worn-warning media-low-warning marker-supply-low-warning"},
		{"each reason once", stopped, online, nil, "media-jam-error", []sight{sees(stopped, "media-jam-error")}, stopped, "media-jam-error"},
		{"the driver has lost its device", idle, offline, nil, "connecting-to-device", []sight{sees(stopped, "door-open-error")}, stopped, "connecting-to-device door-open-error"},
		{"the driver has never spoken", unknown, offline, nil, "connecting-to-device", []sight{sees(idle)}, unknown, "connecting-to-device"},
	} {
		s := &driverv1.Status{
			State: test.said, Phase: phaseOf(test.said), Link: test.link, Runs: test.runs, StateReasons: strings.Fields(test.reasons),
		}
		combine(s, test.sights)
		if s.GetState() != test.want || !slices.Equal(s.GetStateReasons(), strings.Fields(test.why)) {
			t.Errorf("%s: %v %v, want %v %s", test.name, s.GetState(), s.GetStateReasons(), test.want, test.why)
		}
		if s.GetLink() != test.link || len(s.GetWatched()) != len(test.sights) || test.link == online && s.GetPhase() != phaseOf(test.want) {
			t.Errorf("%s: link %v, phase %v, %d watched", test.name, s.GetLink(), s.GetPhase(), len(s.GetWatched()))
		}
	}
}

func TestCombineSupplies(t *testing.T) {
	with := func(name string) sight {
		return sight{seen: Seen{Supplies: []*tandemv1.Supply{{DisplayName: name, Kind: "Ink cartridge", LevelKnown: true, LevelPercent: 130}}}.clean()}
	}
	s := &driverv1.Status{}
	combine(s, []sight{{lost: true}, {seen: &Seen{}}, with("cyan\x1b[2J\n"), with("magenta")})
	if len(s.GetSupplies()) != 1 || s.GetSupplies()[0].GetDisplayName() != "cyan[2J" || s.GetSupplies()[0].GetKind() != "ink-cartridge" || s.GetSupplies()[0].GetLevelPercent() != 100 {
		t.Errorf("supplies are %v, want cyan of the first that knows any, fit for a screen", s.GetSupplies())
	}
}

// TestWatchedStatusFits has everything that watchers can say at its greatest fit in a message beside the runs.
func TestWatchedStatusFits(t *testing.T) {
	long := strings.Repeat("x", 500)
	var seen Seen
	for i := range 100 {
		seen.Reasons = append(seen.Reasons, long[:60]+string(rune('a'+i%26)))
		seen.Supplies = append(seen.Supplies, &tandemv1.Supply{DisplayName: strings.Repeat("\"", 500), Kind: long, LevelKnown: true, LevelPercent: 99, Receptacle: true})
	}
	seen.Message = strings.Repeat("\\", 500)
	d := newDesk(Env{}, false, 1)
	for range MaxWatchers {
		d.sights = append(d.sights, sight{kind: long[:63], seen: seen.clean()})
	}
	s := &driverv1.Status{}
	d.look(s)
	body, err := EncodeBody(s, false)
	if err != nil || len(body) > 20<<10 {
		t.Errorf("what watchers say has %d bytes, %v; leave the runs their room", len(body), err)
	}
}

func TestCredentialsFile(t *testing.T) {
	known := []string{"user", "password"}
	got, err := parseCredentials("# of the light\n\nuser: signal\n password :  a:b c \r\n", known)
	if err != nil || got["user"] != "signal" || got["password"] != "a:b c" {
		t.Errorf("parsed %v, %v", got, err)
	}
	for text, want := range map[string]string{
		"secret": "line 1 is not NAME: VALUE", "user: a\nuser: b": "line 2: user is given twice", "passwort: secret": `did you mean "password"?`,
		"password:": "has 0 bytes", "password: " + strings.Repeat("x", 2000): "has 2000 bytes",
	} {
		if _, err := parseCredentials(text, known); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "secret") {
			t.Errorf("%.20q: error %v, want %q and no secret", text, err, want)
		}
	}
}
