package drivers_test

import (
	"fmt"
	"testing"

	driverv1 "tandem/proto/tandem/driver/v1"
)

func read(panel string, marks int) *driverv1.MarkReading {
	m := &driverv1.MarkReading{PanelCode: panel}
	for i := range int64(marks) {
		m.Marks = append(m.Marks, &driverv1.Mark{XUm: i, YUm: -i})
	}
	return m
}

// A reading is news, goes out at once, and stays for the statuses and the end after it, so that a lost message heals.
func TestReadingsAreTold(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := working(t)
		told := func() []*driverv1.MarkReading {
			r.settled()
			return r.daemon.Run("r1").GetMarkReadings()
		}
		from := len(r.daemon.Statuses())
		with := run("r1", processing)
		with.MarkReadings = []*driverv1.MarkReading{read("P0015", 4)}
		c.report(status(with))
		if got := told(); len(got) != 1 || got[0].GetPanelCode() != "P0015" || got[0].GetMarks()[3].GetYUm() != -3 {
			t.Fatalf("told as %v", got)
		}
		if n := len(r.daemon.Statuses()) - from; n != 1 {
			t.Errorf("told in %d statuses at once, want one", n)
		}
		with.MarkReadings[0].Marks[0].XUm = 99 // the host keeps nothing of what it is given
		c.report(status(run("r1", processing)))
		if got := told(); len(got) != 1 || got[0].GetMarks()[0].GetXUm() != 0 {
			t.Errorf("a driver that leaves them out leaves %v", got)
		}
		c.report(status(with))
		if got := told(); got[0].GetMarks()[0].GetXUm() != 99 {
			t.Errorf("a panel that was read again is told as %v", got)
		}
		c.report(status(run("r1", completed)))
		if got := told(); len(got) != 1 {
			t.Errorf("with the end %v is told", got)
		}
	})
}

func TestTheLastReadingsAreTold(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := working(t)
		with := run("r1", processing)
		for i := range 100 {
			with.MarkReadings = append(with.MarkReadings, read(fmt.Sprintf("P%d", i), i))
		}
		c.report(status(with))
		r.settled()
		got := r.daemon.Run("r1").GetMarkReadings()
		if len(got) != 12 || got[0].GetPanelCode() != "P88" || got[11].GetPanelCode() != "P99" || len(got[11].GetMarks()) != 5 {
			t.Errorf("of 100 readings %v are told, want the last 12, none with more than five marks", got)
		}
	})
}
