package reportview

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image/png"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/goldentest"
	tandemv1 "tandem/proto/tandem/v1"
)

func when(p *tandemv1.Period, shift string) string {
	return strings.TrimSpace(shift + " " + p.GetFromTime().AsTime().Format("2006-01-02"))
}

func day(n int) *tandemv1.Period {
	at := time.Date(2026, 3, n, 0, 0, 0, 0, time.UTC)
	return &tandemv1.Period{FromTime: timestamppb.New(at), ToTime: timestamppb.New(at.AddDate(0, 0, 1))}
}

func h(v float64) *durationpb.Duration { return durationpb.New(time.Duration(v * float64(time.Hour))) }

func devices() *tandemv1.DeviceReport {
	out := &tandemv1.DeviceReport{Source: &tandemv1.ReportSource{Period: day(2)}}
	for i, name := range []string{"printer-1", "cutter-1"} {
		d := &tandemv1.DevicePeriod{
			Device: name, Period: day(2), Times: &tandemv1.DeviceTimes{Production: h(4), PlannedBusy: h(8)},
			Classes: []*tandemv1.ClassTime{
				{Class: "production", Planned: h(3), Outside: h(1)}, {Class: "delay", Planned: h(0.5)}, {Class: "idle", Planned: h(3.5), Outside: h(15)}, {Class: "offline", Planned: h(1)},
			},
			Indicators: []*tandemv1.Indicator{{Id: "oee-index", Lacks: "no pieces"}},
		}
		if i == 0 {
			d.Indicators[0] = &tandemv1.Indicator{Id: "oee-index", Value: new(0.4321)}
		}
		out.Periods = append(out.Periods, d)
	}
	return out
}

func drawn(t *testing.T, p Picture) (svg string) {
	t.Helper()
	var s bytes.Buffer
	if err := SVG(&s, p); err != nil {
		t.Fatal(err)
	}
	return s.String()
}

// texts reads the picture's words back, and fails unless it is well-formed XML.
func texts(t *testing.T, svg string) []string {
	t.Helper()
	var out []string
	inText := false
	for d := xml.NewDecoder(strings.NewReader(svg)); ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
		switch v := token.(type) {
		case xml.StartElement:
			if v.Name.Local != "svg" && v.Name.Local != "g" && v.Name.Local != "path" && v.Name.Local != "text" && v.Name.Local != "title" {
				t.Errorf("the picture has an element %s", v.Name.Local)
			}
			inText = v.Name.Local == "text"
		case xml.EndElement:
			inText = false
		case xml.CharData:
			if inText {
				out = append(out, string(v))
			}
		}
	}
}

func TestDevices(t *testing.T) {
	p := Devices(devices(), when)
	svg := drawn(t, p)
	goldentest.Compare(t, "devices.svg", svg)
	if again := drawn(t, Devices(devices(), when)); again != svg {
		t.Error("the same report is drawn in two ways")
	}
	words := strings.Join(texts(t, svg), "|")
	for _, want := range []string{"Devices, 2026-03-02", "printer-1", "cutter-1", "50 % production", "43.2 %", "no data", "production", "delay in a run", "idle", "offline", "hours"} {
		if !strings.Contains(words, want) {
			t.Errorf("the picture does not say %q: %s", want, words)
		}
	}
	if strings.Contains(words, "maintenance") {
		t.Error("the key names what is not drawn")
	}
	// The bars are the planned time, and work outside of it: 4 + 0.5 + 3.5 + 1.
	sum := 0.0
	for _, v := range p.Charts[0].Rows[0].Values {
		sum += v
	}
	if math.Abs(sum-9) > 1e-9 {
		t.Errorf("the bar is %v h long", sum)
	}
}

func TestJobsWasteAndNight(t *testing.T) {
	jobs := &tandemv1.JobReport{Source: &tandemv1.ReportSource{Period: day(2)}, Periods: []*tandemv1.JobPeriod{
		{Period: day(2), Completed: 5, Aborted: 1, Due: 4, OnTime: 3, Flow: &tandemv1.FlowTime{Jobs: 5, P50: h(2), P90: h(5)}}, {Period: day(3)},
	}}
	waste := &tandemv1.WasteReport{Source: &tandemv1.ReportSource{Period: day(2)}, Periods: []*tandemv1.WastePeriod{{
		Period: day(2), Spoiled: []*tandemv1.Spoilage{{Device: "printer-1", Cause: "banding", ByPerson: true, Pieces: 7}, {Pieces: 2}},
		Media: []*tandemv1.MediaUse{{Media: "vinyl", UsedUm: 20e6, LaidUm: 18e6, SpoiledUm: 1e6, LostUm: 2e6}, {Media: "gloss"}},
	}}}
	night := &tandemv1.NightReport{Source: &tandemv1.ReportSource{Period: day(2)}, Devices: []*tandemv1.NightDevice{
		{Device: "printer-1", LastWorkTime: timestamppb.New(time.Unix(0, 0)), Classes: []*tandemv1.ClassTime{{Class: "production", Outside: h(6)}}}, {Device: "cutter-1"},
	}}
	for _, c := range []struct {
		picture Picture
		want    []string
	}{
		{Jobs(jobs, when), []string{"75 % on time", "none due", "2.0 h, 5.0 h", "no data", "given up"}},
		{Waste(waste, when), []string{"printer-1: banding", "nobody knows", "20.0 m, 15.0 % waste", "no lot known", "found by a person"}},
		{Night(night, when), []string{"6.0 h production", "did not work"}},
	} {
		svg := drawn(t, c.picture)
		words := strings.Join(texts(t, svg), "|")
		for _, want := range c.want {
			if !strings.Contains(words, want) {
				t.Errorf("%s: it does not say %q: %s", c.picture.Title, want, words)
			}
		}
	}
	var picture bytes.Buffer
	if err := PNG(&picture, Night(night, when)); err != nil {
		t.Fatal(err)
	}
	if img, err := png.Decode(&picture); err != nil || img.Bounds().Dx() != 2000 {
		t.Errorf("PNG: %v", err)
	}
	for _, p := range []Picture{{}, Waste(&tandemv1.WasteReport{}, when), Devices(&tandemv1.DeviceReport{}, when)} {
		if err := SVG(io.Discard, p); !errors.Is(err, ErrNothing) {
			t.Errorf("nothing is drawn: %v", err)
		}
		if err := PNG(io.Discard, p); !errors.Is(err, ErrNothing) {
			t.Errorf("nothing is drawn: %v", err)
		}
	}
}

// Foreign names are harmless, and the picture does not grow without end.
func TestForeignAndLong(t *testing.T) {
	c := Chart{Title: `</text><script>alert(1)</script>`, Unit: "h", Parts: []Part{{"<b>", toneWork}}}
	for i := range 300 {
		c.Rows = append(c.Rows, Row{Name: fmt.Sprintf("%d\x1b[31m\x00<img>&\"'\u202e%s", i, strings.Repeat("w", 500)), Values: []float64{1}, Note: strings.Repeat("n", 500)})
	}
	svg := drawn(t, Picture{Title: "<svg>", Charts: []Chart{c}})
	if words := texts(t, svg); !strings.Contains(strings.Join(words, "|"), "and 260 more") {
		t.Errorf("what is left out is not told: %q", words[:5])
	}
	if len(svg) > 200_000 {
		t.Errorf("%d bytes", len(svg))
	}
	if strings.ContainsAny(svg, "\x1b\x00\u202e") {
		t.Error("control characters are drawn")
	}
}

func TestTicksAreRound(t *testing.T) {
	for _, c := range []struct {
		most  float64
		hours bool
		want  string
	}{
		{12, true, "0 2 4 6 8 10 12"},
		{24, true, "0 3 6 9 12 15 18 21 24"},
		{168, true, "0 24 48 72 96 120 144 168"},
		{9000, true, "0 1680 3360 5040 6720 8400"},
		{0.8, true, "0 0.1 0.2 0.3 0.4 0.5 0.6 0.7 0.8"},
		{100, false, "0 20 40 60 80 100"},
		{3, false, "0 0.5 1 1.5 2 2.5 3"},
		{1234567, false, "0 200000 400000 600000 800000 1e+06 1.2e+06"},
	} {
		var got []string
		for _, k := range (ticks{c.most, c.hours}).Ticks(0, 0) {
			got = append(got, k.Label)
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("up to %v: %s, want %s", c.most, strings.Join(got, " "), c.want)
		}
	}
}
