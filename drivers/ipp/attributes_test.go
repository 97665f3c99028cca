package ipp

import (
	"slices"
	"testing"

	"github.com/OpenPrinting/goipp"
)

// TestSupplies reads levels as printers give them. What level means is that of RFC 3805, prtMarkerSuppliesLevel.
func TestSupplies(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]struct {
		s  supply
		ok bool
	}{
		"class=supplyThatIsConsumed;type=ink;maxcapacity=200;level=50;":      {supply{left: 25, low: -1}, true},
		"class=receptacleThatIsFilled;type=wasteInk;maxcapacity=100;level=3": {supply{waste: true, left: 3, low: -1}, true},
		"class=supplyThatIsConsumed;level=-2;maxcapacity=100":                {supply{low: -1}, false},
		"level=200;maxcapacity=100":                                          {supply{low: -1}, false},
		"":                                                                   {supply{low: -1}, false},
	} {
		if got, ok := readSupply(text); ok != want.ok || ok && got != want.s {
			t.Errorf("%q: %v %t, want %v %t", text, got, ok, want.s, want.ok)
		}
	}
	p := &printer{reasons: []string{"marker-supply-low-error"}, supplies: []supply{{left: 5, low: -1}, {left: 0, waste: true}, {left: 40, low: 50}}}
	if got, want := p.reasonsWith(10), []string{"marker-supply-low-error", "marker-waste-full-warning"}; !slices.Equal(got, want) {
		t.Errorf("reasons %v, want %v", got, want)
	}
}

// FuzzAnswer reads what a printer may send: nothing of it may do more than give an error.
func FuzzAnswer(f *testing.F) {
	m := goipp.NewResponse(version, goipp.StatusOk, 1)
	m.Operation.Add(goipp.MakeAttribute("attributes-charset", goipp.TagCharset, goipp.String("utf-8")))
	m.Printer.Add(goipp.MakeAttribute("printer-state", goipp.TagEnum, goipp.Integer(3)))
	m.Printer.Add(goipp.MakeAttribute("marker-levels", goipp.TagInteger, goipp.Integer(7)))
	m.Job.Add(goipp.MakeAttribute("job-id", goipp.TagInteger, goipp.Integer(1)))
	m.Job.Add(goipp.MakeAttribute("job-state", goipp.TagEnum, goipp.Integer(9)))
	body, err := m.EncodeBytes()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(body)
	f.Fuzz(func(t *testing.T, body []byte) {
		var m goipp.Message
		if m.DecodeBytes(body) != nil {
			return
		}
		if p, err := readPrinter(m.Printer); err == nil {
			for _, s := range p.supplies {
				if s.left < 0 || s.left > 100 {
					t.Errorf("supply %v is not from 0 to 100 percent", s)
				}
			}
			p.reasonsWith(10)
			p.stands()
		}
		if j, err := readJob(m.Job); err == nil {
			r := &run{Run: "r", Fence: 1, Pieces: 12}
			r.count(j, false)
			r.count(j, true)
			if r.Good < 0 || r.Good > r.Pieces || r.Share < 0 || r.Share > 1 {
				t.Errorf("%d of %d pieces, share %g", r.Good, r.Pieces, r.Share)
			}
		}
	})
}
