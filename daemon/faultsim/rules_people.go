package faultsim

import (
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// What a shop goes by that has shifts, or whose people are fewer than planned: nothing is begun that needs somebody while nobody is there,
// nor more at once than there are people, nor with so little time left that they would leave in the middle of it.

// presence is who is there and when.
type presence struct {
	shifts    []*tandemv1.Shift
	operators int32 // in place of the shifts
	until     time.Time
}

// plenty is more than a shop has devices.
const plenty = 1000

// set takes a person's word that other people are there than planned.
func (p *presence) set(e *ledgerv1.AttendanceSet) {
	p.operators, p.until = e.GetOperators(), time.Time{}
	if e.GetUntilTime() != nil {
		p.until = e.GetUntilTime().AsTime()
	}
}

// at returns how many people are there at a time that is not before the last word on it.
func (p *presence) at(t time.Time) (n int32) {
	if t.Before(p.until) {
		return p.operators
	}
	if len(p.shifts) == 0 {
		return plenty
	}
	clock := t.Format("15:04")
	for _, s := range p.shifts {
		if s.GetFrom() <= clock && (clock < s.GetTo() || s.GetTo() == "24:00") {
			n += max(s.GetOperators(), 1)
		}
	}
	return n
}

// manned looks whether somebody has time for a run that the daemon grants of itself. Who starts work at a device is there.
func (s *rules) manned(b *books, e *ledgerv1.Event, g *tandemv1.Run, at time.Time) {
	if e.GetActor() != "dispatch" {
		return
	}
	st, d := s.steps[g.GetJob()+"/"+g.GetStep()], s.devices[g.GetDevice()]
	here := s.presence.at(at)
	if g.GetAttendedDuration() == nil {
		alone := st.dries > 0 || d.alone[st.operation] || d.continues && d.loaded != nil && d.loaded.job == g.GetJob()
		if !alone {
			s.w.fail("%s was granted for %s on %s as if nobody were needed there", g.GetId(), st.key, g.GetDevice())
		}
		return
	}
	if d.manual && g.GetAttendedDuration().AsDuration() < g.GetExpectedDuration().AsDuration() {
		s.w.fail("%s was granted for %s on %s as if the work of %v did itself after %v", g.GetId(), st.key, g.GetDevice(), g.GetExpectedDuration().AsDuration(), g.GetAttendedDuration().AsDuration())
	}
	if last := at.Add(max(g.GetAttendedDuration().AsDuration()-1, 0)); here == 0 || s.presence.at(last) == 0 {
		s.w.fail("%s was granted for %s on %s at %v, and needs somebody until %v: there are %d people, and %d in the end",
			g.GetId(), st.key, g.GetDevice(), at, last, here, s.presence.at(last))
	}
	busy := int32(0)
	var with []string
	for _, r := range b.all {
		if !r.ended && at.Before(r.attended) {
			busy++
			with = append(with, r.run)
		}
	}
	if busy >= here {
		s.w.fail("%s was granted for %s on %s, and all %d people who are there have something to do with %s", g.GetId(), st.key, g.GetDevice(), here, strings.Join(with, ", "))
	}
}

// attend notes for how long a run needs somebody.
func (r *entry) attend(long *durationpb.Duration) {
	if long != nil {
		r.attends, r.attended = long.AsDuration(), r.at.Add(long.AsDuration())
	}
}

// tended notes that a run has begun: whoever is needed for it stays from then on.
func (r *entry) tended(c *ledgerv1.RunChanged) {
	if r.started || r.attended.IsZero() || c.GetStartTime() == nil || c.GetState() == tandemv1.JobState_JOB_STATE_PENDING {
		return
	}
	if start := c.GetStartTime().AsTime(); start.After(r.at) {
		r.attended = start.Add(r.attends)
	}
}
