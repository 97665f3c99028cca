package propose_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"tandem/drivers"
	"tandem/drivers/operator"
	"tandem/drivers/propose"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// kind is a kind of driver, or of watcher, that answers so.
func kind(name string, watches bool, p *drivers.Proposal, err error) drivers.Kind {
	k := drivers.Kind{
		Name: name, Settings: []drivers.Setting{{Name: "address"}, {Name: "mode"}},
		Propose: func(context.Context, drivers.Target) (*drivers.Proposal, error) { return p, err },
	}
	if !watches {
		k.New = func(drivers.Env, map[string]string) (drivers.Driver, error) {
			return nil, errors.New("nobody makes one here")
		}
	}
	return k
}

func found(name, address string, named bool) *drivers.Proposal {
	return &drivers.Proposal{
		Name: name, Named: named, Settings: map[string]string{"address": address}, Asked: []drivers.Tried{{What: address, Came: "it answers"}},
		Abilities: []drivers.ProposedAbility{{Operation: "print", MaxWidthUm: 1_626_500}},
	}
}

func host(t *testing.T, address string) drivers.Target {
	t.Helper()
	target, err := drivers.ParseTarget(address)
	if err != nil {
		t.Fatal(err)
	}
	return target
}

func TestAskChooses(t *testing.T) {
	t.Parallel()
	silent := kind("one", false, nil, drivers.ErrNotAsked)
	dead := kind("dead", false, nil, errors.New("nothing listens at port 1"))
	for _, test := range []struct {
		name      string
		kinds     []drivers.Kind
		kind, id  string
		watchers  int
		also, ask string // in them
	}{
		{name: "the first", kinds: []drivers.Kind{silent, kind("two", false, found("Press", "a", false), nil), kind("three", false, found("Other", "b", false), nil)}, kind: "two", id: "press", also: "three answers as well"},
		{name: "where it was pointed", kinds: []drivers.Kind{kind("two", false, found("Press", "a", false), nil), kind("three", false, found("", "b", true), nil)}, kind: "three", id: "printer-192-0-2-7", also: `two answers as well, and was not chosen since another answers at the port that was named: its settings would be address: "a"`},
		{name: "what failed is told", kinds: []drivers.Kind{dead, kind("two", false, found("Press", "a", false), nil)}, kind: "two", id: "press", ask: "{dead nothing listens"},
		{name: "a watcher beside", kinds: []drivers.Kind{kind("two", false, found("", "a", false), nil), kind("eye", true, &drivers.Proposal{Name: "Roll Press 3"}, nil)}, kind: "two", id: "roll-press-3", watchers: 1},
		{name: "only a watcher", kinds: []drivers.Kind{dead, operator.Kind(), kind("eye", true, &drivers.Proposal{Name: "Roll Press 3"}, nil)}, kind: "operator", id: "roll-press-3", watchers: 1},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			d, err := propose.Ask(t.Context(), test.kinds, host(t, "192.0.2.7"), "")
			if err != nil {
				t.Fatal(err)
			}
			if d.Kind.Name != test.kind || d.ID != test.id || len(d.Watch) != test.watchers ||
				!strings.Contains(strings.Join(d.Also, " "), test.also) || !strings.Contains(fmt.Sprint(d.Asked), test.ask) {
				t.Errorf("proposed %s as %q with %d watchers, asked %v, also %q", d.Kind.Name, d.ID, len(d.Watch), d.Asked, d.Also)
			}
		})
	}
}

func TestAskFails(t *testing.T) {
	t.Parallel()
	good := kind("good", false, found("Press", "a", false), nil)
	dead := func(name string) drivers.Kind { return kind(name, false, nil, errors.New(name+" is dead")) }
	locked := kind("locked", false, nil, fmt.Errorf("%w, and needs a login", drivers.ErrAnswered))
	for _, test := range []struct {
		name, id string
		kinds    []drivers.Kind
		says     []string
	}{
		{name: "nobody asks", kinds: []drivers.Kind{operator.Kind()}, says: []string{"no kind of driver asks"}},
		{name: "all are dead", kinds: []drivers.Kind{dead("one"), dead("two")}, says: []string{"tried\n  one: one is dead\n  two: two is dead"}},
		{name: "one needs something", kinds: []drivers.Kind{dead("one"), locked, good}, says: []string{"locked: it answers, and needs a login"}},
		{name: "no id", id: "Press 3", kinds: []drivers.Kind{good}, says: []string{"--id", "lower-case"}},
	} {
		if _, err := propose.Ask(t.Context(), test.kinds, host(t, "192.0.2.7"), test.id); err == nil {
			t.Errorf("%s: no error, want %q", test.name, test.says)
		} else {
			for _, s := range test.says {
				if !strings.Contains(err.Error(), s) {
					t.Errorf("%s: error %q, want %q in it", test.name, err, s)
				}
			}
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := propose.Ask(ctx, []drivers.Kind{dead("one")}, host(t, "192.0.2.7"), ""); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v, want %v", err, context.Canceled)
	}
}

// TestAskLater: who is asked later is told that somebody has answered.
func TestAskLater(t *testing.T) {
	t.Parallel()
	var told []bool
	later := kind("later", false, nil, nil)
	later.Propose = func(_ context.Context, target drivers.Target) (*drivers.Proposal, error) {
		told = append(told, target.Answered)
		return nil, drivers.ErrNotAsked
	}
	if _, err := propose.Ask(t.Context(), []drivers.Kind{later, kind("good", false, found("Press", "a", false), nil), later}, host(t, "192.0.2.7"), "press-9"); err != nil {
		t.Fatal(err)
	}
	if len(told) != 2 || told[0] || !told[1] {
		t.Errorf("told %v, want false and then true", told)
	}
}

func TestIDFrom(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"Printer North":           "printer-north",
		"  Größe Ø 3 / Łódź ":     "grosse-o-3-lodz",
		"ＡＢ１":                     "ab1", // wide letters are letters
		"192.0.2.7":               "192-0-2-7",
		"北":                       "",
		"---":                     "",
		strings.Repeat("ab ", 40): strings.TrimSuffix(strings.Repeat("ab-", 21), "-"),
		"":                        "",
	} {
		got := propose.IDFrom(name)
		if got != want || got != "" && !tandemv1.ValidID(got) {
			t.Errorf("id of %q is %q, want %q", name, got, want)
		}
	}
}

// TestStanzaKeepsText: whatever a device calls itself, YAML reads it back as that text, in an entry with these fields only.
func TestStanzaKeepsText(t *testing.T) {
	t.Parallel()
	for _, name := range []string{
		"null", "true", "yes", "off", "1e3", "0x1f", "2026-11-26", "~", "- a", "a: b", "a #b", `"quoted"`, "'", `back\slash`, "{a}", "[a]", "&a", "*a", "!a", "%", "@", "`", "|", ">", "北 3",
		strings.Repeat("long name ", 19),
	} {
		p := found(name, name, false)
		p.Asked, p.Facts = []drivers.Tried{{What: name, Came: name}}, []drivers.Fact{{Name: "name", Value: name}}
		p.Assumed = map[string]string{"address": name, "operation": name}
		p.Abilities[0].Media = []drivers.ProposedMedia{{Name: name, WidthUm: 1_370_000, Ready: true}}
		p.Ask(name, "mode: "+name)
		d, err := propose.Ask(t.Context(), []drivers.Kind{kind("two", false, p, nil)}, host(t, "192.0.2.7"), "press")
		if err != nil {
			t.Fatal(err)
		}
		var got struct {
			Devices []struct {
				ID     string `yaml:"id"`
				Name   string `yaml:"display_name"`
				Driver struct {
					Kind     string            `yaml:"kind"`
					Settings map[string]string `yaml:"settings"`
				} `yaml:"driver"`
				Abilities []struct {
					Operation string  `yaml:"operation"`
					Width     float64 `yaml:"max_width_mm"`
				} `yaml:"abilities"`
			} `yaml:"devices"`
		}
		text := "devices:\n" + d.Stanza()
		decoder := yaml.NewDecoder(strings.NewReader(text))
		decoder.KnownFields(true)
		if err := decoder.Decode(&got); err != nil {
			t.Errorf("%q: %v in\n%s", name, err, text)
			continue
		}
		want := strings.TrimSpace(name)
		if len(got.Devices) != 1 || got.Devices[0].Name != want || got.Devices[0].Driver.Settings["address"] != name || len(got.Devices[0].Driver.Settings) != 1 ||
			got.Devices[0].Abilities[0].Width != 1626.5 {
			t.Errorf("%q is read back as %+v from\n%s", name, got, text)
		}
		floor := new(tandemv1.FloorFile)
		if err := yamlfile.Unmarshal("floor.yaml", []byte(text), floor); err != nil || floor.GetDevices()[0].GetDisplayName() != want || floor.GetDevices()[0].GetAbilities()[0].GetMaxWidthUm() != 1_626_500 {
			t.Errorf("%q is read back by the floor file's reader as %v, %v", name, floor, err)
		}
	}
}

// TestJSON: the device has the keys of a floor file.
func TestJSON(t *testing.T) {
	t.Parallel()
	p := found("Press", "192.0.2.7", false)
	p.Abilities[0].Media = []drivers.ProposedMedia{{Name: "custom_vinyl_1370x50000mm", WidthUm: 1_370_000, LengthUm: 50_000_000, Ready: true}}
	d, err := propose.Ask(t.Context(), []drivers.Kind{kind("two", false, p, nil), kind("eye", true, &drivers.Proposal{Settings: map[string]string{"address": "a"}}, nil)}, host(t, "192.0.2.7"), "")
	if err != nil {
		t.Fatal(err)
	}
	body, err := json.Marshal(d)
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Device json.RawMessage
		Media  []struct {
			WidthUm int64 `json:"width_um"`
			Ready   bool
		}
		Decide   []struct{ Text string }
		Cautions []string
	}
	if err := json.Unmarshal(body, &got); err != nil {
		t.Fatal(err)
	}
	floor := new(tandemv1.FloorFile)
	if err := yamlfile.Unmarshal("floor.json", fmt.Appendf(nil, `{"devices": [%s]}`, got.Device), floor); err != nil {
		t.Fatal(err)
	}
	device := floor.GetDevices()[0]
	if device.GetId() != "press" || device.GetWatch()[0].GetKind() != "eye" || device.GetAbilities()[0].GetMaxWidthUm() != 1_626_500 || device.GetAbilities()[0].GetUnattendedStart() != nil {
		t.Errorf("the device is read as %v", device)
	}
	if len(got.Media) != 1 || got.Media[0].WidthUm != 1_370_000 || !got.Media[0].Ready || len(got.Decide) < 4 || len(got.Cautions) < 1 {
		t.Errorf("JSON holds %s", body)
	}
}
