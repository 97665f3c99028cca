package main

import (
	"regexp"
	"strings"
	"testing"
	"unicode"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/reflect/protoreflect"

	tandemv1 "tandem/proto/tandem/v1"
)

var colours = regexp.MustCompile(`\x1b\[[0-9;]*m`)

// TestColour holds when there is colour, and that it carries nothing: without it the text is the same.
func TestColour(t *testing.T) {
	tests := []struct {
		name     string
		terminal bool
		env      map[string]string
		flags    []string
		want     bool
	}{
		{"on a terminal", true, nil, nil, true},
		{"piped", false, nil, nil, false},
		{"--no-color", true, nil, []string{"--no-color"}, false},
		{"NO_COLOR", true, map[string]string{"NO_COLOR": "1"}, nil, false},
		{"empty NO_COLOR does not count", true, map[string]string{"NO_COLOR": ""}, nil, true},
		{"TERM=dumb", true, map[string]string{"TERM": "dumb"}, nil, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := newFake(t)
			for _, command := range [][]string{{"jobs"}, {"jobs", "shop-window"}, {"devices"}, {"floor"}, {"status"}, {"scan", "P1"}, {"hold", "shop-window"}, {"plan"}} {
				args := append(command, tt.flags...)
				_, bare, _ := f.tandem(t, args...)
				s, out, _ := f.surroundings(args...)
				s.outIsTerminal = tt.terminal
				s.env = func(name string) string { return tt.env[name] }
				s.user = "anna"
				if code := run(t.Context(), s); code != exitOK {
					t.Fatalf("exit %d", code)
				}
				if got := colours.MatchString(out.String()); got != tt.want {
					t.Errorf("%v: colour %t, want %t:\n%q", command, got, tt.want, out)
				}
				if colours.ReplaceAllString(out.String(), "") != bare {
					t.Errorf("%v: the text changes with the colour", command)
				}
			}
		})
	}
}

// TestColourOfTalk: standard error has its own terminal.
func TestColourOfTalk(t *testing.T) {
	f := newFake(t)
	s, _, errs := f.surroundings("jobs", "nothing")
	s.errIsTerminal = true
	run(t.Context(), s)
	if !colours.MatchString(errs.String()) {
		t.Errorf("no colour in %q", errs)
	}
}

const evil = "\x1b[2J\x1b]0;owned\x07a\r\nfake line\u009b31m\u202eb\x7f"

// poison puts hostile text into every string field of a message, whatever it is for.
func poison(m protoreflect.Message) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		switch {
		case fd.IsMap():
			if m.Has(fd) && fd.MapValue().Kind() == protoreflect.StringKind {
				m.Mutable(fd).Map().Set(protoreflect.ValueOfString(evil).MapKey(), protoreflect.ValueOfString(evil))
			}
		case fd.IsList() && fd.Kind() == protoreflect.StringKind:
			list := m.Mutable(fd).List()
			list.Append(protoreflect.ValueOfString(evil))
		case fd.IsList() && fd.Kind() == protoreflect.MessageKind:
			for j := range m.Get(fd).List().Len() {
				poison(m.Get(fd).List().Get(j).Message())
			}
		case fd.Kind() == protoreflect.StringKind:
			m.Set(fd, protoreflect.ValueOfString(m.Get(fd).String()+evil))
		case fd.Kind() == protoreflect.MessageKind && m.Has(fd) && strings.HasPrefix(string(fd.Message().FullName()), "tandem."):
			poison(m.Mutable(fd).Message())
		}
	}
}

// harmless runs a command on a terminal and reports whatever the terminal would obey, or take for a line of the program's own.
func (f *fake) harmless(t *testing.T, errIsTerminal bool, args ...string) (stdout string) {
	t.Helper()
	s, out, errs := f.surroundings(args...)
	s.outIsTerminal, s.errIsTerminal = true, errIsTerminal // progress redraws its line only on a terminal
	run(t.Context(), s)
	for _, text := range []string{out.String(), errs.String()} {
		for line := range strings.SplitSeq(colours.ReplaceAllString(text, ""), "\n") {
			if i := strings.IndexFunc(line, func(r rune) bool { return !unicode.IsPrint(r) }); i >= 0 {
				t.Errorf("%q: control character at %d of %q", args, i, line)
			}
			if strings.HasPrefix(line, "fake line") {
				t.Errorf("%q: a forged line: %q", args, line)
			}
		}
	}
	return out.String()
}

// TestHostileText: whatever text the daemon sends, nothing reaches the terminal that it would obey, and every line begins
// with this program's own words or the text of its field, never with text after a smuggled line end.
func TestHostileText(t *testing.T) {
	f := newFake(t)
	for _, j := range f.jobs {
		poison(j.ProtoReflect())
		j.Id, j.Code = strings.TrimSuffix(j.GetId(), evil), ""
	}
	for _, d := range f.devices {
		poison(d.ProtoReflect())
		d.Id, d.Code = strings.TrimSuffix(d.GetId(), evil), ""
	}
	for _, c := range f.commits {
		poison(c.ProtoReflect())
	}
	poison(f.status.ProtoReflect())
	f.scan = func(*tandemv1.RecordScanRequest) (*tandemv1.RecordScanResponse, error) {
		return &tandemv1.RecordScanResponse{Outcome: tandemv1.RecordScanResponse_OUTCOME_SHOWN, Message: evil, Subject: evil}, nil
	}
	f.watch = func(_ *tandemv1.WatchEventsRequest, stream grpc.ServerStreamingServer[tandemv1.WatchEventsResponse]) error {
		for _, m := range append([]*tandemv1.WatchEventsResponse{{
			Payload: &tandemv1.WatchEventsResponse_Snapshot{Snapshot: &tandemv1.Snapshot{Jobs: f.jobs, Devices: f.devices, Last: true}},
		}}, f.commits...) {
			if err := stream.Send(m); err != nil {
				return err
			}
		}
		return detailed(t, 7, evil) // PERMISSION_DENIED: the watch ends
	}
	for _, command := range [][]string{
		{"jobs", "--all"},
		{"jobs", "shop-window"},
		{"devices"},
		{"devices", "cutter-1"},
		{"floor"},
		{"why", "shop-window"},
		{"events", "--after", "0"},
		{"status"},
		{"codes"},
		{"label", "shop-window"},
		{"label", "--devices", "--slots"},
		{"hold", "shop-window"},
		{"pause", "printer-2"},
		{"scan", evil},
		{"watch"},
		{"start", evil},
		{"submit", "testdata/" + evil},
		{evil},
		{"jobs", "--" + evil},
	} {
		for _, flags := range [][]string{nil, {"--json"}, {"--quiet"}} {
			out := f.harmless(t, true, append(flags, command...)...)
			if len(flags) > 0 && flags[0] == "--json" && command[0] == "jobs" && len(command) == 2 && command[1] == "shop-window" {
				var job tandemv1.Job
				if err := protojson.Unmarshal([]byte(out), &job); err != nil || job.GetDisplayName() != "Window letters"+evil {
					t.Errorf("JSON does not keep the text: %v, %q", err, job.GetDisplayName())
				}
			}
		}
	}
}

// TestJSONIsEscaped: characters that JSON allows and a terminal might obey are escaped, and come back whole.
func TestJSONIsEscaped(t *testing.T) {
	text := "\x7f\u009b\u202e\u2028\ufeff\U000e0041 é日\U0001f600"
	line := jsonLine(&tandemv1.Job{DisplayName: text})
	if want := `{"displayName":"\u007f\u009b\u202e\u2028\ufeff\udb40\udc41 é日😀"}` + "\n"; line != want {
		t.Errorf("got  %q\nwant %q", line, want)
	}
	var back tandemv1.Job
	if err := protojson.Unmarshal([]byte(line), &back); err != nil || back.GetDisplayName() != text {
		t.Errorf("comes back as %q, %v", back.GetDisplayName(), err)
	}
}

func TestBellOnRefusalOnTerminalOnly(t *testing.T) {
	f := newFake(t)
	for _, tt := range []struct {
		outcome        tandemv1.RecordScanResponse_Outcome
		terminal, bell bool
	}{
		{tandemv1.RecordScanResponse_OUTCOME_NOT_READY, true, true},
		{tandemv1.RecordScanResponse_OUTCOME_WRONG_STATION, true, true},
		{tandemv1.RecordScanResponse_OUTCOME_UNKNOWN_CODE, true, true},
		{tandemv1.RecordScanResponse_OUTCOME_STARTED, true, false},
		{tandemv1.RecordScanResponse_OUTCOME_NOT_READY, false, false},
	} {
		f.scan = func(*tandemv1.RecordScanRequest) (*tandemv1.RecordScanResponse, error) {
			return &tandemv1.RecordScanResponse{Outcome: tt.outcome}, nil
		}
		s, out, _ := f.surroundings("scan", "P1", "--no-color")
		s.outIsTerminal = tt.terminal
		run(t.Context(), s)
		if got := strings.Contains(out.String(), "\a"); got != tt.bell {
			t.Errorf("%v on a terminal %t: bell %t, want %t", tt.outcome, tt.terminal, got, tt.bell)
		}
	}
}

func TestStationID(t *testing.T) {
	for host, want := range map[string]string{
		"Bench-PC.shop.example": "bench-pc-shop-example", "": "station", "---": "station", "日本": "station",
		strings.Repeat("a", 80): strings.Repeat("a", 63),
	} {
		got := stationID(host)
		if got != want || !tandemv1.ValidID(got) {
			t.Errorf("stationID(%q) = %q, want %q", host, got, want)
		}
	}
}
