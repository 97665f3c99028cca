package api

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// eventOf returns an event as clients see it; nil for what is only of use inside.
func eventOf(e *ledgerv1.Event) *tandemv1.Event {
	v := describe(e)
	if v != nil {
		v.Actor = e.GetActor()
	}
	return v
}

func describe(e *ledgerv1.Event) *tandemv1.Event {
	switch k := e.GetKind().(type) {
	case *ledgerv1.Event_TermBegan:
		who := "the daemon"
		if name := k.TermBegan.GetLeader(); name != "" {
			who += " " + name
		}
		return &tandemv1.Event{Type: "term.began", Message: fmt.Sprintf("%s leads, term %d; every driver is asked what it has in hand", who, k.TermBegan.GetTerm())}
	case *ledgerv1.Event_FloorConfigured:
		return &tandemv1.Event{Type: "floor.configured", Message: fmt.Sprintf("floor file with %d devices in force", len(k.FloorConfigured.GetFloor().GetDevices()))}
	case *ledgerv1.Event_LedgerRestored:
		text := fmt.Sprintf("the ledger up to here is that of the backup of %s: grants go on after fence %d, and what may have been done since waits for a person's word", minute(k.LedgerRestored.GetMadeTime()), k.LedgerRestored.GetFence())
		if k.LedgerRestored.GetNothingDone() {
			text = fmt.Sprintf("the ledger up to here is that of the backup of %s, and nothing was done since, it is said: grants go on after fence %d", minute(k.LedgerRestored.GetMadeTime()), k.LedgerRestored.GetFence())
		}
		return &tandemv1.Event{Type: "ledger.restored", Message: text}
	case *ledgerv1.Event_WorkUnrecorded:
		c := k.WorkUnrecorded
		return &tandemv1.Event{
			Type: "work.unrecorded", Run: c.GetRun(), Job: c.GetJob(), Step: c.GetStep(), Device: c.GetDevice(), State: floor.Keyword(c.GetState()),
			PiecesGood: c.GetPiecesGood(), PiecesSpoiled: c.GetPiecesSpoiled(),
			Message: fmt.Sprintf("%s reports %s as %s, which this ledger never gave it: not counted, a person must look", c.GetDevice(), c.GetRun(), floor.Keyword(c.GetState())),
		}
	case *ledgerv1.Event_WorkReviewed:
		c := k.WorkReviewed
		what := "every step that may have been done was looked at"
		switch {
		case c.GetRun() != "":
			what = "taken note of " + c.GetRun()
		case c.GetStep() != "":
			what = c.GetStep() + " was looked at"
		}
		return &tandemv1.Event{Type: "work.reviewed", Run: c.GetRun(), Job: c.GetJob(), Step: c.GetStep(), Message: what + before(": ", c.GetNote())}
	case *ledgerv1.Event_AttendanceSet:
		return &tandemv1.Event{Type: "attendance.set", Message: attendanceText(k.AttendanceSet)}
	case *ledgerv1.Event_RequestAnswered:
		return nil
	case *ledgerv1.Event_JobCreated:
		j := k.JobCreated.GetJob()
		return &tandemv1.Event{Type: "job.created", Job: j.GetId(), Message: fmt.Sprintf("%s taken in, code %s, %d steps", j.GetId(), k.JobCreated.GetCode(), len(j.GetSteps()))}
	case *ledgerv1.Event_JobHeld:
		return &tandemv1.Event{Type: "job.held", Job: k.JobHeld.GetJob(), Message: "held" + before(": ", k.JobHeld.GetNote())}
	case *ledgerv1.Event_JobReleased:
		return &tandemv1.Event{Type: "job.released", Job: k.JobReleased.GetJob(), Message: "released"}
	case *ledgerv1.Event_JobCanceled:
		v := &tandemv1.Event{Type: "job.canceled", Job: k.JobCanceled.GetJob(), Message: "canceled" + before(": ", k.JobCanceled.GetNote())}
		if k.JobCanceled.GetAborted() {
			v.Type, v.Message = "job.aborted", "given up"+before(": ", k.JobCanceled.GetNote())
		}
		return v
	case *ledgerv1.Event_PiecesSpoiled:
		c := k.PiecesSpoiled
		return &tandemv1.Event{
			Type: "pieces.spoiled", Job: c.GetJob(), Panel: c.GetPanel(), Step: c.GetStep(), PiecesSpoiled: c.GetPieces(),
			Message: fmt.Sprintf("%d pieces of panel %s spoiled%s", c.GetPieces(), c.GetPanel(), before(": ", c.GetNote())),
		}
	case *ledgerv1.Event_SpoilWithdrawn:
		c := k.SpoilWithdrawn
		return &tandemv1.Event{
			Type: "spoil.withdrawn", Job: c.GetJob(), Panel: c.GetPanel(), Step: c.GetStep(),
			Message: fmt.Sprintf("%d pieces of panel %s are good after all%s", c.GetPieces(), c.GetPanel(), before(": ", c.GetNote())),
		}
	case *ledgerv1.Event_PiecesRemade:
		c := k.PiecesRemade
		return &tandemv1.Event{
			Type: "pieces.remade", Job: c.GetJob(), Panel: c.GetPanel().GetId(),
			Message: fmt.Sprintf("%d pieces are made again as panel %s (%s)%s", c.GetPanel().GetPieces(), c.GetPanel().GetId(), c.GetPanelCode(), before(": ", c.GetNote())),
		}
	case *ledgerv1.Event_PanelMoved:
		c := k.PanelMoved
		return &tandemv1.Event{Type: "panel.moved", Job: c.GetJob(), Panel: c.GetPanel(), Device: c.GetPlace(), Message: fmt.Sprintf("panel %s lies %s", c.GetPanel(), lies(c)+before(": ", c.GetNote()))}
	case *ledgerv1.Event_JobsArchived:
		return &tandemv1.Event{Type: "jobs.archived", Message: fmt.Sprintf("%d jobs that ended long ago have left the floor", len(k.JobsArchived.GetJobs()))}
	case *ledgerv1.Event_JobsGanged:
		c := k.JobsGanged
		return &tandemv1.Event{Type: "jobs.ganged", Job: c.GetJob(), Message: fmt.Sprintf("gang run %s does the work of %s on shared panels", c.GetJob(), strings.Join(membersOf(c), ", "))}
	case *ledgerv1.Event_GangDissolved:
		return &tandemv1.Event{Type: "gang.dissolved", Job: k.GangDissolved.GetJob(), Message: fmt.Sprintf("gang run %s is taken apart before it began: its members' steps are theirs again", k.GangDissolved.GetJob())}
	case *ledgerv1.Event_WaitOverridden:
		c := k.WaitOverridden
		return &tandemv1.Event{Type: "wait.overridden", Job: c.GetJob(), Step: c.GetStep(), Message: fmt.Sprintf("waiting time of %s waived: %s", c.GetStep(), c.GetNote())}
	}
	if v := describeRun(e); v != nil {
		return v
	}
	return describeDevice(e)
}

func attendanceText(a *ledgerv1.AttendanceSet) string {
	if a.GetUntilTime() == nil {
		return "the shifts hold again" + before(": ", a.GetNote())
	}
	who := fmt.Sprintf("%d people are", a.GetOperators())
	switch a.GetOperators() {
	case 0:
		who = "nobody is"
	case 1:
		who = "1 person is"
	}
	return fmt.Sprintf("%s there until %s, whatever the shifts say%s", who, minute(a.GetUntilTime()), before(": ", a.GetNote()))
}

// minute writes a time as it is recorded.
func minute(t *timestamppb.Timestamp) string { return t.AsTime().Format("2006-01-02 15:04 MST") }

// backText says when a device is expected back; "" if nobody knows.
func backText(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return ", expected back " + minute(t)
}

func describeRun(e *ledgerv1.Event) *tandemv1.Event {
	run := func(typ string, r interface {
		GetRun() string
		GetJob() string
		GetStep() string
		GetDevice() string
	}, format string, args ...any,
	) *tandemv1.Event {
		return &tandemv1.Event{Type: typ, Run: r.GetRun(), Job: r.GetJob(), Step: r.GetStep(), Device: r.GetDevice(), Message: fmt.Sprintf(format, args...)}
	}
	switch k := e.GetKind().(type) {
	case *ledgerv1.Event_RunGranted:
		r := k.RunGranted.GetRun()
		return &tandemv1.Event{
			Type: "run.granted", Run: r.GetId(), Job: r.GetJob(), Step: r.GetStep(), Device: r.GetDevice(), State: "pending",
			Message: fmt.Sprintf("%s given to %s: %s", r.GetStep(), r.GetDevice(), r.GetReason().GetRule()),
		}
	case *ledgerv1.Event_RunAllowed:
		c := k.RunAllowed
		return run("run.allowed", c, "%s may start on %s", c.GetStep(), c.GetDevice())
	case *ledgerv1.Event_MediaOverridden:
		c := k.MediaOverridden
		return run("media.overridden", c, "%s let begin on %s with %s: %s", c.GetStep(), c.GetDevice(), orElse(c.GetMedia(), "nothing known loaded"), c.GetNote())
	case *ledgerv1.Event_RunLapsed:
		c := k.RunLapsed
		return run("run.lapsed", c, "the start of %s on %s came too late: start it again at the device", c.GetStep(), c.GetDevice())
	case *ledgerv1.Event_RunStopping:
		c := k.RunStopping
		return run("run.stopping", c, "%s is asked to stop %s", c.GetDevice(), c.GetStep())
	case *ledgerv1.Event_RunChanged:
		c := k.RunChanged
		v := run("run."+floor.Keyword(c.GetState()), c, "%s on %s is %s", c.GetStep(), c.GetDevice(), floor.Keyword(c.GetState()))
		v.State, v.Reasons, v.PiecesGood, v.PiecesSpoiled = floor.Keyword(c.GetState()), c.GetReasons(), c.GetPiecesGood(), c.GetPiecesSpoiled()
		return v
	case *ledgerv1.Event_RunResolved:
		c := k.RunResolved
		word := strings.ToLower(strings.TrimPrefix(c.GetOutcome().String(), "OUTCOME_"))
		v := run("run.resolved", c, "%s on %s resolved: %s, %d good%s", c.GetStep(), c.GetDevice(), word, c.GetPiecesGood(), before(": ", c.GetNote()))
		v.PiecesGood = c.GetPiecesGood()
		return v
	case *ledgerv1.Event_RunRefused:
		c := k.RunRefused
		return run("run.refused", c, "%s refused %s%s", c.GetDevice(), c.GetStep(), before(": ", c.GetReason()))
	case *ledgerv1.Event_PanelRegistered:
		c := k.PanelRegistered
		g := c.GetRegistration()
		if !g.GetAccepted() {
			v := run("panel.refused", c, "panel %s on %s %s", g.GetPanelCode(), c.GetDevice(), g.GetReason())
			v.Reasons = []string{floor.ReasonRegistrationFailed}
			return v
		}
		return run("panel.registered", c, "panel %s fits on %s: scale %.2f %% by %.2f %%, rotation %.2f degrees, residual %.3f mm",
			g.GetPanelCode(), c.GetDevice(), 100*g.GetScaleX(), 100*g.GetScaleY(), g.GetRotationDegrees(), float64(g.GetResidualUm())/1000)
	case *ledgerv1.Event_StrayReported:
		c := k.StrayReported
		return &tandemv1.Event{
			Type: "run.stray", Run: c.GetRun(), Device: c.GetDevice(), State: floor.Keyword(c.GetState()), PiecesGood: c.GetPiecesGood(),
			Message: fmt.Sprintf("%s reports %s as %s, which is not its run: counted as made without us", c.GetDevice(), c.GetRun(), floor.Keyword(c.GetState())),
		}
	}
	return nil
}

func describeDevice(e *ledgerv1.Event) *tandemv1.Event {
	switch k := e.GetKind().(type) {
	case *ledgerv1.Event_DeviceGreeted:
		return &tandemv1.Event{Type: "device.greeted", Device: k.DeviceGreeted.GetDevice(), Message: k.DeviceGreeted.GetDevice() + "'s driver has introduced itself"}
	case *ledgerv1.Event_DeviceChanged:
		c := k.DeviceChanged
		return &tandemv1.Event{
			Type: "device.changed", Device: c.GetDevice(), State: floor.DeviceKeyword(c.GetState()), Reasons: c.GetReasons(),
			Message: fmt.Sprintf("%s is %s, %s, %s", c.GetDevice(), floor.DeviceKeyword(c.GetState()), floor.PhaseKeyword(c.GetPhase()), floor.LinkKeyword(c.GetLink())),
		}
	case *ledgerv1.Event_DevicePaused:
		return &tandemv1.Event{Type: "device.paused", Device: k.DevicePaused.GetDevice(), Message: "paused" + backText(k.DevicePaused.GetBackTime()) + before(": ", k.DevicePaused.GetNote())}
	case *ledgerv1.Event_DeviceResumed:
		return &tandemv1.Event{Type: "device.resumed", Device: k.DeviceResumed.GetDevice(), Message: "pause ended"}
	case *ledgerv1.Event_DeviceLocked:
		return &tandemv1.Event{Type: "device.locked", Device: k.DeviceLocked.GetDevice(), Message: "locked for maintenance" + backText(k.DeviceLocked.GetBackTime()) + ": " + k.DeviceLocked.GetNote()}
	case *ledgerv1.Event_DeviceUnlocked:
		return &tandemv1.Event{Type: "device.unlocked", Device: k.DeviceUnlocked.GetDevice(), Message: "maintenance lock cleared"}
	}
	return describeMaterial(e)
}

func describeMaterial(e *ledgerv1.Event) *tandemv1.Event {
	switch k := e.GetKind().(type) {
	case *ledgerv1.Event_MediaLoaded:
		c := k.MediaLoaded
		text := fmt.Sprintf("%s loaded on %s", c.GetMedia(), c.GetDevice())
		switch {
		case c.GetMedia() == "":
			text = fmt.Sprintf("what was on %s is taken off", c.GetDevice())
		case c.GetLot() != "":
			text = fmt.Sprintf("%s loaded on %s: lot %s", c.GetMedia(), c.GetDevice(), c.GetLot())
		}
		return &tandemv1.Event{Type: "media.loaded", Device: c.GetDevice(), Message: text + before(": ", c.GetNote())}
	case *ledgerv1.Event_LotReceived:
		l := k.LotReceived.GetLot()
		return &tandemv1.Event{Type: "lot.received", Message: fmt.Sprintf("lot %s received, code %s: %s of %s", l.GetId(), k.LotReceived.GetCode(), floor.Metres(l.GetLengthUm()), l.GetMedia())}
	case *ledgerv1.Event_LotMeasured:
		c := k.LotMeasured
		text := fmt.Sprintf("lot %s has %s left", c.GetLot(), floor.Metres(c.GetRemainingUm()))
		if c.GetRemainingUm() == 0 {
			text = fmt.Sprintf("lot %s is empty or out of use", c.GetLot())
		}
		return &tandemv1.Event{Type: "lot.measured", Device: c.GetDevice(), Message: text + before(": ", c.GetNote())}
	case *ledgerv1.Event_BladeReplaced:
		c := k.BladeReplaced
		return &tandemv1.Event{Type: "blade.replaced", Device: c.GetDevice(), Message: fmt.Sprintf("blade%s put in on %s", before(" ", c.GetBlade()), c.GetDevice())}
	}
	return nil
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// before puts a word in front of a text, unless that is empty.
func before(word, text string) string {
	if text == "" {
		return ""
	}
	return word + text
}

func lies(c *ledgerv1.PanelMoved) string {
	if c.GetPlace() == "" {
		return "nobody knows where"
	}
	if c.GetSlot() == "" {
		return "at " + c.GetPlace()
	}
	return fmt.Sprintf("in slot %s of %s", c.GetSlot(), c.GetPlace())
}
