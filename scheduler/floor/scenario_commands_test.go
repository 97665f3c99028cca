package floor

import (
	"crypto/sha256"
	"slices"
	"strings"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// play carries out one line and returns what it causes. Any command takes by=PERSON and req=REQUEST_ID.
func (s *stage) play(line string) (string, error) {
	w := readWords(line)
	m := Meta{Actor: w.key("by"), RequestID: w.key("req")}
	if m.RequestID != "" {
		sum := sha256.Sum256([]byte(line))
		m.Fingerprint = sum[:]
	}
	verb := w.next()
	if answer, ok := s.look(verb, w); ok {
		return answer, w.rest()
	}
	c := s.command(verb, w)
	if err := w.rest(); err != nil {
		return "", err
	}
	return s.do(m, c)
}

// look plays the lines that are no commands of the floor.
func (s *stage) look(verb string, w *words) (answer string, ok bool) {
	switch verb {
	case "device":
		d := w.device()
		s.file.Devices = append(s.file.Devices, d)
		return "", true
	case "person":
		s.file.People = append(s.file.People, &tandemv1.Person{Id: w.next(), Supervisor: w.flag("supervisor")})
		return "", true
	case "media":
		s.file.Media = append(s.file.Media, w.media())
		return "", true
	case "without": // takes a device out of the floor file; configure puts that in force
		id := w.next()
		s.file.Devices = slices.DeleteFunc(s.file.GetDevices(), func(d *tandemv1.Device) bool { return d.GetId() == id })
		return "", true
	case "tick":
		s.now = s.now.Add(w.span(w.next()))
		return s.clock(s.now) + "\n", true
	case "state":
		return s.state(w), true
	case "orders":
		return s.orders(w), true
	case "unrecorded":
		return s.unrecorded(), true
	case "explain":
		step, _ := s.step(w)
		return explanation(step.Explain(s.now, s.floor.Devices)), true
	}
	return "", false
}

// command reads a command of the floor.
func (s *stage) command(verb string, w *words) Command {
	switch verb {
	case "begin-term":
		return BeginTerm{}
	case "configure":
		file := &tandemv1.FloorFile{People: slices.Clone(s.file.GetPeople()), Devices: slices.Clone(s.file.GetDevices()), Media: slices.Clone(s.file.GetMedia())}
		return Configure{File: file}
	case "submit":
		return CreateJob{Job: w.job(s.now)}
	case "hold":
		return HoldJob{Job: w.next(), Note: w.key("note")}
	case "release":
		return ReleaseJob{Job: w.next()}
	case "cancel":
		return CancelJob{Job: w.next(), Note: w.key("note")}
	case "spoil":
		return SpoilPieces{Job: w.next(), Panel: w.next(), Pieces: w.number("pieces"), Step: w.key("step"), Note: w.key("note")}
	case "withdraw": // JOB PANEL pieces=N: the booking that was the last
		c := WithdrawSpoiled{Job: w.next(), Panel: w.next(), Pieces: w.number("pieces"), Note: w.key("note")}
		if j, ok := s.floor.Job(c.Job); ok && j.booking != nil {
			c.Booked = j.booking.revision
		}
		return c
	case "remake":
		job, step, _ := strings.Cut(w.next(), "/")
		return RemakePieces{Job: job, Step: step, Panel: w.key("panel"), Pieces: w.number("pieces"), AlreadySpoiled: w.flag("already"), Note: w.key("note")}
	case "move":
		job, panel, _ := strings.Cut(w.next(), "/")
		return MovePanel{Job: job, Panel: panel, Place: w.next(), Slot: w.key("slot")}
	case "override":
		job, step, _ := strings.Cut(w.next(), "/")
		return OverrideWait{Job: job, Step: step, Note: w.key("note")}
	case "pause":
		return PauseDevice{Device: w.next(), Note: w.key("note")}
	case "resume":
		return ResumeDevice{Device: w.next()}
	case "lock":
		return LockDevice{Device: w.next(), Note: w.key("note")}
	case "unlock":
		return UnlockDevice{Device: w.next()}
	case "load": // DEVICE MEDIA, or DEVICE lot=LOT
		c := LoadMedia{Device: w.next(), Lot: w.key("lot")}
		if len(w.plain) > 0 {
			c.Media = w.next()
		}
		return c
	case "receive": // MEDIA [id=ID] [length=METRES] [note=TEXT]
		return ReceiveLot{Lot: &tandemv1.Lot{Media: w.next(), Id: w.key("id"), LengthUm: w.metres(w.key("length")), Note: w.key("note")}}
	case "measure": // LOT METRES
		return MeasureLot{Lot: w.next(), Remaining: w.metres(w.next()), Note: w.key("note")}
	case "blade": // DEVICE [KIND]
		c := ReplaceBlade{Device: w.next()}
		if len(w.plain) > 0 {
			c.Blade = w.next()
		}
		return c
	}
	return s.runCommand(verb, w)
}

// runCommand reads a command about a run, and what drivers say.
func (s *stage) runCommand(verb string, w *words) Command {
	switch verb {
	case "grant":
		step, device := s.step(w)
		return Grant{Step: step, Device: device, Expected: device.Estimate(step, s.now)}
	case "here":
		step, device := s.step(w)
		return StartHere{Step: step, Device: device}
	case "start":
		return StartRun{Run: s.run(w), Override: w.key("although")}
	case "finish":
		return FinishRun{Run: s.run(w), Spoiled: w.number("spoiled")}
	case "refuse":
		return RefuseRun{Run: s.run(w), Reason: w.key("reason")}
	case "stop-refused":
		return StopRefused{Run: s.run(w)}
	case "resolve":
		c := ResolveRun{Run: s.run(w), Good: w.number("good"), Note: w.key("note")}
		outcome := w.next()
		c.Outcome = ledgerv1.RunResolved_Outcome(ledgerv1.RunResolved_Outcome_value["OUTCOME_"+strings.ToUpper(outcome)])
		return c
	case "greet":
		device := w.next()
		return Greet{Device: device, Status: s.status(device, w)}
	case "report":
		device := w.next()
		return Report{Device: device, Status: s.status(device, w)}
	case "lose":
		return LoseDevice{Device: w.next()}
	case "restored": // the records so far are those of a backup
		return RestoreLedger{Made: s.now, Restored: s.now, NothingDone: w.flag("nothing-done")}
	case "review": // JOB[/STEP] not-done|done|keep [good=N] [on=DEVICE]
		job, step, _ := strings.Cut(w.next(), "/")
		outcomes := map[string]ReviewOutcome{"not-done": ReviewNotDone, "done": ReviewDone, "keep": ReviewKeep}
		return ReviewStep{Job: job, Step: step, Outcome: outcomes[w.next()], Good: w.number("good"), Device: w.key("on"), Note: w.key("note")}
	case "note":
		return NoteUnrecorded{Run: w.next(), Note: w.key("note")}
	}
	w.fail("there is no command %q", verb)
	return nil
}

// run reads a run: its id, or JOB/STEP for the last run of that step.
func (s *stage) run(w *words) string {
	word := w.next()
	job, id, named := strings.Cut(word, "/")
	if !named {
		return word
	}
	_, step, err := s.floor.needStep(job, id)
	if err != nil || len(step.Runs) == 0 {
		w.fail("there is no run of %s", word)
		return word
	}
	return step.Runs[len(step.Runs)-1].ID
}

// step reads JOB/STEP [DEVICE].
func (s *stage) step(w *words) (*Step, *Device) {
	job, id, _ := strings.Cut(w.next(), "/")
	_, step, err := s.floor.needStep(job, id)
	if err != nil {
		w.fail("%v", err)
		return &Step{Job: &Job{}}, &Device{}
	}
	if len(w.plain) == 0 {
		return step, nil
	}
	d, err := s.floor.needDevice(w.next())
	if err != nil {
		w.fail("%v", err)
	}
	return step, d
}

// status reads
//
//	[epoch=N] [is=STATE] [why=REASON,...] [link=offline] [RUN STATE [good=N] [spoiled=N] [fence=N] [of=JOB/STEP] [reasons=R,...] [began=AGO] [ended=AGO]
//	[read=CODE:X/Y/X/Y/...,...]]
//
// The epoch is the device's, the fence the run's; a device is processing while its run is.
func (s *stage) status(device string, w *words) *driverv1.Status {
	d := s.floor.byDevice[device]
	st := &driverv1.Status{State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE, StateReasons: w.list("why")}
	if d != nil {
		st.Epoch = d.Epoch
	}
	if n := w.number("epoch"); n > 0 {
		st.Epoch = uint64(n)
	}
	if w.key("link") == "offline" {
		st.Link = tandemv1.Link_LINK_OFFLINE
	}
	if len(w.plain) > 0 {
		rs := &driverv1.RunStatus{
			Run: s.run(w), State: jobStateOf(w, w.next()), PiecesGood: w.number("good"), PiecesSpoiled: w.number("spoiled"),
			StateReasons: w.list("reasons"), MarkReadings: w.readings("read"),
		}
		if r := s.floor.runs[rs.GetRun()]; r != nil {
			rs.Fence = r.Fence
		}
		if n := w.long("fence", 64); n > 0 {
			rs.Fence = uint64(n)
		}
		rs.Job, rs.Step, _ = strings.Cut(w.key("of"), "/")
		if ago := w.key("began"); ago != "" {
			rs.StartTime = stamp(s.now.Add(-w.span(ago)))
		}
		if ago := w.key("ended"); ago != "" {
			rs.EndTime = stamp(s.now.Add(-w.span(ago)))
		}
		if rs.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING {
			st.State = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
		}
		st.Runs = append(st.Runs, rs)
	}
	if is := w.key("is"); is != "" {
		st.State = tandemv1.DeviceState(tandemv1.DeviceState_value["DEVICE_STATE_"+strings.ToUpper(is)])
	}
	s.heard[device] = st
	return st
}

func jobStateOf(w *words, keyword string) tandemv1.JobState {
	for n := range tandemv1.JobState_name {
		if Keyword(tandemv1.JobState(n)) == keyword {
			return tandemv1.JobState(n)
		}
	}
	w.fail("there is no state %q", keyword)
	return 0
}
