package reportview

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"image/png"
	"io"
	"strconv"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/font/liberation"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"

	"tandem/clients/celltext"
)

// Units of the picture: a point, which is a unit of the SVG and two pixels of the PNG.
const (
	pageWidth   = 1000
	rowHeight   = 22
	barHeight   = 14
	titleHeight = 40
	chartHead   = 78 // title, axis and its unit
	keyWidth    = 150
	mostName    = 46 // cells of a row's name
	mostNote    = 30
	longName    = 90 // cells of a title
)

var (
	paper = color.RGBA{0xff, 0xff, 0xff, 0xff}
	ink   = color.RGBA{0x1e, 0x24, 0x2b, 0xff}
	rule  = color.RGBA{0xdd, 0xe1, 0xe5, 0xff}
)

// page is a picture laid out.
type page struct {
	Picture
	charts []Chart
	height vg.Length
	texts  text.Plain
}

func newPage(p Picture) (*page, error) {
	out := &page{Picture: p, charts: p.worth(), height: titleHeight, texts: text.Plain{Fonts: font.NewCache(liberation.Collection())}}
	if len(out.charts) == 0 {
		return nil, ErrNothing
	}
	for _, c := range out.charts {
		out.height += heightOf(c)
	}
	return out, nil
}

func heightOf(c Chart) vg.Length {
	s, left := c.shown()
	h := vg.Length(chartHead + rowHeight*max(len(s.Rows), (len(s.Parts)+1)*3/4))
	if left > 0 {
		h += rowHeight
	}
	return h
}

// SVG writes the picture as SVG. Its text is text.
func SVG(w io.Writer, p Picture) error {
	s, err := newPage(p)
	if err != nil {
		return err
	}
	c := vgsvg.New(pageWidth, s.height)
	if err := s.paint(draw.New(c)); err != nil {
		return err
	}
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return fmt.Errorf("draw SVG: %w", err)
	}
	// The library's head names the program it comes from and has no title, which is the name of the picture for who does not see it:
	// SVG 2 section 5.8.
	_, body, _ := bytes.Cut(b.Bytes(), []byte("<svg"))
	_, body, _ = bytes.Cut(body, []byte(">"))
	var out bytes.Buffer
	fmt.Fprintf(&out, `<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %[1]d %[2]d"><title>%s</title>`,
		pageWidth, int(s.height), html.EscapeString(celltext.Clean(p.Title)))
	out.Write(body)
	if _, err := out.WriteTo(w); err != nil {
		return fmt.Errorf("write SVG: %w", err)
	}
	return nil
}

// PNG writes the picture as PNG, 2,000 pixels wide.
func PNG(w io.Writer, p Picture) error {
	s, err := newPage(p)
	if err != nil {
		return err
	}
	c := vgimg.NewWith(vgimg.UseWH(pageWidth, s.height), vgimg.UseDPI(144))
	if err := s.paint(draw.New(c)); err != nil {
		return err
	}
	if err := (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(w, c.Image()); err != nil {
		return fmt.Errorf("write PNG: %w", err)
	}
	return nil
}

func (s *page) style(size vg.Length, bold bool) text.Style {
	f := font.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
	if bold {
		f.Weight = xfont.WeightBold
	}
	return text.Style{Color: ink, Font: f, Handler: s.texts}
}

func (s *page) paint(c draw.Canvas) error {
	c.SetColor(paper)
	c.Fill(c.Path())
	head := s.style(16, true)
	head.YAlign = draw.YTop
	c.FillText(head, vg.Point{X: 16, Y: s.height - 12}, cut(s.Title, longName))
	top := s.height - titleHeight
	for _, one := range s.charts {
		h := heightOf(one)
		part := draw.Crop(c, 16, -12, top-h, top-s.height)
		if err := s.chart(part, one); err != nil {
			return err
		}
		top -= h
	}
	return nil
}

// chart draws one chart, with its key at the right.
func (s *page) chart(c draw.Canvas, full Chart) error {
	shown, left := full.shown()
	p := plot.New()
	p.TextHandler = s.texts
	p.BackgroundColor = paper
	p.Title.Text, p.Title.TextStyle, p.Title.Padding = cut(shown.Title, longName), s.style(12, true), 4
	p.Title.TextStyle.XAlign, p.Title.TextStyle.YAlign = draw.XCenter, draw.YTop
	p.X.Label.Text, p.X.Label.TextStyle = shown.Unit, s.style(10, false)
	p.X.Label.TextStyle.XAlign, p.X.Label.TextStyle.YAlign = draw.XCenter, draw.YBottom
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		x, y := a.Tick.Label.XAlign, a.Tick.Label.YAlign
		a.Tick.Label = s.style(10, false)
		a.Tick.Label.XAlign, a.Tick.Label.YAlign = x, y
		a.Color, a.Tick.Color = rule, rule
	}

	n := len(shown.Rows)
	names := make([]string, n)
	for i, r := range shown.Rows {
		names[n-1-i] = cut(r.Name, mostName)
	}
	grid := plotter.NewGrid()
	grid.Horizontal.Width = 0
	grid.Vertical.Color = rule
	p.Add(grid)
	key := plot.NewLegend()
	key.TextStyle = s.style(10, false)
	key.Top, key.Left, key.ThumbnailWidth, key.Padding = true, true, 14, 3
	var below *plotter.BarChart
	widest := 0.0
	ends := make([]float64, n)
	for i, part := range shown.Parts {
		values := make(plotter.Values, n)
		for row, r := range shown.Rows {
			values[n-1-row] = r.Values[i]
			ends[n-1-row] += r.Values[i]
			widest = max(widest, ends[n-1-row])
		}
		bars, err := plotter.NewBarChart(values, barHeight)
		if err != nil {
			return fmt.Errorf("draw %s: %w", part.Name, err)
		}
		bars.Horizontal, bars.Color = true, part.Colour
		bars.LineStyle = draw.LineStyle{Color: paper, Width: 0.5}
		if below != nil {
			bars.StackOn(below)
		}
		below = bars
		p.Add(bars)
		key.Add(cut(part.Name, mostNote), bars)
	}
	p.NominalY(names...)
	p.Y.Tick.Label.XAlign = draw.XRight
	p.X.Min, p.X.Max = 0, max(widest, shown.Least)*1.22 // room for the notes
	p.X.Tick.Marker = ticks{most: max(widest, shown.Least), hours: shown.Unit == "hours"}
	p.Y.Min, p.Y.Max = -0.6, float64(n)-0.4
	p.Y.Width = 0.5
	notes := plotter.XYLabels{XYs: make(plotter.XYs, n), Labels: make([]string, n)}
	for i, r := range shown.Rows {
		notes.XYs[n-1-i] = plotter.XY{X: ends[n-1-i], Y: float64(n - 1 - i)}
		notes.Labels[n-1-i] = cut(r.Note, mostNote)
	}
	labels, err := plotter.NewLabels(notes)
	if err != nil {
		return fmt.Errorf("draw notes: %w", err)
	}
	for i := range labels.TextStyle {
		labels.TextStyle[i] = s.style(9.5, false)
		labels.TextStyle[i].YAlign = draw.YCenter
	}
	labels.Offset = vg.Point{X: 5, Y: 1.5}
	p.Add(labels)

	body := draw.Crop(c, 0, -keyWidth, 10, -6)
	if left > 0 {
		more := s.style(10, false)
		body.FillText(more, vg.Point{X: body.Min.X, Y: body.Min.Y}, fmt.Sprintf("and %d more, which are not drawn", left))
		body = draw.Crop(body, 0, 0, rowHeight, 0)
	}
	p.Draw(body)
	if len(shown.Parts) == 1 {
		return nil // the title says it
	}
	key.Draw(draw.Crop(c, c.Max.X-c.Min.X-keyWidth+10, 0, 0, -28))
	return nil
}

// ticks are at round numbers up to the longest bar.
type ticks struct {
	most  float64
	hours bool // quarters of a day are round, tens of hours are not
}

// mostTicks is how many of them there is room for.
const mostTicks = 9

// Ticks implements plot.Ticker.
func (t ticks) Ticks(float64, float64) []plot.Tick {
	steps := []float64{1, 2, 5}
	unit := 1.0
	switch {
	case t.hours && t.most > 10:
		steps, unit = []float64{1, 2, 4, 7, 14}, 24
		for _, s := range []float64{2, 3, 6, 12} {
			if t.most/s <= mostTicks {
				steps, unit = []float64{s}, 1
				break
			}
		}
	default:
		for unit*steps[0] > t.most/mostTicks && unit > 1e-9 {
			unit /= 10
		}
	}
	step := 0.0
	for ; step == 0; unit *= 10 {
		for _, s := range steps {
			if t.most/(s*unit) <= mostTicks {
				step = s * unit
				break
			}
		}
	}
	var out []plot.Tick
	for i := 0; float64(i)*step <= t.most*1.0001; i++ {
		v := float64(i) * step
		out = append(out, plot.Tick{Value: v, Label: strconv.FormatFloat(v, 'g', 6, 64)})
	}
	return out
}

// cut makes a text clean and short.
func cut(name string, most int) string { return celltext.Clip(celltext.Clean(name), most) }
