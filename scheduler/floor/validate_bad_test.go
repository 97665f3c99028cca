package floor

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

// badIDs puts ids that mean something to a bus, a file system, a shell or a screen wherever an id may be.
func badIDs() []badJob {
	const rule = " is not an id: an id has 1 to 63 lower case letters, digits and dashes"
	hostile := []string{
		"", "*", ">", "../x", "a.b", "a/b", `a\b`, "Decals", "dekäl", "-a", "a b", "a\x00", "a\n", "\x1b[2J", "=1+1",
		strings.Repeat("a", 64),
	}
	var out []badJob
	add := func(where, field, id string, spoil func(*tandemv1.Job)) {
		out = append(out, badJob{fmt.Sprintf("%s id %q", where, id), spoil, []string{field + ": " + fmt.Sprintf("%q", id) + rule}})
	}
	for _, id := range hostile {
		add("job", "job.id", id, func(j *tandemv1.Job) { j.Id = id })
		add("panel", "job.panels[0].id", id, func(j *tandemv1.Job) { j.Panels = []*tandemv1.Panel{{Id: id, Pieces: 60}} })
		add("step", "job.steps[3].id", id, func(j *tandemv1.Job) { j.Steps[3].Id = id })
		add("operation", "job.steps[0].operation", id, func(j *tandemv1.Job) { j.Steps[0].Operation = id })
		add("device", "job.steps[0].devices[1]", id, func(j *tandemv1.Job) { j.Steps[0].Devices = []string{"printer-1", id} })
		add("role", "job.steps[0].documents[0].role", id, func(j *tandemv1.Job) {
			j.Steps[0].Documents = []*tandemv1.Document{{Role: id, Uri: "a"}}
		})
		if id == "" {
			continue // these may be left out
		}
		add("media", "job.steps[0].media", id, func(j *tandemv1.Job) { j.Steps[0].Media = id })
		add("ink", "job.steps[0].ink", id, func(j *tandemv1.Job) { j.Steps[0].Ink = id })
		add("mode", "job.steps[0].mode", id, func(j *tandemv1.Job) { j.Steps[0].Mode = id })
		add("film", "job.steps[2].film", id, func(j *tandemv1.Job) { j.Steps[2].Film = id })
	}
	long := strings.Repeat("a", 100)
	return append(out, badJob{
		"a very long id is not repeated in full", func(j *tandemv1.Job) { j.Id = long },
		[]string{`job.id: "` + long[:80] + `..." is not an id`},
	})
}

// badShapes are graphs that are none, or too large, or that lead nowhere.
func badShapes() []badJob {
	after := func(j *tandemv1.Job, step int, ids ...string) { j.Steps[step].After = ids }
	return []badJob{
		{"no steps", func(j *tandemv1.Job) { j.Steps = nil }, []string{"job.steps: is empty: a job has at least one step"}},
		{"1,001 steps", func(j *tandemv1.Job) {
			j.Steps = nil
			for i := range 1001 {
				j.Steps = append(j.Steps, &tandemv1.Step{Id: fmt.Sprintf("s%d", i), Operation: "print"})
			}
		}, []string{"job.steps: has 1001 steps, at most 1000 are taken"}},
		{"1,001 panels", func(j *tandemv1.Job) {
			j.Pieces = 0
			for i := range 1001 {
				j.Panels = append(j.Panels, &tandemv1.Panel{Id: fmt.Sprintf("p%d", i), Pieces: 1})
			}
		}, []string{"job.panels: has 1001 panels, at most 1000 are taken"}},
		{"self loop", func(j *tandemv1.Job) { after(j, 0, "print") }, []string{`job.steps[0].after[0]: closes a cycle: step "print" waits for itself`}},
		{"self loop beside a good reference", func(j *tandemv1.Job) { after(j, 1, "print", "dry") }, []string{"job.steps[1].after[1]: closes a cycle"}},
		{"a cycle of all", func(j *tandemv1.Job) { after(j, 0, "cut") }, []string{`job.steps[1].after[0]: closes a cycle: step "print" waits for itself`}},
		{"two cycles", func(j *tandemv1.Job) {
			after(j, 0, "dry")
			after(j, 2, "cut")
		}, []string{"job.steps[1].after[0]: closes a cycle", "job.steps[3].after[0]: closes a cycle"}},
		{"unknown step", func(j *tandemv1.Job) { after(j, 3, "laminate", "weed") }, []string{`job.steps[3].after[1]: there is no step "weed" in this job`}},
		{"hostile reference", func(j *tandemv1.Job) { after(j, 3, ">") }, []string{`job.steps[3].after[0]: there is no step ">" in this job`}},
		{"a step of before twice", func(j *tandemv1.Job) { after(j, 3, "dry", "dry") }, []string{`job.steps[3].after[1]: "dry" is named twice`}},
		{"step ids twice", func(j *tandemv1.Job) { j.Steps[2].Id, j.Steps[3].After = "dry", nil }, []string{`job.steps[2].id: "dry" is the id of steps[1] too`}},
		{"unknown panel", func(j *tandemv1.Job) { j.Steps[0].Panels = []string{"p1", "p2"} }, []string{`job.steps[0].panels[1]: there is no panel "p2" in this job`}},
		{"a panel twice in a step", func(j *tandemv1.Job) { j.Steps[0].Panels = []string{"p1", "p1"} }, []string{`job.steps[0].panels[1]: "p1" is named twice`}},
		{"panel ids twice", func(j *tandemv1.Job) {
			j.Panels = []*tandemv1.Panel{{Id: "a", Pieces: 30}, {Id: "a", Pieces: 30}}
		}, []string{`job.panels[1].id: "a" is used twice`}},
		{"many faults at once are all named", func(j *tandemv1.Job) {
			j.Id, j.Pieces, j.Steps[0].WidthUm, j.Steps[3].After = "A", 0, -1, []string{"x"}
		}, []string{"job.id: is not an id", "job.pieces: 0 is not between", "job.steps[0].width_um: -1 um", "job.steps[3].after[0]: there is no step"}},
	}
}

// badValues are numbers, times, texts and hashes that cannot be meant.
func badValues() []badJob {
	const year = 366 * 24 * time.Hour
	long := func(n int) string { return strings.Repeat("x", n) }
	many := func() map[string]string {
		m := map[string]string{}
		for i := range 65 {
			m[fmt.Sprintf("k%02d", i)] = "v"
		}
		return m
	}
	cut := func(sum string) func(*tandemv1.Job) {
		return func(j *tandemv1.Job) { j.Steps[3].Documents[0].Sha256 = sum }
	}
	const noSum = "job.steps[3].documents[0].sha256: is not a SHA-256: 64 lower case hexadecimal digits"
	out := []badJob{
		{"no pieces", func(j *tandemv1.Job) { j.Pieces = 0 }, []string{"job.pieces: 0 is not between 1 and 1000000"}},
		{"pieces below zero", func(j *tandemv1.Job) { j.Pieces = -60 }, []string{"job.pieces: -60 is not between"}},
		{"too many pieces", func(j *tandemv1.Job) { j.Pieces = 1_000_001 }, []string{"job.pieces: 1000001 is not between"}},
		{"an empty panel", func(j *tandemv1.Job) {
			j.Panels = []*tandemv1.Panel{{Id: "a", Pieces: 60}, {Id: "b"}}
		}, []string{"job.panels[1].pieces: 0 is not between"}},
		{"pieces are not the sum", func(j *tandemv1.Job) {
			j.Panels = []*tandemv1.Panel{{Id: "a", Pieces: 30}, {Id: "b", Pieces: 29}}
		}, []string{"job.pieces: 60 is not the sum of the panels' pieces, 59: leave it out"}},
		{"too many pieces together", func(j *tandemv1.Job) {
			j.Pieces, j.Panels = 0, []*tandemv1.Panel{{Id: "a", Pieces: 1_000_000}, {Id: "b", Pieces: 1}}
		}, []string{"job.panels: have 1000001 pieces, at most 1000000 are taken"}},
		// RFC 8011 section 5.2.1: job-priority is 1 to 100.
		{"priority 101", func(j *tandemv1.Job) { j.Priority = 101 }, []string{"job.priority: 101 is not between 1 and 100"}},
		{"priority -1", func(j *tandemv1.Job) { j.Priority = -1 }, []string{"job.priority: -1 is not between 1 and 100"}},
		{"width below zero", func(j *tandemv1.Job) { j.Steps[0].WidthUm = -1 }, []string{"job.steps[0].width_um: -1 um is not between 0 and 20000000 um"}},
		{"width of 21 m", func(j *tandemv1.Job) { j.Steps[0].WidthUm = 21e6 }, []string{"job.steps[0].width_um: 21000000 um"}},
		{"length below zero", func(j *tandemv1.Job) { j.Steps[0].LengthUm = -5 }, []string{"job.steps[0].length_um: -5 um"}},
		{"huge path", func(j *tandemv1.Job) { j.Steps[3].PathLengthUm = 1 << 62 }, []string{"job.steps[3].path_length_um: 4611686018427387904 um"}},
		{"duration below zero", func(j *tandemv1.Job) { j.Steps[1].Duration = durationpb.New(-1) }, []string{"job.steps[1].duration: is not between 0 and 1440h0m0s"}},
		{"duration of a year", func(j *tandemv1.Job) { j.Steps[1].Duration = durationpb.New(year) }, []string{"job.steps[1].duration: is not between"}},
		{"duration that is none", func(j *tandemv1.Job) { j.Steps[1].Duration = &durationpb.Duration{Seconds: 1, Nanos: -1} }, []string{"job.steps[1].duration: is not between"}},
		{"min_wait of a year", func(j *tandemv1.Job) { j.Steps[2].MinWait = durationpb.New(year) }, []string{"job.steps[2].min_wait: is not between"}},
		{"max_wait below zero", func(j *tandemv1.Job) { j.Steps[2].MaxWait = durationpb.New(-time.Hour) }, []string{"job.steps[2].max_wait: is not between"}},
		{"waits crossed", func(j *tandemv1.Job) {
			j.Steps[2].MinWait, j.Steps[2].MaxWait = durationpb.New(2*time.Hour), durationpb.New(time.Hour)
		}, []string{"job.steps[2].max_wait: is shorter than min_wait"}},
		{"due in year 1", func(j *tandemv1.Job) { j.DueTime = timestamppb.New(time.Time{}) }, []string{"job.due_time: is not a time between the years 2000 and 2200"}},
		{"release that is none", func(j *tandemv1.Job) { j.ReleaseTime = &timestamppb.Timestamp{Nanos: -1} }, []string{"job.release_time: is not a time"}},
		{"cut without hash", cut(""), []string{"job.steps[3].documents[0].sha256: is missing: a cut starts only with the file"}},
		{"hash of 63", cut(emptySum[1:]), []string{noSum}},
		{"hash in upper case", cut(strings.ToUpper(emptySum)), []string{noSum}},
		{"hash with a g", cut("g" + emptySum[1:]), []string{noSum}},
		{"document without uri", func(j *tandemv1.Job) { j.Steps[3].Documents[0].Uri = "" }, []string{"job.steps[3].documents[0].uri: is missing"}},
		{"65 labels", func(j *tandemv1.Job) { j.Labels = many() }, []string{"job.labels: has 65 entries, at most 64 are taken"}},
		{"65 demands", func(j *tandemv1.Job) { j.Steps[0].Requires = many() }, []string{"job.steps[0].requires: has 65 entries"}},
		{"65 documents", func(j *tandemv1.Job) {
			for range 65 {
				j.Steps[0].Documents = append(j.Steps[0].Documents, &tandemv1.Document{Role: "artwork", Uri: "a"})
			}
		}, []string{"job.steps[0].documents: has 65 entries"}},
		{"long name", func(j *tandemv1.Job) { j.DisplayName = long(201) }, []string{"job.display_name: has 201 bytes, at most 200 are kept"}},
		{"long note", func(j *tandemv1.Job) { j.Steps[0].Note = long(2001) }, []string{"job.steps[0].note: has 2001 bytes"}},
		{"broken text", func(j *tandemv1.Job) { j.DisplayName = "\xff" }, []string{"job.display_name: is not UTF-8"}},
	}
	for _, control := range []string{"\x00", "\x1b[31m", "\r", "\x7f", "\u0085", "\u009b"} {
		out = append(
			out,
			badJob{fmt.Sprintf("name with %q", control), func(j *tandemv1.Job) { j.DisplayName = control }, []string{"job.display_name: holds control characters"}},
			badJob{fmt.Sprintf("note with %q", control), func(j *tandemv1.Job) { j.Steps[1].Note = "a" + control }, []string{"job.steps[1].note: holds control characters"}},
			badJob{fmt.Sprintf("uri with %q", control), func(j *tandemv1.Job) { j.Steps[3].Documents[0].Uri = control }, []string{"job.steps[3].documents[0].uri: holds control characters"}},
			badJob{fmt.Sprintf("label with %q", control), func(j *tandemv1.Job) { j.Labels = map[string]string{"k": control} }, []string{`job.labels["k"]: holds control characters`}},
			badJob{fmt.Sprintf("key with %q", control), func(j *tandemv1.Job) { j.Labels = map[string]string{control: "v"} }, []string{"job.labels: holds control characters"}},
			badJob{fmt.Sprintf("demand with %q", control), func(j *tandemv1.Job) { j.Steps[0].Requires = map[string]string{"k": control} }, []string{`job.steps[0].requires["k"]: holds control characters`}},
		)
	}
	return out
}
