package config

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
	"tandem/scheduler/floor"
)

// fakeKinds knows sim with the setting pace, and rack and operator without any.
func fakeKinds(name string) (Kind, error) {
	switch name {
	case "sim":
		return Kind{CheckDevice: func(d *tandemv1.Device) error {
			var errs []error
			for key := range d.GetDriver().GetSettings() {
				if key != "pace" {
					errs = append(errs, fmt.Errorf("setting %q is not known; there is pace", key))
				}
			}
			if d.GetCapacity() > 64 {
				errs = append(errs, errors.New("holds at most 64"))
			}
			return errors.Join(errs...)
		}}, nil
	case "sole":
		return Kind{CheckDevice: func(*tandemv1.Device) error { return errors.New("there is one problem") }}, nil
	case "rack", "operator":
		return Kind{Manual: true}, nil
	}
	return Kind{}, fmt.Errorf("driver kind %q is not known; there are operator, rack, sim", name)
}

func goodFloor() *tandemv1.FloorFile {
	allowed := func() *tandemv1.UnattendedStart {
		return &tandemv1.UnattendedStart{AllowedBy: "Marit", AllowTime: timestamppb.New(time.Date(2026, 3, 2, 6, 30, 0, 0, time.UTC))}
	}
	return &tandemv1.FloorFile{
		DisplayName: "Shop",
		Media:       []*tandemv1.Media{{Id: "vinyl", WidthUm: 1_370_000}, {Id: "film-matt"}},
		People:      []*tandemv1.Person{{Id: "marit", Supervisor: true}, {Id: "jonas"}},
		Devices: []*tandemv1.Device{
			{
				Id: "west", Driver: &tandemv1.Driver{Kind: "sim", Settings: map[string]string{"pace": "1"}}, LoadedMedia: "vinyl",
				Abilities: []*tandemv1.Ability{
					{Operation: "print", Media: []string{"vinyl"}, Inks: []string{"uv"}, MaxWidthUm: 1_372_000, Setup: durationpb.New(time.Minute), UnattendedStart: allowed()},
					{Operation: "cut", Modes: []string{"kiss"}, ContinuesLoaded: true},
				},
			},
			{Id: "rack", Driver: &tandemv1.Driver{Kind: "rack"}, Capacity: 12, Abilities: []*tandemv1.Ability{{Operation: "dry", UnattendedStart: allowed()}}},
			{Id: "bench", Driver: &tandemv1.Driver{Kind: "operator"}, Abilities: []*tandemv1.Ability{{Operation: "weed"}}},
		},
	}
}

func TestCheckFloor(t *testing.T) {
	if p := CheckFloor(goodFloor(), fakeKinds); len(p) > 0 {
		t.Fatalf("a good floor: %v", p)
	}
	long := strings.Repeat("x", mostText+1)
	many := make([]string, mostNames+1)
	for i := range many {
		many[i] = fmt.Sprintf("m%d", i)
	}
	type file = tandemv1.FloorFile
	tests := []struct {
		name   string
		change func(*file)
		want   string // field: part of the problem
	}{
		{"no devices", func(f *file) { f.Devices = nil }, "devices: describe at least one"},
		{"no id", func(f *file) { f.Devices[1].Id = "" }, "devices[1].id: is missing"},
		{"bad id", func(f *file) { f.Devices[1].Id = "Rack" }, `devices[1].id: "Rack" is not an id; use 1 to 63 lower case`},
		{"wildcard id", func(f *file) { f.Devices[1].Id = ">" }, `devices[1].id: ">" is not an id`},
		{"path id", func(f *file) { f.Devices[1].Id = "../x" }, `devices[1].id: "../x" is not an id`},
		{"long id", func(f *file) { f.Devices[1].Id = strings.Repeat("a", 64) }, "devices[1].id: "},
		{"same device twice", func(f *file) { f.Devices[2].Id = "west" }, `devices[2].id: "west" is the id of devices[0] too`},
		{"same media twice", func(f *file) { f.Media[1].Id = "vinyl" }, `media[1].id: "vinyl" is the id of media[0] too`},
		{"same person twice", func(f *file) { f.People[1].Id = "marit" }, `people[1].id: "marit" is the id of people[0] too`},
		{"bad person", func(f *file) { f.People[0].Id = "Marit" }, `people[0].id: "Marit" is not an id`},
		{"bad media", func(f *file) { f.Media[1].Id = "*" }, `media[1].id: "*" is not an id`},
		{"long name", func(f *file) { f.Devices[0].DisplayName = long }, "devices[0].display_name: has 201 bytes"},
		{"escape sequence in a name", func(f *file) { f.DisplayName = "\x1b[2J" }, "display_name: holds control characters"},
		{"name of a person", func(f *file) { f.People[0].DisplayName = "a\nb" }, "people[0].display_name: holds control"},
		{"negative capacity", func(f *file) { f.Devices[1].Capacity = -1 }, "devices[1].capacity: is -1"},
		{"great capacity", func(f *file) { f.Devices[1].Capacity = 10_001 }, "devices[1].capacity: is 10001; give the runs it can hold at once, 1 to 10000"},
		{"slot that is no id", func(f *file) { f.Devices[1].Slots = []string{"a1", "a/2"} }, "devices[1].slots[1]: "},
		{"slot twice", func(f *file) { f.Devices[1].Slots = []string{"a1", "a2", "a1"} }, `devices[1].slots[2]: "a1" is there twice; keep one`},
		{"no driver", func(f *file) { f.Devices[0].Driver = nil }, "devices[0].driver.kind: is missing"},
		{"unknown driver", func(f *file) { f.Devices[0].Driver.Kind = "simm" }, `devices[0].driver.kind: driver kind "simm" is not known`},
		{"bad driver", func(f *file) { f.Devices[0].Driver.Kind, f.Devices[0].Driver.External = "a b", true }, `devices[0].driver.kind: "a b" is not an id`},
		{"unknown setting", func(f *file) { f.Devices[0].Driver.Settings = map[string]string{"pase": "1"} }, `devices[0].driver.settings: setting "pase" is not known`},
		{"one problem of a driver", func(f *file) { f.Devices[0].Driver = &tandemv1.Driver{Kind: "sole"} }, "devices[0].driver.settings: there is one problem"},
		{"control characters in a setting", func(f *file) { f.Devices[0].Driver.Settings["pace"] = "\x00" }, `devices[0].driver.settings["pace"]: holds control`},
		{"nameless capability", func(f *file) { f.Devices[0].Capabilities = map[string]string{"": "x"} }, "devices[0].capabilities: has an entry without a name"},
		{"no abilities", func(f *file) { f.Devices[2].Abilities = nil }, "devices[2].abilities: is empty"},
		{"no operation", func(f *file) { f.Devices[2].Abilities[0].Operation = "" }, "devices[2].abilities[0].operation: is missing"},
		{"bad operation", func(f *file) { f.Devices[2].Abilities[0].Operation = "Weed it" }, "devices[2].abilities[0].operation: "},
		{"same operation twice", func(f *file) { f.Devices[0].Abilities[1].Operation = "print" }, `devices[0].abilities[1].operation: "print" is the operation of abilities[0] too`},
		{"negative duration", func(f *file) { f.Devices[0].Abilities[0].Setup = durationpb.New(-1) }, "devices[0].abilities[0].setup: is not between 0 and 720h"},
		{"long duration", func(f *file) { f.Devices[0].Abilities[0].PerPiece = durationpb.New(720*time.Hour + 1) }, "devices[0].abilities[0].per_piece: is not between"},
		{"broken duration", func(f *file) { f.Devices[0].Abilities[0].PerMetre = &durationpb.Duration{Nanos: 2e9} }, "devices[0].abilities[0].per_metre: is not between"},
		{"negative per path metre", func(f *file) { f.Devices[0].Abilities[0].PerPathMetre = durationpb.New(-1) }, "devices[0].abilities[0].per_path_metre: "},
		{"negative media changeover", func(f *file) { f.Devices[0].Abilities[0].MediaChangeover = durationpb.New(-1) }, "devices[0].abilities[0].media_changeover: "},
		{"negative mode changeover", func(f *file) { f.Devices[0].Abilities[0].ModeChangeover = durationpb.New(-1) }, "devices[0].abilities[0].mode_changeover: "},
		{"negative width", func(f *file) { f.Devices[0].Abilities[0].MaxWidthUm = -500 }, "devices[0].abilities[0].max_width_um: is -0.5 mm; give a width from 0 to 20000 mm"},
		{"low from the start", func(f *file) { f.Media[0].RollLengthUm, f.Media[0].LowUm = 50_000_000, 50_000_000 }, "media[0].low_um: is not below roll_length_um: a new roll would be low; give less than 50000 mm"},
		{"negative roll", func(f *file) { f.Media[0].RollLengthUm = -1 }, "media[0].roll_length_um: "},
		{"negative web-up", func(f *file) { f.Devices[0].Abilities[0].WebUpUm = -1 }, "devices[0].abilities[0].web_up_um: "},
		{"great waste", func(f *file) { f.Devices[0].Abilities[0].RunWasteUm = 100_000_001 }, "devices[0].abilities[0].run_waste_um: "},
		{"negative blade life", func(f *file) { f.Devices[0].Abilities[1].BladeLifeUm = -1 }, "devices[0].abilities[1].blade_life_um: "},
		{"metres for millimetres", func(f *file) { f.Media[0].WidthUm = 20_000_001 }, "media[0].width_um: "},
		{"unknown media", func(f *file) { f.Devices[0].Abilities[0].Media = []string{"vinyl", "vinil"} }, `devices[0].abilities[0].media[1]: there is no media "vinil"; did you mean vinyl?`},
		{"unknown film", func(f *file) { f.Devices[0].Abilities[1].Films = []string{"silk"} }, `devices[0].abilities[1].films[0]: there is no media "silk"; add it`},
		{"media twice", func(f *file) { f.Devices[0].Abilities[0].Media = []string{"vinyl", "vinyl"} }, `devices[0].abilities[0].media[1]: "vinyl" is named twice`},
		{"bad ink", func(f *file) { f.Devices[0].Abilities[0].Inks = []string{"UV ink"} }, `devices[0].abilities[0].inks[0]: "UV ink" is not an id`},
		{"bad mode", func(f *file) { f.Devices[0].Abilities[1].Modes = []string{""} }, "devices[0].abilities[1].modes[0]: is missing"},
		{"many inks", func(f *file) { f.Devices[0].Abilities[0].Inks = many }, "devices[0].abilities[0].inks: has 1001 entries"},
		{"unknown loaded media", func(f *file) { f.Devices[2].LoadedMedia = "silk" }, `devices[2].loaded_media: there is no media "silk"`},
		{"loaded media it does not take", func(f *file) {
			f.Devices[0].LoadedMedia, f.Devices[0].Abilities[1].Films = "film-matt", []string{"vinyl"}
		}, `devices[0].loaded_media: "film-matt" is not among`},
		{"bad loaded media without a list", func(f *file) { f.Media, f.Devices[2].LoadedMedia = nil, "a b" }, `devices[2].loaded_media: "a b" is not an id`},
		{"unattended cut", func(f *file) {
			f.Devices[0].Abilities[1].UnattendedStart = f.GetDevices()[0].GetAbilities()[0].GetUnattendedStart()
		}, "devices[0].abilities[1].unattended_start: is for print and for drying only"},
		{"unattended weeding", func(f *file) {
			f.Devices[2].Abilities[0].UnattendedStart = f.GetDevices()[0].GetAbilities()[0].GetUnattendedStart()
		}, "devices[2].abilities[0].unattended_start: is for print"},
		{"unattended drying with motion", func(f *file) { f.Devices[1].Driver.Kind = "sim" }, "devices[1].abilities[0].unattended_start: is for drying without motion"},
		{"nobody allowed it", func(f *file) { f.Devices[0].Abilities[0].UnattendedStart.AllowedBy = "" }, "devices[0].abilities[0].unattended_start.allowed_by: is missing"},
		{"never allowed", func(f *file) { f.Devices[0].Abilities[0].UnattendedStart.AllowTime = nil }, "devices[0].abilities[0].unattended_start.allow_time: is missing"},
		{"allowed at no time", func(f *file) {
			f.Devices[0].Abilities[0].UnattendedStart.AllowTime = &timestamppb.Timestamp{}
		}, "devices[0].abilities[0].unattended_start.allow_time: is not a time between"},
		{"continues alone", func(f *file) { f.Devices[2].Abilities[0].ContinuesLoaded = true }, "devices[2].abilities[0].continues_loaded: needs another ability"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := goodFloor()
			tt.change(f)
			field, problem, _ := strings.Cut(tt.want, ": ")
			got := CheckFloor(f, fakeKinds)
			if len(got) == 1 && !strings.HasPrefix(got[0].String(), tt.want[:len(field)+2]) {
				t.Errorf("printed as %s", got[0])
			}
			if len(got) != 1 || got[0].Field != field || !strings.Contains(got[0].Problem, problem) {
				t.Errorf("got %q, want %s: ...%s...", got, field, problem)
			}
		})
	}
}

func TestCheckFloorTellsSeveralProblems(t *testing.T) {
	f := goodFloor()
	f.Devices[0].Driver.Settings = map[string]string{"a": "1", "b": "2"}
	f.Devices[0].Capacity = 65
	if got := CheckFloor(f, fakeKinds); len(got) != 3 {
		t.Errorf("got %v, want the three problems that the driver joined", got)
	}
	f.Devices = make([]*tandemv1.Device, 1000)
	if got := CheckFloor(f, fakeKinds); len(got) != mostProblems {
		t.Errorf("got %d problems, want %d", len(got), mostProblems)
	}
}

func TestCheckFloorAccepts(t *testing.T) {
	tests := []struct {
		name   string
		change func(*tandemv1.FloorFile)
	}{
		{"free names without a media list", func(f *tandemv1.FloorFile) { f.Media = nil }},
		{"external driver of a kind of its own", func(f *tandemv1.FloorFile) {
			f.Devices[2].Driver = &tandemv1.Driver{Kind: "my-own", External: true}
		}},
		{"greatest values", func(f *tandemv1.FloorFile) {
			f.Devices[1].Capacity, f.Media[0].WidthUm = mostCapacity, mostWidth
			f.Devices[0].Abilities[0].Setup = durationpb.New(mostDuration)
		}},
		{"no people", func(f *tandemv1.FloorFile) { f.People = nil }},
		{"same id for a device, a person and a media", func(f *tandemv1.FloorFile) { f.People[0].Id, f.Media[1].Id = "west", "west" }},
	}
	for _, tt := range tests {
		f := goodFloor()
		tt.change(f)
		if got := CheckFloor(f, fakeKinds); len(got) > 0 {
			t.Errorf("%s: %v", tt.name, got)
		}
	}
}

func TestNormalise(t *testing.T) {
	in := goodFloor()
	in.Devices[0].Code, in.Devices[0].State, in.Devices[0].Paused = "D0011", tandemv1.DeviceState_DEVICE_STATE_IDLE, true
	in.Devices[0].Driver.Manual = true
	in.People[0].Code = "U0011"
	before := proto.CloneOf(in)
	got := Normalise(in, fakeKinds)
	want := goodFloor()
	want.Devices[0].Capacity, want.Devices[2].Capacity = 1, 1
	want.Devices[1].Driver.Manual, want.Devices[2].Driver.Manual = true, true
	if !proto.Equal(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	if !proto.Equal(in, before) {
		t.Errorf("the argument was changed to %v", in)
	}
}

func TestLoadFloor(t *testing.T) {
	write := func(text string) string {
		path := filepath.Join(t.TempDir(), "floor.yaml")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	good := "devices:\n  - id: bench\n    driver: {kind: operator}\n    abilities:\n      - operation: weed\n"
	f, err := LoadFloor(write(good), fakeKinds)
	if err != nil || f.GetDevices()[0].GetCapacity() != 1 || !f.GetDevices()[0].GetDriver().GetManual() {
		t.Errorf("got %v, %v", f, err)
	}
	path := write(good + "        setup: -4m\n        max_width_mm: 99999\n")
	_, err = LoadFloor(path, fakeKinds)
	var e *yamlfile.Error
	if !errors.As(err, &e) || len(e.All()) != 2 {
		t.Fatalf("got %v, want two problems", err)
	}
	for i, want := range []yamlfile.Error{
		{File: path, Line: 7, Field: "devices[0].abilities[0].max_width_um", Problem: "is 99999 mm"},
		{File: path, Line: 6, Field: "devices[0].abilities[0].setup", Problem: "is not between"},
	} {
		if got := e.All()[i]; got.File != want.File || got.Line != want.Line || got.Field != want.Field || !strings.HasPrefix(got.Problem, want.Problem) {
			t.Errorf("got  %v\nwant %v", got, &want)
		}
	}
	if _, err = LoadFloor(write("device: []\n"), fakeKinds); !errors.As(err, &e) || e.Line != 1 || !strings.Contains(e.Problem, "did you mean devices?") {
		t.Errorf("got %v, want a problem of the key", err)
	}
	if _, err = LoadFloor(filepath.Join(t.TempDir(), "none.yaml"), fakeKinds); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("got %v, want %v", err, fs.ErrNotExist)
	}
}

// FuzzFloor: what passes the check must be taken by the heart, and normalising it again changes nothing.
func FuzzFloor(f *testing.F) {
	text, err := yamlfile.Marshal(goodFloor())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte("devices: [{id: a, driver: {kind: x, external: true}, abilities: [{operation: print, setup: 4m}]}]"))
	f.Fuzz(func(t *testing.T, text []byte) {
		file := new(tandemv1.FloorFile)
		if yamlfile.Unmarshal("floor.yaml", text, file) != nil || len(CheckFloor(file, fakeKinds)) > 0 {
			return
		}
		file = Normalise(file, fakeKinds)
		if again := Normalise(file, fakeKinds); !proto.Equal(file, again) || len(CheckFloor(again, fakeKinds)) > 0 {
			t.Fatalf("normalised %v\nagain %v\n%v", file, again, CheckFloor(again, fakeKinds))
		}
		if _, err := floor.New().Decide(time.Unix(0, 0), floor.Meta{Actor: "test"}, floor.Configure{File: file}); err != nil {
			t.Fatalf("the floor refuses %v: %v", file, err)
		}
	})
}
