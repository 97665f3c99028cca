package api_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

// What somebody says of who is there is in force at once, in the audit trail, and after a restart; it can be taken back.
func TestAttendance(t *testing.T) {
	d := newDaemon(t)
	admin := tandemv1.NewAdminServiceClient(d.conn)
	view, err := admin.GetAttendance(d.ctx(), &tandemv1.GetAttendanceRequest{})
	if err != nil || view.Operators != nil || view.GetTimeZone() != "UTC" || len(view.GetWindows()) > 0 {
		t.Fatalf("a floor without shifts: %v, %v", view, err)
	}
	until := timestamppb.New(view.GetNow().AsTime().Add(2 * time.Hour).Truncate(time.Second))
	set := &tandemv1.SetAttendanceRequest{Operators: 1, UntilTime: until, Note: "storm", RequestId: "k1", Actor: "mira"}
	check := func(v *tandemv1.AttendanceView, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		dev := v.GetDeviation()
		if v.Operators == nil || v.GetOperators() != 1 || dev.GetActor() != "mira" || dev.GetNote() != "storm" || !dev.GetUntilTime().AsTime().Equal(until.AsTime()) || !v.GetChangeTime().AsTime().Equal(until.AsTime()) {
			t.Fatalf("one is there: %v", v)
		}
	}
	check(admin.SetAttendance(d.ctx(), set))
	check(admin.SetAttendance(d.ctx(), set)) // the same request
	d.reopen()
	admin = tandemv1.NewAdminServiceClient(d.conn)
	check(admin.GetAttendance(d.ctx(), &tandemv1.GetAttendanceRequest{Days: 2}))
	status, err := admin.GetStatus(d.ctx(), &tandemv1.GetStatusRequest{})
	if err != nil || status.Operators == nil || status.GetOperators() != 1 || !status.GetOperatorsChangeTime().AsTime().Equal(until.AsTime()) {
		t.Errorf("status: %v, %v", status, err)
	}
	view, err = admin.SetAttendance(d.ctx(), &tandemv1.SetAttendanceRequest{RequestId: "k2", Actor: "mira"})
	if err != nil || view.GetDeviation() != nil {
		t.Errorf("taken back: %v, %v", view, err)
	}
	list, err := d.events.ListEvents(d.ctx(), &tandemv1.ListEventsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	var told []string
	for _, c := range list.GetCommits() {
		for _, e := range c.GetCommit().GetEvents() {
			if e.GetType() == "attendance.set" {
				told = append(told, e.GetActor()+": "+e.GetMessage())
			}
		}
	}
	if len(told) != 2 || !strings.HasPrefix(told[0], "mira: 1 person is there until ") || !strings.HasSuffix(told[0], ": storm") || told[1] != "mira: the shifts hold again" {
		t.Errorf("the audit trail says %q", told)
	}
	for field, bad := range map[string]*tandemv1.SetAttendanceRequest{
		"operators":  {Operators: -1, UntilTime: until, Actor: "mira"},
		"until_time": {UntilTime: timestamppb.New(time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)), Actor: "mira"},
		"note":       {Note: "a\x1b[2J", Actor: "mira"},
		"actor":      {UntilTime: until},
	} {
		_, err := admin.SetAttendance(d.ctx(), bad)
		if f := fieldsOf(err); len(f) != 1 || !strings.HasPrefix(f[0], field+": ") {
			t.Errorf("%s: %v", field, err)
		}
	}
	if _, err := admin.GetAttendance(d.ctx(), &tandemv1.GetAttendanceRequest{Days: 32}); len(fieldsOf(err)) != 1 {
		t.Errorf("32 days: %v", err)
	}
}
