package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"tandem/clients/label"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// labels is one invocation of the command.
type labels struct {
	*app
	pdf, png string
	options  label.Options
	code     string

	reference                            string
	devices, slots, badges, cards, rolls bool
}

func (a *app) labelCommand() *cobra.Command {
	l := &labels{app: a}
	cmd := &cobra.Command{
		Use:   "label JOB [PANEL...]",
		Short: "Print labels: travelers of a job's panels, or codes of devices, slots, people, commands and rolls.",
		Example: `  tandem label shop-window --pdf travelers.pdf               one for each panel
  tandem label shop-window p2 --stock 100x50 --pdf - | lp    one panel, to a printer
  tandem label J104K --dpi 300 --png traveler.png            as a picture
  tandem label --devices --badges --cards --pdf codes.pdf    codes that hang on the floor
  tandem label --slots rack-1 --stock a4-3x7 --pdf rack.pdf
  tandem label --badges anna ben --stock a4-cards --pdf badges.pdf
  tandem label --rolls lot-7 --stock 62 --pdf roll.pdf       what 'tandem lots' lists
  tandem label shop-window                                   say what would be on them`,
		Long: `Every label has its code in a matrix symbol, where there is room also as bars (Code 128), and in letters with its check
character. Codes are drawn in whole dots: say the resolution of the printer with --dpi, and print in actual size, not
fitted to the paper.

Stocks:
` + stockHelp() + `
The due time is shown in the local zone. The customer and its reference come from the ticket's labels: customer, and
the first of ` + strings.Join(label.References(), ", ") + `. The fonts hold Latin, Greek, Cyrillic and
Hebrew; other characters are printed as a hollow square each, and named.

Several pages make several PNG files, NAME-1.png and so on. With neither --pdf nor --png what would be on the labels is
said, with the height of each line in millimetres.

Caution: the cautions on a label are reminders. They replace no guard, no training and no manual.`,
		ValidArgsFunction: cobra.NoFileCompletions,
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		if err := l.check(cmd, args); err != nil {
			return err
		}
		if l.tagged() {
			return l.tags(cmd.Context(), args)
		}
		return l.travelers(cmd.Context(), args[0], args[1:])
	})
	f := cmd.Flags()
	f.BoolVar(&l.devices, "devices", false, "codes of devices, of all or of those named")
	f.BoolVar(&l.slots, "slots", false, "codes of the slots of racks, of all or of those racks or slots named")
	f.BoolVar(&l.badges, "badges", false, "badges of people, of all or of those named")
	f.BoolVar(&l.cards, "cards", false, "command cards, all or those named: start, done, ...")
	f.BoolVar(&l.rolls, "rolls", false, "codes of rolls and stacks, of all with something left or of those named")
	f.StringVar(&l.pdf, "pdf", "", "write the labels into this file, as PDF; - is standard output")
	f.StringVar(&l.png, "png", "", "write the labels into this file, as PNG")
	f.IntVar(&l.options.DPI, "dpi", 203, "resolution of the printer in dots per inch: 203, 300 or 600")
	f.StringVar(&l.options.Stock, "stock", "", "what to print on (default 100x150 for travelers, a4-2x4 for codes)")
	f.StringVar(&l.code, "code", string(label.DataMatrix), "matrix symbol: datamatrix or qr")
	f.IntVar(&l.options.Skip, "skip", 0, "labels of the first sheet that are used up already")
	f.StringVar(&l.reference, "reference", "", "key of the ticket's label to print as the customer's reference")
	return cmd
}

// tagged reports whether codes are wanted, and not travelers.
func (l *labels) tagged() bool { return l.devices || l.slots || l.badges || l.cards || l.rolls }

func stockHelp() string {
	var b strings.Builder
	for _, s := range label.Stocks() {
		only := ""
		if !s.Travelers {
			only = "; for codes only"
		}
		fmt.Fprintf(&b, "  %-8s  %s%s\n", s.Name, s.About, only)
	}
	return b.String()
}

func (l *labels) check(cmd *cobra.Command, args []string) error {
	tags := l.tagged()
	switch {
	case !tags && len(args) == 0:
		return usagef("name a job, or say what to print the codes of: --devices, --slots, --badges, --cards or --rolls")
	case tags && cmd.Flags().Changed("reference"):
		return usagef("--reference belongs to travelers: leave it out, or name a job without --devices and the like")
	case l.png == "-" || cmd.Flags().Changed("png") && l.png == "":
		return usagef("--png is %q: give the name of a file", l.png)
	case cmd.Flags().Changed("pdf") && l.pdf == "":
		return usagef("--pdf is %q: give the name of a file, or - for standard output", l.pdf)
	case l.pdf == "-" && l.json:
		return usagef("--pdf - and --json both write to standard output: give --pdf a file")
	case l.pdf == "-" && l.outIsTerminal:
		return usagef("--pdf -: standard output is a terminal; write into a file or a pipe")
	}
	if l.options.Stock == "" {
		l.options.Stock = "100x150"
		if tags {
			l.options.Stock = "a4-2x4"
		}
	}
	l.options.Matrix = label.Matrix(l.code)
	if err := l.options.Check(); err != nil {
		return &usageError{err}
	}
	return nil
}

func (l *labels) travelers(ctx context.Context, id string, panels []string) error {
	client, err := l.jobs()
	if err != nil {
		return err
	}
	job, err := bounded(ctx, l.app, func(ctx context.Context) (*tandemv1.Job, error) {
		return client.GetJob(ctx, &tandemv1.GetJobRequest{Id: id})
	})
	if err != nil {
		return err
	}
	devices, err := l.allDevices(ctx)
	if err != nil {
		return err
	}
	now := l.clock(ctx).Now
	list, err := label.OfPanels(job, panels, label.Surroundings{Devices: devices.GetDevices(), Now: now, Zone: l.zone, Reference: l.reference})
	if err != nil {
		return &inputError{err}
	}
	if l.reference != "" && job.GetLabels()[l.reference] == "" {
		l.warn("job %s has no label %q: no reference is printed", job.GetId(), l.reference)
	}
	l.options.Made, l.options.Title = now, "Travelers of "+job.GetId()
	d, err := label.Travelers(list, l.options)
	if err != nil {
		return &inputError{err}
	}
	var codes []string
	for _, t := range list {
		codes = append(codes, t.Code)
	}
	return l.hand(d, job, codes)
}

// tags prints codes of the floor. Those named are looked for in all kinds that are asked for.
func (l *labels) tags(ctx context.Context, named []string) error {
	var tags []label.Tag
	var data []proto.Message
	found := map[string]bool{}
	wanted := func(id, code string) bool {
		if len(named) == 0 {
			return true
		}
		for _, name := range named {
			rack, _, _ := strings.Cut(id, "/")
			if name == id || name == rack || code != "" && strings.EqualFold(name, code) {
				found[name] = true
				return true
			}
		}
		return false
	}
	if l.devices || l.slots || l.badges || l.cards {
		codes, devices, err := l.floorCodes(ctx)
		if err != nil {
			return err
		}
		kinds := map[string]bool{"device": l.devices, "slot": l.slots, "person": l.badges, "command": l.cards}
		codes.Codes = slices.DeleteFunc(codes.GetCodes(), func(c *tandemv1.FloorCode) bool {
			return !kinds[c.GetKind()] || c.GetCode() == "" || !wanted(c.GetId(), c.GetCode())
		})
		tags = label.OfCodes(codes.GetCodes(), devices.GetDevices())
		data = append(data, codes)
	}
	if l.rolls {
		lots, err := l.allLots(ctx, "", len(named) > 0)
		if err != nil {
			return err
		}
		lots.Lots = slices.DeleteFunc(lots.GetLots(), func(lot *tandemv1.Lot) bool {
			return lot.GetCode() == "" || !wanted(lot.GetId(), lot.GetCode())
		})
		tags = append(tags, label.OfLots(lots.GetLots(), l.zone)...)
		data = append(data, lots)
	}
	for _, name := range named {
		if !found[name] {
			return &inputError{fmt.Errorf("there is no %q among them: see 'tandem codes' and 'tandem lots'", name)}
		}
	}
	l.options.Made, l.options.Title = l.clock(ctx).Now, "Codes of the floor"
	d, err := label.Tags(tags, l.options)
	if err != nil {
		return &inputError{err}
	}
	var codes []string
	for _, t := range tags {
		codes = append(codes, t.Code)
	}
	for _, m := range data[:len(data)-1] {
		if l.json {
			l.message(m)
		}
	}
	return l.hand(d, data[len(data)-1], codes)
}

func (l *labels) floorCodes(ctx context.Context) (*tandemv1.ListCodesResponse, *tandemv1.ListDevicesResponse, error) {
	client, err := l.admin()
	if err != nil {
		return nil, nil, err
	}
	codes, err := bounded(ctx, l.app, func(ctx context.Context) (*tandemv1.ListCodesResponse, error) {
		return client.ListCodes(ctx, &tandemv1.ListCodesRequest{})
	})
	if err != nil {
		return nil, nil, err
	}
	devices, err := l.allDevices(ctx)
	return codes, devices, err
}

// hand writes the files, and the data that they were made from or what stands on them.
func (l *labels) hand(d *label.Document, data proto.Message, codes []string) error {
	if lacking := d.Lacking(); len(lacking) > 0 {
		l.warn("the fonts lack %s of these labels, printed as a hollow square each: %s", wording.Count(len(lacking), "character"), string(lacking))
	}
	if err := l.writeFiles(d); err != nil {
		return err
	}
	switch {
	case l.pdf == "-":
		var b bytes.Buffer
		if err := d.PDF(&b); err != nil {
			return err
		}
		l.write(b.String())
	case l.json:
		l.message(data)
	case l.quiet:
		for _, code := range codes {
			l.text("%s", code)
		}
	case l.pdf == "" && l.png == "":
		for line := range strings.SplitSeq(strings.TrimSuffix(d.Said(), "\n"), "\n") {
			l.text("%s", line)
		}
	}
	return nil
}

func (l *labels) writeFiles(d *label.Document) error {
	type file struct {
		name string
		draw func(io.Writer) error
	}
	var files []file
	if l.pdf != "" && l.pdf != "-" {
		files = append(files, file{l.pdf, d.PDF})
	}
	for i := range d.Pages() {
		if l.png == "" {
			break
		}
		name := l.png
		if d.Pages() > 1 {
			ext := filepath.Ext(name)
			name = fmt.Sprintf("%s-%d%s", strings.TrimSuffix(name, ext), i+1, ext)
		}
		files = append(files, file{name, func(w io.Writer) error { return d.PNG(w, i) }})
	}
	for _, f := range files {
		var b bytes.Buffer
		if err := f.draw(&b); err != nil {
			return fmt.Errorf("draw %s: %w", f.name, err)
		}
		if err := os.WriteFile(f.name, b.Bytes(), 0o644); err != nil {
			return fmt.Errorf("write the labels: %w", err)
		}
		l.say("%s: drawn", f.name)
	}
	return nil
}
