package sim

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	driverv1 "tandem/proto/tandem/driver/v1"
)

const (
	// mostBoxes and mostReadings bound what a machine remembers of a run's panels.
	mostBoxes    = 1000
	mostReadings = 12
)

// box is the rectangle between the marks of a panel, in micrometres.
type box struct {
	Panel  string `json:"panel"`
	Width  int64  `json:"width"`
	Length int64  `json:"length"`
}

// reading is where the machine found the marks of a panel: x and y of each, in micrometres.
type reading struct {
	Panel string  `json:"panel"`
	Marks []int64 `json:"marks"`
}

func boxes(g *driverv1.Grant) []box {
	var out []box
	for _, p := range g.GetPanels() {
		if len(out) < mostBoxes {
			out = append(out, box{p.GetPanelCode(), p.GetWidthUm(), p.GetLengthUm()})
		}
	}
	return out
}

// firstUnit returns the unit with which the i-th panel begins. What lies where is not told, so the panels share alike.
func (j *job) firstUnit(i int) int { return i * j.Units / len(j.Boxes) }

// firstPiece returns the first piece of the i-th panel, counted from 1.
func (j *job) firstPiece(i int) int32 {
	return int32(int64(j.Pieces)*int64(j.firstUnit(i))/int64(j.Units)) + 1
}

// readMarks reads the panels that are about to be cut, after the set-up and between two units. The knife stays up for the
// time in mark-wait, which the piece in work takes anyhow, so that a stop that comes meanwhile spoils nothing.
func (m *machine) readMarks(at time.Time) {
	j := m.Job
	for j.Read < len(j.Boxes) && j.firstUnit(j.Read) <= j.Done {
		j.Readings = append(j.Readings, m.find(j, j.Read))
		j.Readings = j.Readings[max(len(j.Readings)-mostReadings, 0):]
		j.Read++
		j.CutTime = at.Add(m.markWait)
	}
}

// find returns where the marks of the i-th panel are found: a little shifted, turned and stretched, as a panel lies and as
// web takes up moisture, and with the error of a sensor. It depends on nothing but the seed, the run and the panel.
func (m *machine) find(j *job, i int) reading {
	b := j.Boxes[i]
	h := fnv.New64a()
	fmt.Fprintf(h, "marks %s/%s", j.Run, b.Panel)
	random := rand.New(rand.NewPCG(m.seed, h.Sum64()))
	within := func(v float64) float64 { return v * (2*random.Float64() - 1) }
	scaleX, scaleY := 1+within(0.002), 1+within(0.002)
	sin, cos := math.Sincos(within(0.3) * math.Pi / 180)
	tx, ty := 10_000+within(5000), 20_000+within(5000)
	w, l := float64(b.Width), float64(b.Length)
	corners := [][2]float64{{0, 0}, {w, 0}, {w, l}, {0, l}}
	switch m.lies(j, i) {
	case WrongPanel:
		for k := range corners {
			corners[k][0], corners[k][1] = 0.8*corners[k][0], 1.15*corners[k][1]
		}
	case Turned:
		corners = slices.Concat(corners[2:], corners[:2])
	case Mirrored:
		slices.Reverse(corners)
		corners = slices.Concat(corners[2:], corners[:2])
	default:
	}
	out := reading{Panel: b.Panel}
	for _, c := range corners {
		x, y := c[0]*scaleX, c[1]*scaleY
		out.Marks = append(out.Marks, int64(math.Round(cos*x-sin*y+tx+within(60))), int64(math.Round(sin*x+cos*y+ty+within(60))))
	}
	return out
}

// lies returns what is wrong with how the i-th panel lies there, or nothing.
func (m *machine) lies(j *job, i int) Trouble {
	from, end := j.firstPiece(i), int64(j.Pieces)+1
	if i+1 < len(j.Boxes) {
		end = int64(j.firstPiece(i + 1))
	}
	for _, f := range slices.Concat(m.faults, m.Injected) {
		if f.Trouble.ofPanels() && f.Run == m.Begun && f.Piece >= from && int64(f.Piece) < end {
			return f.Trouble
		}
	}
	return ""
}

// nextPanel returns the first piece of the panel that is read next; 0 if no run under way reads another, and 1 if none is
// under way.
func (m *machine) nextPanel() int32 {
	j := m.Job
	switch {
	case j == nil:
		return 1
	case j.Read < len(j.Boxes):
		return j.firstPiece(j.Read)
	}
	return 0
}

// cuts says whether the knife is down, or has been on the piece in work.
func (j *job) cuts(now time.Time) bool { return j.Done >= 0 && !now.Before(j.CutTime) }

func markReadings(j *job) []*driverv1.MarkReading {
	var out []*driverv1.MarkReading
	for _, r := range j.Readings {
		m := &driverv1.MarkReading{PanelCode: r.Panel}
		for xy := range slices.Chunk(r.Marks, 2) {
			m.Marks = append(m.Marks, &driverv1.Mark{XUm: xy[0], YUm: xy[1]})
		}
		out = append(out, m)
	}
	return out
}

// checkMarks says whether a memory's panels are possible.
func (j *job) checkMarks() bool {
	if len(j.Boxes) > mostBoxes || len(j.Readings) > mostReadings || j.Read < 0 || j.Read > len(j.Boxes) {
		return false
	}
	for _, r := range j.Readings {
		if len(r.Marks)%2 != 0 || len(r.Marks) > 8 {
			return false
		}
	}
	return true
}
