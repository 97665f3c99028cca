package api

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/calendar"
	"tandem/scheduler/floor"
)

// mostDays bounds how far ahead attendance is shown.
const mostDays = 31

// GetAttendance implements AdminService.
func (s *Server) GetAttendance(ctx context.Context, req *tandemv1.GetAttendanceRequest) (*tandemv1.AttendanceView, error) {
	days := int(req.GetDays())
	if days < 0 || days > mostDays {
		return nil, badField("days", "%d days cannot be shown; ask for 1 to %d", days, mostDays)
	}
	var out *tandemv1.AttendanceView
	err := s.engine.View(ctx, func(st engine.State) { out = attendance(st, max(days, 1)) })
	return out, err
}

// SetAttendance implements AdminService.
func (s *Server) SetAttendance(ctx context.Context, req *tandemv1.SetAttendanceRequest) (*tandemv1.AttendanceView, error) {
	if err := plain("note", req.GetNote(), 2000); err != nil {
		return nil, err
	}
	until, err := timeOf("until_time", req.GetUntilTime())
	if err != nil {
		return nil, err
	}
	var out *tandemv1.AttendanceView
	c := floor.SetAttendance{Operators: int(req.GetOperators()), Until: until, Note: req.GetNote()}
	err = s.do(ctx, req, c, func(st engine.State) { out = attendance(st, 1) })
	return out, err
}

// timeOf returns a time of a request; the zero time if it is absent.
func timeOf(field string, t *timestamppb.Timestamp) (time.Time, error) {
	if t == nil {
		return time.Time{}, nil
	}
	if err := t.CheckValid(); err != nil {
		return time.Time{}, badField(field, "is not a time: %v", err)
	}
	return t.AsTime(), nil
}

// attendance tells who is there, from the beginning of today on the shop's clock for so many days.
func attendance(st engine.State, days int) *tandemv1.AttendanceView {
	c := st.Floor.Calendar()
	out := &tandemv1.AttendanceView{Now: timestamppb.New(st.Now), TimeZone: c.Location().String()}
	busy, _ := st.Floor.Busy(st.Now)
	out.OperatorsBusy = int32(busy)
	if change := c.Change(st.Now); !change.IsZero() {
		out.ChangeTime = timestamppb.New(change)
	}
	if d, ok := st.Floor.Deviation(st.Now); ok {
		out.Deviation = &tandemv1.AttendanceDeviation{
			Operators: int32(d.Operators), FromTime: timestamppb.New(d.From), UntilTime: timestamppb.New(d.Until), Note: d.Note, Actor: d.Actor,
		}
	}
	now := c.Operators(st.Now)
	if now == calendar.Unlimited {
		return out
	}
	out.Operators = new(int32(now))
	y, m, d := st.Now.In(c.Location()).Date()
	from, to := time.Date(y, m, d, 0, 0, 0, 0, c.Location()), time.Date(y, m, d+days, 0, 0, 0, 0, c.Location())
	for _, w := range c.Windows(from, to) {
		out.Windows = append(out.Windows, &tandemv1.AttendanceWindow{FromTime: timestamppb.New(w.From), ToTime: timestamppb.New(w.To), Operators: int32(w.Operators)})
	}
	return out
}
