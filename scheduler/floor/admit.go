package floor

import (
	"fmt"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// Admit says why a record that was read from the ledger must not be applied next; nil: it may. It is the last of the
// fences against a daemon that has led once and does not know yet that another has taken over: whatever let its record
// into the ledger, a record of an older term counts for nothing. A newer term begins with the record that says so.
//
// The error is of kind Stale for an older term, else of kind Invalid. Nothing is changed.
func (f *Floor) Admit(rec *ledgerv1.Record) error {
	refuse := func(kind Kind, reason, format string, args ...any) error {
		return &Error{Kind: kind, Reason: reason, Message: fmt.Sprintf("revision %d is refused: ", rec.GetRevision()) + fmt.Sprintf(format, args...)}
	}
	term := rec.GetTerm()
	switch {
	case Readable(rec.GetSchema()) != nil:
		return refuse(Invalid, "NEWER_SCHEMA", "%v", Readable(rec.GetSchema()))
	case term < f.Term:
		return refuse(Stale, "OLD_TERM", "it is of term %d, and term %d has begun before it: its writer no longer led", term, f.Term)
	case rec.GetRevision() != f.Revision+1:
		return refuse(Invalid, "NOT_NEXT", "it does not follow revision %d", f.Revision)
	case moment(rec.GetCommitTime()).Before(f.CommitTime):
		return refuse(Invalid, "TIME_GOES_BACK", "it was committed at %v, before %v of the record before", moment(rec.GetCommitTime()), f.CommitTime)
	}
	began := f.Term
	for i, e := range rec.GetEvents() {
		if c := e.GetFloorConfigured(); c != nil {
			if err := readableFile(c.GetFloor()); err != nil {
				return refuse(Invalid, "UNREADABLE_FLOOR", "it %v", err)
			}
		}
		t := e.GetTermBegan()
		if t == nil {
			continue
		}
		if i > 0 || t.GetTerm() <= f.Term {
			return refuse(Invalid, "TERM_UNCLEAR", "term %d begins at its event %d while term %d runs", t.GetTerm(), i, f.Term)
		}
		began = t.GetTerm()
	}
	if term != began {
		return refuse(Invalid, "TERM_UNCLEAR", "it is of term %d, and term %d is what has begun", term, began)
	}
	return nil
}
