package engine_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// A ledger whose floor file names a time zone that this computer does not know is refused at open, with the remedy.
func TestALedgerWithAnUnknownTimeZoneIsRefusedAtOpen(t *testing.T) {
	store := ledger.NewMemory()
	if _, err := store.Append(t.Context(), &ledgerv1.Record{
		Revision: 1, Term: 1, Schema: floor.Schema, CommitTime: timestamppb.New(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)),
		Events: []*ledgerv1.Event{
			{Kind: &ledgerv1.Event_TermBegan{TermBegan: &ledgerv1.TermBegan{Term: 1}}},
			{Kind: &ledgerv1.Event_FloorConfigured{
				FloorConfigured: &ledgerv1.FloorConfigured{Floor: &tandemv1.FloorFile{TimeZone: "Harbour/Quay"}},
			}},
		},
	}); err != nil {
		t.Fatal(err)
	}
	_, err := engine.Open(t.Context(), engine.Options{Ledger: store, Clock: clock.Wall(), Period: time.Second})
	for _, want := range []string{"revision 1", `time zone "Harbour/Quay"`, "tzdata"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q is not in the error %v", want, err)
		}
	}
}
