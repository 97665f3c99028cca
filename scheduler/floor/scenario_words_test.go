package floor

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// words is a line of a scenario: words, and name=value pairs whose value may stand in double quotes.
type words struct {
	plain []string
	keys  map[string]string
	used  map[string]bool
	err   error
}

func readWords(line string) *words {
	w := &words{keys: map[string]string{}, used: map[string]bool{}}
	for _, part := range regexp.MustCompile(`(?:[^\s"]|"[^"]*")+`).FindAllString(line, -1) {
		if key, value, ok := strings.Cut(part, "="); ok {
			w.keys[key] = strings.Trim(value, `"`)
		} else {
			w.plain = append(w.plain, part)
		}
	}
	return w
}

// next takes the next plain word off.
func (w *words) next() string {
	if len(w.plain) == 0 {
		w.fail("a word is missing")
		return ""
	}
	first := w.plain[0]
	w.plain = w.plain[1:]
	return first
}

// flag takes a plain word off wherever it stands.
func (w *words) flag(name string) bool {
	i := slices.Index(w.plain, name)
	if i >= 0 {
		w.plain = slices.Delete(w.plain, i, i+1)
	}
	return i >= 0
}

func (w *words) key(name string) string {
	w.used[name] = true
	return w.keys[name]
}

func (w *words) number(name string) int32 { return int32(w.long(name, 32)) }

// long reads a number of so many bits.
func (w *words) long(name string, bits int) int64 {
	v := w.key(name)
	if v == "" {
		return 0
	}
	n, err := strconv.ParseInt(v, 10, bits)
	if err != nil {
		w.fail("%s=%s is not a number", name, v)
	}
	return n
}

func (w *words) list(name string) []string {
	if v := w.key(name); v != "" {
		return strings.Split(v, ",")
	}
	return nil
}

func (w *words) span(v string) time.Duration {
	if v == "" {
		return 0
	}
	d, err := time.ParseDuration(v)
	if err != nil {
		w.fail("%v", err)
	}
	return d
}

// millimetres reads a length in millimetres as micrometres.
func (w *words) millimetres(v string) int64 {
	mm, err := strconv.ParseFloat(v, 64)
	if err != nil {
		w.fail("%v", err)
	}
	return int64(math.Round(1000 * mm))
}

// readings reads CODE:X/Y/X/Y...,CODE:... in millimetres, as a cutter has read marks.
func (w *words) readings(name string) []*driverv1.MarkReading {
	var out []*driverv1.MarkReading
	for _, text := range w.list(name) {
		panel, marks, _ := strings.Cut(text, ":")
		m := &driverv1.MarkReading{PanelCode: panel}
		for xy := range slices.Chunk(strings.Split(marks, "/"), 2) {
			m.Marks = append(m.Marks, &driverv1.Mark{XUm: w.millimetres(xy[0]), YUm: w.millimetres(xy[1])})
		}
		out = append(out, m)
	}
	return out
}

func (w *words) fail(format string, args ...any) {
	if w.err == nil {
		w.err = fmt.Errorf(format, args...)
	}
}

// rest fails if anything has been left unread.
func (w *words) rest() error {
	for k := range w.keys {
		if !w.used[k] {
			w.fail("what is %s=?", k)
		}
	}
	if len(w.plain) > 0 {
		w.fail("what is %q?", w.plain)
	}
	return w.err
}

// device reads the description of a device:
//
//	device ID can=OPERATION[:TIME_PER_PIECE],... [alone=OPERATION,...] [continues=OPERATION,...] [manual] [capacity=N] [slots=SLOT,...] [loaded=MEDIA]
//	[takes=MEDIA,...] [width=METRES] [change=TIME] [waste=METRES] [web-up=METRES] [blade-life=METRES] [blade-change=TIME] [mark=TIME]
//
// What is said of media and blades holds for each of its operations.
func (w *words) device() *tandemv1.Device {
	d := &tandemv1.Device{
		Id: w.next(), Capacity: max(w.number("capacity"), 1), LoadedMedia: w.key("loaded"), Slots: w.list("slots"),
		Driver: &tandemv1.Driver{Kind: "sim", Manual: w.flag("manual")},
	}
	alone, continues, mark := w.list("alone"), w.list("continues"), w.span(w.key("mark"))
	all := &tandemv1.Ability{
		Media: w.list("takes"), MaxWidthUm: w.metres(w.key("width")), RunWasteUm: w.metres(w.key("waste")), WebUpUm: w.metres(w.key("web-up")),
		BladeLifeUm: w.metres(w.key("blade-life")),
	}
	if t := w.key("change"); t != "" {
		all.MediaChangeover = durationpb.New(w.span(t))
	}
	if t := w.key("blade-change"); t != "" {
		all.BladeChangeover = durationpb.New(w.span(t))
	}
	for _, can := range w.list("can") {
		operation, time, _ := strings.Cut(can, ":")
		a := proto.CloneOf(all)
		a.Operation, a.PerPiece, a.ContinuesLoaded = operation, durationpb.New(w.span(time)), slices.Contains(continues, operation)
		if slices.Contains(alone, operation) {
			a.UnattendedStart = &tandemv1.UnattendedStart{AllowedBy: "mira"}
		}
		if operation == cut && mark > 0 {
			a.MarkTime = durationpb.New(mark)
		}
		d.Abilities = append(d.Abilities, a)
	}
	return d
}

// media reads
//
//	media ID [roll=METRES] [low=METRES] [width=METRES]
func (w *words) media() *tandemv1.Media {
	return &tandemv1.Media{Id: w.next(), RollLengthUm: w.metres(w.key("roll")), LowUm: w.metres(w.key("low")), WidthUm: w.metres(w.key("width"))}
}

// metres reads a length in metres and returns micrometres.
func (w *words) metres(v string) int64 {
	if v == "" {
		return 0
	}
	m, err := strconv.ParseFloat(v, 64)
	if err != nil {
		w.fail("%s is not a number of metres", v)
	}
	return int64(math.Round(m * 1e6))
}

// stepWord is [ID/]OPERATION[:DURATION][@MEDIA][+MIN_WAIT][<STEP;STEP...]; without < a step follows the one before it.
var stepWord = regexp.MustCompile(`^(?:([a-z0-9-]+)/)?([a-z0-9-]+)(?::(\w+))?(?:@([a-z0-9-]+))?(?:\+(\w+))?(<[a-z0-9;-]*)?$`)

// job reads
//
//	submit job=ID pieces=N|panels=ID:N[:WIDTHxLENGTH],... steps=STEP,... [release=IN] [due=IN] [priority=N] [hold]
//	[length=STEP:METRES,...] [path=STEP:METRES,...] [blade=STEP:KIND,...]
func (w *words) job(now time.Time) *tandemv1.Job {
	j := &tandemv1.Job{Id: w.key("job"), Pieces: w.number("pieces"), Priority: w.number("priority"), Hold: w.flag("hold")}
	if in := w.key("release"); in != "" {
		j.ReleaseTime = stamp(now.Add(w.span(in)))
	}
	if in := w.key("due"); in != "" {
		j.DueTime = stamp(now.Add(w.span(in)))
	}
	for _, p := range w.list("panels") {
		id, n, _ := strings.Cut(p, ":")
		n, size, _ := strings.Cut(n, ":")
		pieces, err := strconv.Atoi(n)
		if err != nil {
			w.fail("panel %s: %v", p, err)
		}
		panel := &tandemv1.Panel{Id: id, Pieces: int32(pieces)}
		if width, length, ok := strings.Cut(size, "x"); ok {
			panel.WidthUm, panel.LengthUm = w.millimetres(width), w.millimetres(length)
		}
		j.Panels = append(j.Panels, panel)
	}
	for i, text := range w.list("steps") {
		m := stepWord.FindStringSubmatch(text)
		if m == nil {
			w.fail("what is the step %q?", text)
			return j
		}
		s := &tandemv1.Step{Id: m[1], Operation: m[2], Media: m[4]}
		if s.GetId() == "" {
			s.Id = m[2]
		}
		if s.GetOperation() == "laminate" {
			s.Film, s.Media = m[4], ""
		}
		if m[3] != "" {
			s.Duration = durationpb.New(w.span(m[3]))
		}
		if m[5] != "" {
			s.MinWait = durationpb.New(w.span(m[5]))
		}
		switch {
		case m[6] == "<":
		case m[6] != "":
			s.After = strings.Split(m[6][1:], ";")
		case i > 0:
			s.After = []string{j.GetSteps()[i-1].GetId()}
		}
		j.Steps = append(j.Steps, s)
	}
	w.each(j, "length", func(s *tandemv1.Step, v string) { s.LengthUm = w.metres(v) })
	w.each(j, "path", func(s *tandemv1.Step, v string) { s.PathLengthUm = w.metres(v) })
	w.each(j, "blade", func(s *tandemv1.Step, v string) { s.Blade = v })
	return j
}

// each reads name=STEP:VALUE,...
func (w *words) each(j *tandemv1.Job, name string, set func(*tandemv1.Step, string)) {
	for _, text := range w.list(name) {
		id, value, _ := strings.Cut(text, ":")
		i := slices.IndexFunc(j.GetSteps(), func(s *tandemv1.Step) bool { return s.GetId() == id })
		if i < 0 {
			w.fail("%s of which step? there is no %q", name, id)
			return
		}
		set(j.GetSteps()[i], value)
	}
}
