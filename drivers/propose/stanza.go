package propose

import (
	"fmt"
	"strings"

	"go.yaml.in/yaml/v3"

	"tandem/drivers"
)

const (
	lineWidth = 118 // columns
	mostMedia = 12  // that are listed
)

// always are cautions for every machine.
const always = "Machines start motion without warning. Nothing here is a safety function: guards, emergency stops and the isolation of energy stay with the machine and the rules of the place."

// unattended is said of every device.
const unattended = "Unattended start is not proposed: somebody at the device starts every run. Cutters and laminators never start by themselves; for a printer a named person decides, and writes unattended_start with name and time."

// Stanza is the device as it is pasted below devices: of a floor file, with what a person must know before as comments.
func (d *Device) Stanza() string {
	w := &writer{}
	w.comment("", "Proposed for "+d.Address)
	w.comment("", "It was only asked, and was sent no work. Read this, decide what is open, paste it below devices: in the floor file, and check that with `tandemd config --floor FILE`.")
	w.facts("Found", d.Proposal.Facts)
	for _, watch := range d.Watch {
		w.facts("Found by "+watch.Kind.Name, watch.Proposal.Facts)
	}
	if len(d.Asked) > 0 {
		w.line("#\n# Asked:")
	}
	for _, a := range d.Asked {
		w.comment("  - ", a.What)
		w.comment("      ", a.Came)
	}
	w.list("Other ways", d.Also)
	w.list("Caution", append([]string{always}, d.Proposal.Cautions...))
	open := d.questions()
	w.questions(open)
	d.device(w, open)
	return w.String()
}

// questions are the kind's, and those of every device.
func (d *Device) questions() []drivers.Question {
	out := append([]drivers.Question{}, d.Proposal.Open...)
	for _, watch := range d.Watch {
		out = append(out, watch.Proposal.Open...)
	}
	a := d.Proposal.Abilities[0]
	switch a.Operation {
	case "print":
		out = append(out,
			drivers.Question{Text: "Speed: no device tells it in a way to plan with. Time a short and a long job in each mode; until then forecasts are guesses that learn from what runs take.", Ability: "print_modes: [{mode: production, square_metres_per_hour: 12, full_width: true}]"},
			drivers.Question{Text: "Ink: which ink set it has. Drying times hang on it.", Ability: "inks: [eco-solvent]"})
	case "cut":
		out = append(out, drivers.Question{Text: "Speed: time a short and a long contour; until then forecasts are guesses that learn from what runs take.", Ability: "per_path_metre: 8s"})
	default:
		out = append(out, drivers.Question{Text: "Speed: time a short and a long run; until then forecasts are guesses that learn from what runs take.", Ability: "per_piece: 10s"})
	}
	if a.MaxWidthUm == 0 {
		out = append(out, drivers.Question{Text: "Width: the greatest that it takes. Without it there is no limit.", Ability: "max_width_mm: 1370"})
	}
	return append(out,
		drivers.Question{Text: "Set-up before a run, and the changeover of media.", Ability: "setup: 4m"},
		drivers.Question{Text: unattended})
}

// device writes the entry itself. Lines that would answer what is open stand in it as comments.
func (d *Device) device(w *writer, open []drivers.Question) {
	w.line("  - id: %s", quote(d.ID))
	if name := short(d.Proposal.Name, 200); name != "" {
		w.line("    display_name: %s", quote(name))
	}
	w.line("    driver:")
	w.line("      kind: %s", quote(d.Kind.Name))
	if len(d.Proposal.Settings) > 0 {
		w.line("      settings:")
		w.settings("        ", d.Kind, d.Proposal)
		w.open("        ", open, func(q drivers.Question) string {
			if name, _, _ := strings.Cut(q.Setting, ":"); d.Proposal.Settings[name] != "" { // it is proposed
				return ""
			}
			return q.Setting
		})
	}
	if len(d.Watch) > 0 {
		w.line("    watch:")
	}
	for _, watch := range d.Watch {
		w.line("      - kind: %s", quote(watch.Kind.Name))
		w.line("        settings:")
		w.settings("          ", watch.Kind, watch.Proposal)
	}
	w.line("    abilities:")
	for i, a := range d.Proposal.Abilities {
		assumed := ""
		if i == 0 {
			assumed = d.Proposal.Assumed["operation"]
		}
		w.noted("      - operation: "+quote(a.Operation), assumed)
		if a.MaxWidthUm > 0 {
			w.line("        max_width_mm: %s # %d micrometres: the widest media that it says it takes", mm(a.MaxWidthUm), a.MaxWidthUm)
		}
		if i == 0 {
			w.open("        ", open, func(q drivers.Question) string { return q.Ability })
		}
		if len(a.Media) > 0 {
			w.line("        # what the device calls its media, loaded ones first:")
		}
		for i, m := range a.Media {
			if i == mostMedia {
				w.line("        #   and %d more", len(a.Media)-mostMedia)
				break
			}
			w.line("        #   %s", media(m))
		}
	}
}

func media(m drivers.ProposedMedia) string {
	out := drivers.PlainLine(m.Name)
	switch {
	case m.WidthUm > 0 && m.LengthUm > 0:
		out += ", " + mm(m.WidthUm) + " x " + mm(m.LengthUm) + " mm"
	case m.WidthUm > 0:
		out += ", " + mm(m.WidthUm) + " mm wide"
	}
	if m.Ready {
		out += ", loaded now"
	}
	return out
}

// mm writes micrometres as millimetres, without what a rounding would lose.
func mm(um int64) string {
	return strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%d.%03d", um/1000, um%1000), "0"), ".")
}

func short(s string, most int) string {
	s = drivers.PlainLine(s)
	return strings.ToValidUTF8(s[:min(len(s), most)], "")
}

// quote writes a value that YAML reads as this text and nothing else.
func quote(s string) string {
	body, err := yaml.Marshal(&yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: s, Style: style(s)})
	if err != nil { // no text is refused
		return "''"
	}
	return strings.TrimSpace(string(body))
}

// style is plain for words that need no quotes.
func style(s string) yaml.Style {
	if drivers.ValidID(s) && strings.ContainsFunc(s, func(r rune) bool { return r >= 'g' && r <= 'z' }) {
		return 0
	}
	return yaml.DoubleQuotedStyle
}

// writer writes lines and comments.
type writer struct{ strings.Builder }

func (w *writer) line(format string, args ...any) {
	fmt.Fprintf(w, format+"\n", args...)
}

// comment writes text in comment lines of a bearable width, each after a mark as wide as its indentation.
func (w *writer) comment(mark, text string) {
	prefix := "# " + mark
	at := prefix
	begun := false
	for word := range strings.FieldsSeq(text) {
		if begun && len(at)+1+len(word) > lineWidth {
			w.line("%s", strings.TrimRight(at, " "))
			at, begun = "# "+strings.Repeat(" ", len(mark)), false
		}
		if begun {
			at += " "
		}
		at += word
		begun = true
	}
	w.line("%s", strings.TrimRight(at, " "))
}

func (w *writer) facts(title string, facts []drivers.Fact) {
	if len(facts) == 0 {
		return
	}
	w.line("#\n# %s:", title)
	for _, f := range facts {
		w.comment("  ", f.Name+": "+f.Value)
	}
}

func (w *writer) list(title string, texts []string) {
	if len(texts) == 0 {
		return
	}
	w.line("#\n# %s:", title)
	for _, text := range texts {
		w.comment("  - ", text)
	}
}

func (w *writer) questions(open []drivers.Question) {
	w.line("#\n# To be decided by a person:")
	for i, q := range open {
		w.comment(fmt.Sprintf("  %d. ", i+1), q.Text)
	}
	w.line("")
}

// open writes the lines that would answer what is open.
func (w *writer) open(indent string, open []drivers.Question, answer func(drivers.Question) string) {
	for i, q := range open {
		if text := drivers.PlainLine(answer(q)); text != "" {
			w.line("%s# %s # for example; to decide: %d", indent, text, i+1)
		}
	}
}

// settings writes those of a driver or a watcher, in the order in which its kind has them.
func (w *writer) settings(indent string, kind drivers.Kind, p *drivers.Proposal) {
	for _, s := range kind.Settings {
		if value, ok := p.Settings[s.Name]; ok {
			w.noted(fmt.Sprintf("%s%s: %s", indent, s.Name, quote(value)), p.Assumed[s.Name])
		}
	}
}

// noted writes a line with what is assumed about it, if anything.
func (w *writer) noted(line, note string) {
	if note = drivers.PlainLine(note); note != "" {
		line += " # assumed: " + note
	}
	w.line("%s", line)
}
