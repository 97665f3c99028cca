package floor

import (
	"errors"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// A floor in term 3 at revision 10 takes what follows, and nothing of an older term, whoever stored it.
func TestAdmit(t *testing.T) {
	noon := time.Date(2031, 5, 6, 12, 0, 0, 0, time.UTC)
	began := func(term uint64) *ledgerv1.Event {
		return &ledgerv1.Event{Kind: &ledgerv1.Event_TermBegan{TermBegan: &ledgerv1.TermBegan{Term: term}}}
	}
	other := &ledgerv1.Event{Kind: &ledgerv1.Event_DeviceResumed{DeviceResumed: &ledgerv1.DeviceResumed{Device: "cutter-1"}}}
	record := func(revision, term uint64, events ...*ledgerv1.Event) *ledgerv1.Record {
		return &ledgerv1.Record{Revision: revision, Term: term, CommitTime: timestamppb.New(noon), Schema: Schema, Events: events}
	}
	early, newer := record(11, 3, other), record(11, 3, other)
	early.CommitTime, newer.Schema = timestamppb.New(noon.Add(-time.Nanosecond)), Schema+1
	for _, c := range []struct {
		name   string
		rec    *ledgerv1.Record
		kind   Kind
		reason string
	}{
		{"the next of the term", record(11, 3, other), 0, ""},
		{"the first of the next term", record(11, 4, began(4), other), 0, ""},
		{"the first of a term further on", record(11, 9, began(9)), 0, ""},
		{"an older term", record(11, 2, other), Stale, "OLD_TERM"},
		{"an older term that begins late", record(11, 2, began(2)), Stale, "OLD_TERM"},
		{"an older term in the place of an older record", record(10, 2, other), Stale, "OLD_TERM"},
		{"a newer term that nothing began", record(11, 4, other), Invalid, "TERM_UNCLEAR"},
		{"a term that begins behind other events", record(11, 4, other, began(4)), Invalid, "TERM_UNCLEAR"},
		{"the same term once more", record(11, 3, began(3)), Invalid, "TERM_UNCLEAR"},
		{"a record of one term that begins another", record(11, 3, began(4)), Invalid, "TERM_UNCLEAR"},
		{"a gap", record(12, 3, other), Invalid, "NOT_NEXT"},
		{"the last one again", record(10, 3, other), Invalid, "NOT_NEXT"},
		{"an earlier time", early, Invalid, "TIME_GOES_BACK"},
		{"a newer schema", newer, Invalid, "NEWER_SCHEMA"},
	} {
		f := New()
		f.Revision, f.Term, f.CommitTime = 10, 3, noon
		before := proto.CloneOf(c.rec)
		err := f.Admit(c.rec)
		var refused *Error
		switch {
		case c.reason == "" && err != nil:
			t.Errorf("%s: %v", c.name, err)
		case c.reason != "" && (!errors.As(err, &refused) || refused.Kind != c.kind || refused.Reason != c.reason):
			t.Errorf("%s: got %v, want %s", c.name, err, c.reason)
		}
		if !proto.Equal(before, c.rec) || f.Revision != 10 || f.Term != 3 {
			t.Errorf("%s: something was changed", c.name)
		}
	}
}
