// Package ganttview draws who does what when: a row for each device, a bar for each run, the changeover before it, due
// times and the times with people, as an SVG or a PNG picture. Several floors are drawn below one another on one time axis.
//
// Every job has a number, which stands on its bars, at its due time and in the list below; the colour of a bar only helps
// the eye. Hatching, frames, marks and words say everything else.
//
// The same input always gives the same bytes. Names may be foreign: they are made harmless, cut to the room there is and
// never become markup. However many runs there are, the picture stays within fixed bounds, and says what it leaves out.
// The package knows no daemon and writes only to the writer it is given.
package ganttview

import (
	"bytes"
	"errors"
	"fmt"
	"html"
	"image/png"
	"io"
	"math"
	"time"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"

	tandemv1 "tandem/proto/tandem/v1"
)

// Picture is what is drawn.
type Picture struct {
	// Title above all. May be empty.
	Title string
	// Zone in which times are shown. Nil: UTC.
	Zone *time.Location
	// Charts below one another, on one time axis.
	Charts []Chart
}

// Chart is what one floor does.
type Chart struct {
	// Title above the chart. May be empty.
	Title string
	// Runs in any order.
	Runs []*tandemv1.PlannedRun
	// Attended are the times with people. None: people are always there, and nothing is said of them.
	Attended []*tandemv1.Attended
	// Devices in the order of the rows, whether they have runs or not. Those with runs that are not named follow by name.
	Devices []string
	// Now is drawn as a line. Zero: none.
	Now time.Time
}

// ErrNoRuns means that there is nothing to draw.
var ErrNoRuns = errors.New("there are no runs to draw")

// The bounds of a picture. Within them its time, memory and size are small whatever there is to draw.
const (
	maxCharts = 6
	maxBars   = 4_000 // of all charts together
	maxHeight = 1_600 // of the rows of all charts together
	maxLanes  = 20    // runs at the same time on one device
	maxListed = 150   // jobs
)

// mostPixels of a PNG, or about that.
const mostPixels = 3.6e6

// dotsPerInch of a PNG: two pixels for each unit of the picture, which is a point of 1/72 inch, and fewer if it is tall.
func (s *sheet) dotsPerInch() int {
	return int(72 * min(2, max(1, math.Sqrt(mostPixels/(pageWidth*s.height)))))
}

// SVG writes the picture as SVG 1,200 units wide. Its text is text.
func SVG(w io.Writer, p Picture) error {
	s, err := newSheet(p)
	if err != nil {
		return err
	}
	c := vgsvg.New(pageWidth, vg.Length(s.height))
	pen{draw.New(c), s.height}.box(rect{0, 0, pageWidth, s.height}, paper)
	s.paint(draw.New(c))
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return fmt.Errorf("draw SVG: %w", err)
	}
	// The library's own head names the program it comes from and has no title, which is the name of the picture for who
	// does not see it: SVG 2 section 5.8. Text is escaped, so a quotation mark before a style is one of the library's.
	_, body, _ := bytes.Cut(b.Bytes(), []byte("<svg"))
	_, body, _ = bytes.Cut(body, []byte(">"))
	body = bytes.ReplaceAll(body, []byte(`"font-family:`+family+`;`), []byte(`"font-family:`+family+`,Arimo,sans-serif;`))
	var out bytes.Buffer
	fmt.Fprintf(&out, `<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %[1]d %[2]d"><title>%s</title>`,
		pageWidth, int(s.height), html.EscapeString(s.title))
	out.Write(body)
	if _, err := out.WriteTo(w); err != nil {
		return fmt.Errorf("write SVG: %w", err)
	}
	return nil
}

// PNG writes the picture as PNG, 2,400 pixels wide at most, which reads well at half that width, and 1,200 at least.
func PNG(w io.Writer, p Picture) error {
	s, err := newSheet(p)
	if err != nil {
		return err
	}
	c := vgimg.NewWith(vgimg.UseWH(pageWidth, vg.Length(s.height)), vgimg.UseDPI(s.dotsPerInch()))
	s.paint(draw.New(c))
	if err := (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(w, c.Image()); err != nil {
		return fmt.Errorf("write PNG: %w", err)
	}
	return nil
}

// check refuses what has no place on a time axis. The error begins with the field.
func check(p Picture) error {
	runs := 0
	for i, c := range p.Charts {
		runs += len(c.Runs)
		for j, r := range c.Runs {
			from, to := r.GetStartTime(), r.GetEndTime()
			field := fmt.Sprintf("charts[%d].runs[%d]", i, j)
			switch {
			case from.CheckValid() != nil:
				return fmt.Errorf("%s.start_time is not a time", field)
			case to.CheckValid() != nil:
				return fmt.Errorf("%s.end_time is not a time", field)
			case to.AsTime().Before(from.AsTime()):
				return fmt.Errorf("%s.end_time is before its start_time", field)
			case r.GetDueTime() != nil && r.GetDueTime().CheckValid() != nil:
				return fmt.Errorf("%s.due_time is not a time", field)
			}
		}
		for j, a := range c.Attended {
			if a.GetStartTime().CheckValid() != nil || a.GetEndTime().CheckValid() != nil {
				return fmt.Errorf("charts[%d].attended[%d] does not begin and end at a time", i, j)
			}
		}
	}
	if runs == 0 {
		return ErrNoRuns
	}
	return nil
}
