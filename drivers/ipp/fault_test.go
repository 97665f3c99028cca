package ipp

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/OpenPrinting/goipp"

	"tandem/drivers/ipp/ipptest"
	tandemv1 "tandem/proto/tandem/v1"
)

// TestBrokenOnce breaks the connection once, before or after each kind of request, on printers of each kind. Whatever is
// lost, the document is printed at most once, and a run that is reported as completed has been printed.
func TestBrokenOnce(t *testing.T) {
	t.Parallel()
	art, sum := artwork(t, "%PDF-1.4 a sheet")
	for _, op := range []goipp.Op{
		goipp.OpGetPrinterAttributes, goipp.OpGetJobs, goipp.OpValidateJob, goipp.OpCreateJob, goipp.OpSendDocument,
		goipp.OpPrintJob, goipp.OpGetJobAttributes,
	} {
		for _, where := range []ipptest.Break{ipptest.Before, ipptest.After} {
			for _, restart := range []bool{false, true} {
				t.Run(fmt.Sprintf("%s %s, restart %t", op, []string{"", "unheard", "unanswered"}[where], restart), func(t *testing.T) {
					t.Parallel()
					p := ipptest.New()
					p.OneRequest = op == goipp.OpPrintJob
					broken := false
					s := open(t, quick(p.Serve(t), "lost-after", "0s"))
					s.online()
					p.Do(func() {
						p.Breaks = func(o goipp.Op) ipptest.Break {
							if o == op && !broken {
								broken = true
								return where
							}
							return ipptest.Whole
						}
					})
					s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
					s.wait("it breaks", func() (b bool) { p.Do(func() { b = broken }); return b })
					if restart {
						s.stop()
						s.start()
						s.online()
					}
					s.ends(p, "r1", art, sum)
				})
			}
		}
	}
}

// ends starts a run again whenever it waits for a start, until it is over, and counts what was printed.
func (s *shop) ends(p *ipptest.Printer, name, art, sum string) {
	s.Helper()
	starts := int64(0)
	s.wait("it ends", func() bool {
		r := s.daemon.Run(name)
		switch {
		case r == nil || r.GetState() == pending && slices.Contains(r.GetStateReasons(), "x-awaiting-start"):
			starts++
			g := s.job(name, 1, art, sum)
			g.StartTime = &tandemStamp{Seconds: starts} // one that is given anew
			s.daemon.Grant(g)
		case r.GetState() == halted:
			return s.daemon.Last().GetLink() == tandemv1.Link_LINK_ONLINE && slices.Contains(r.GetStateReasons(), "x-outcome-unknown")
		}
		return r.GetState() == completed || r.GetState() == aborted || r.GetState() == canceled
	})
	r := s.daemon.Run(name)
	p.Do(func() {
		printed, done := 0, 0
		for _, j := range p.Jobs {
			if len(j.Documents) > 0 {
				printed++
			}
			if j.State == ipptest.Completed {
				done++
			}
			if j.Name != "tandem.press."+name+".1.12" {
				s.Errorf("a job is named %q", j.Name)
			}
		}
		if printed > 1 || done > 1 {
			s.Errorf("printed %d times, completed %d times", printed, done)
		}
		if r.GetState() == completed && done != 1 {
			s.Errorf("reported as %v, and the printer has completed %d", r, done)
		}
	})
}

// TestPrinterForgets is a printer that is restarted with a job in work, and one whose history somebody clears.
func TestPrinterForgets(t *testing.T) {
	t.Parallel()
	art, sum := artwork(t, "%PDF-1.4 a sheet")
	for _, restarted := range []bool{true, false} {
		t.Run(fmt.Sprintf("restarted %t", restarted), func(t *testing.T) {
			t.Parallel()
			p := ipptest.New()
			p.Stands = true
			s := open(t, quick(p.Serve(t)))
			s.online()
			epoch := s.daemon.Last().GetEpoch()
			s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
			s.is("r1", processing)
			if restarted {
				p.Forget()
				s.wait("a new epoch begins without the run", func() bool {
					last := s.daemon.Last()
					return last.GetEpoch() > epoch && len(last.GetRuns()) == 0 && last.GetLink() == tandemv1.Link_LINK_ONLINE
				})
				return
			}
			p.Do(func() { p.Jobs = nil })
			s.is("r1", halted, "x-outcome-unknown")
			if s.daemon.Last().GetEpoch() != epoch {
				t.Error("a new epoch has begun: the printer was not restarted")
			}
			s.take(s.daemon.Stop("r1", 1))
			s.is("r1", canceled, "x-outcome-unknown") // what it made is not known for being stopped
		})
	}
}

// TestUncertainWhole is a driver that dies while it sends: whether the document arrived whole is told by its size, or not
// at all.
func TestUncertainWhole(t *testing.T) {
	t.Parallel()
	for _, test := range []struct {
		counts bool
		size   int
		want   tandemv1.JobState
	}{{true, 2048, completed}, {true, 100, halted}, {false, 2048, halted}} {
		p := ipptest.New()
		p.Counts = test.counts
		name := "tandem.press.r1.7.12"
		p.Jobs = []*ipptest.Job{{ID: 1, Name: name, State: ipptest.Completed, Documents: [][]byte{make([]byte, test.size)}, Done: 4}}
		s := &shop{T: t, dir: t.TempDir(), clock: wall(), given: quick(p.Serve(t))}
		write(t, filepath.Join(s.dir, memoryFile), `{"up_time":50,"runs":[{"run":"r1","fence":7,"pieces":12,"phase":"sending","job":1,"k_octets":2,"state":3}]}`)
		s.start()
		s.is("r1", test.want)
		s.stop()
	}
}

func TestMemoryOfSomebodyElse(t *testing.T) {
	t.Parallel()
	for _, body := range []string{"{", `{"runs":[null]}`, `{"runs":[{"run":"../r1","fence":1,"state":3}]}`, `{"runs":[{"run":"r1","fence":1,"state":99}]}`} {
		s := &shop{T: t, dir: t.TempDir(), clock: wall(), given: quick(ipptest.New().Serve(t))}
		write(t, filepath.Join(s.dir, memoryFile), body)
		s.start()
		s.wait("the log tells what to move away", func() bool {
			return s.logs.FilterMessageSnippet("device lost").Len() == 1 && strings.Contains(fmt.Sprint(s.logs.All()[0].ContextMap()["error"]), memoryFile)
		})
		s.stop()
	}
}

// TestStates maps what a printer says, row by row.
func TestStates(t *testing.T) {
	t.Parallel()
	p := ipptest.New()
	s := open(t, quick(p.Serve(t)))
	s.online()
	for _, test := range []struct {
		name    string
		state   int
		reasons []string
		rejects bool
		extra   goipp.Attributes
		want    tandemv1.DeviceState
		phase   tandemv1.DevicePhase
		says    []string
	}{
		{"idle", ipptest.Idle, nil, false, nil, tandemv1.DeviceState_DEVICE_STATE_IDLE, tandemv1.DevicePhase_DEVICE_PHASE_IDLE, nil},
		{"paused by somebody", ipptest.Stopped, []string{"paused"}, false, nil, tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, []string{"paused"}},
		{"out of media", ipptest.Stopped, []string{"media-empty-error"}, false, nil, tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, []string{"media-empty"}},
		{"cover open", ipptest.Stopped, []string{"cover-open-error"}, false, nil, tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, []string{"cover-open"}},
		{"takes no jobs", ipptest.Idle, nil, true, nil, tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, []string{"x-not-accepting-jobs"}},
		{
			"low ink by its level", ipptest.Idle, nil, false,
			goipp.Attributes{goipp.MakeAttribute("marker-levels", goipp.TagInteger, goipp.Integer(7))},
			tandemv1.DeviceState_DEVICE_STATE_IDLE, tandemv1.DevicePhase_DEVICE_PHASE_IDLE,
			[]string{"marker-supply-low"},
		},
		{
			"waste nearly full", ipptest.Idle, nil, false,
			goipp.Attributes{goipp.MakeAttribute("printer-supply", goipp.TagString, goipp.Binary("index=1;class=receptacleThatIsFilled;type=wasteInk;unit=percent;maxcapacity=100;level=5;"))},
			tandemv1.DeviceState_DEVICE_STATE_IDLE, tandemv1.DevicePhase_DEVICE_PHASE_IDLE,
			[]string{"marker-waste-almost-full"},
		},
	} {
		p.Do(func() { p.State, p.Reasons, p.Rejecting, p.Extra = test.state, test.reasons, test.rejects, test.extra })
		s.wait(test.name, func() bool {
			d := s.daemon.Last()
			return d.GetState() == test.want && d.GetPhase() == test.phase && !slices.ContainsFunc(test.says, func(why string) bool {
				return !slices.ContainsFunc(d.GetStateReasons(), func(r string) bool { b, _ := severity(r); return b == why })
			})
		})
	}
}

// TestRefusals are grants that cannot be printed, and why.
func TestRefusals(t *testing.T) {
	t.Parallel()
	art, _ := artwork(t, "%PDF-1.4 a sheet")
	p := ipptest.New()
	s := open(t, quick(p.Serve(t)))
	s.online()
	fence := uint64(0)
	for _, test := range []struct {
		name, uri string
		refuse    map[goipp.Op]goipp.Status
		reason    string
		log       string
	}{
		{"no-file", filepath.Join(t.TempDir(), "none.pdf"), nil, "document-access-error", "no such file"},
		{"no-document", "", nil, "document-access-error", "default-document"},
		{"elsewhere", "https://192.0.2.1/a.pdf", nil, "document-access-error", "file:///path"},
		{"no-folder", "a.pdf", nil, "document-access-error", "setting documents"},
		{"format", art, map[goipp.Op]goipp.Status{goipp.OpValidateJob: goipp.StatusErrorDocumentFormatNotSupported}, "unsupported-document-format", "Validate-Job"},
		{"attributes", art, map[goipp.Op]goipp.Status{goipp.OpCreateJob: goipp.StatusErrorAttributesOrValues}, "unsupported-attributes-or-values", "Create-Job"},
	} {
		fence++
		p.Do(func() {
			p.Refuse = test.refuse
		})
		g := s.job(test.name, fence, test.uri, "")
		s.take(s.daemon.Grant(g))
		s.is(test.name, aborted, test.reason)
		if all := s.logs.FilterMessage("run not printed").All(); len(all) != int(fence) || !strings.Contains(fmt.Sprint(all[fence-1].ContextMap()["error"]), test.log) {
			t.Errorf("%s: the log says %v, want %q", test.name, all, test.log)
		}
		s.take(s.daemon.Settle(test.name, fence))
	}
	p.Do(func() {
		if len(p.Jobs) > 0 {
			t.Errorf("the printer has %d jobs", len(p.Jobs))
		}
	})
	p.Do(func() { p.Refuse = map[goipp.Op]goipp.Status{goipp.OpCreateJob: goipp.StatusErrorBusy} })
	s.take(s.daemon.Grant(s.job("busy", 99, art, "")))
	s.is("busy", pending, "x-other-work")
	p.Do(func() { p.Refuse = nil })
	s.is("busy", completed)
}

// TestCopies prints a document of one piece once for each.
func TestCopies(t *testing.T) {
	t.Parallel()
	art, _ := artwork(t, "%PDF-1.4 one piece")
	p := ipptest.New()
	p.Impressions, p.Stands = 1, true
	s := open(t, quick(p.Serve(t), "pieces-per", "copy", "quality", "fine=high", "documents", filepath.Dir(art)))
	s.online()
	g := s.job("r1", 1, "file:"+filepath.Base(art), "")
	g.Mode = "fine"
	s.take(s.daemon.Grant(g))
	s.is("r1", processing)
	p.Do(func() { p.Jobs[0].Done = 5 })
	s.wait("five pieces are done", func() bool { return s.daemon.Run("r1").GetPiecesGood() == 5 })
	p.Do(func() {
		if j := p.Jobs[0]; j.Copies != 12 || number(j.Attributes, "print-quality") != 5 {
			t.Errorf("the job has %d copies and print-quality %d, want 12 and 5", j.Copies, number(j.Attributes, "print-quality"))
		}
		p.Stands = false
	})
	s.is("r1", completed)
}

// TestFolder holds files in their folder.
func TestFolder(t *testing.T) {
	t.Parallel()
	secret, _ := artwork(t, "secret")
	folder := t.TempDir()
	write(t, filepath.Join(folder, "a.pdf"), "%PDF")
	if err := os.Symlink(secret, filepath.Join(folder, "link.pdf")); err != nil {
		t.Skip(err)
	}
	st := settings{documents: folder}
	for uri, works := range map[string]bool{
		"a.pdf": true, "file:a.pdf": true, filepath.Join(folder, "a.pdf"): true, "file://" + filepath.Join(folder, "a.pdf"): true,
		"../" + filepath.Base(filepath.Dir(secret)) + "/art.pdf": false, secret: false, "link.pdf": false, "file://host/a.pdf": false, ".": false,
	} {
		if _, err := st.locate(&tandemv1.Document{Uri: uri}); (err == nil) != works {
			t.Errorf("%s: error %v, want it to work: %t", uri, err, works)
		}
	}
}

// TestNotStored: what cannot be written down does not begin, and begins once it can be.
func TestNotStored(t *testing.T) {
	t.Parallel()
	art, _ := artwork(t, "%PDF-1.4 a sheet")
	p := ipptest.New()
	s := open(t, quick(p.Serve(t)))
	s.online()
	obstacle := filepath.Join(s.dir, memoryFile+".new") // a folder stands where the file is written, for the superuser too
	if err := os.Mkdir(obstacle, 0o700); err != nil {
		t.Fatal(err)
	}
	s.take(s.daemon.Grant(s.job("r1", 1, art, "")))
	s.is("r1", pending, "x-state-not-stored")
	s.wait("the device is stopped", func() bool {
		d := s.daemon.Last()
		return d.GetState() == tandemv1.DeviceState_DEVICE_STATE_STOPPED && slices.Contains(d.GetStateReasons(), "x-state-not-stored-error")
	})
	p.Do(func() {
		if len(p.Jobs) > 0 {
			t.Errorf("the printer has %d jobs", len(p.Jobs))
		}
	})
	if err := os.Remove(obstacle); err != nil {
		t.Fatal(err)
	}
	s.is("r1", completed)
	if n := s.said("runs can"); n != 2 {
		t.Errorf("the log has %d lines of it, want one when it fails and one when it works again", n)
	}
}

// TestSeveralDocuments prints all documents of a run in one job where the printer can, and none where it cannot.
func TestSeveralDocuments(t *testing.T) {
	t.Parallel()
	first, _ := artwork(t, "%PDF-1.4 first")
	second, _ := artwork(t, "%PDF-1.4 second")
	for _, several := range []bool{true, false} {
		p := ipptest.New()
		p.Several = several
		s := open(t, quick(p.Serve(t)))
		s.online()
		g := s.job("r1", 1, first, "")
		g.Documents = append(g.Documents, &tandemv1.Document{Role: "cut", Uri: "file:cut"}, &tandemv1.Document{Role: "artwork", Uri: second})
		s.take(s.daemon.Grant(g))
		if !several {
			s.is("r1", aborted, "document-access-error")
			continue
		}
		s.is("r1", completed)
		p.Do(func() {
			if len(p.Jobs) != 1 || len(p.Jobs[0].Documents) != 2 || string(p.Jobs[0].Documents[1]) != "%PDF-1.4 second" {
				t.Errorf("the printer has %d jobs, want one of two documents", len(p.Jobs))
			}
		})
	}
}
