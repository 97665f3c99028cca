package floor_test

import (
	"fmt"
	"strings"
	"testing"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

func configured(file *tandemv1.FloorFile) *ledgerv1.Record {
	return &ledgerv1.Record{Revision: 1, Schema: floor.Schema, Events: []*ledgerv1.Event{
		{Kind: &ledgerv1.Event_FloorConfigured{FloorConfigured: &ledgerv1.FloorConfigured{Floor: file}}},
	}}
}

// A ledger may have been written where more is known: a newer program, a computer with more time zones. That is told, with the remedy,
// before anything is applied.
func TestWhatCannotBeReadIsTold(t *testing.T) {
	newer := configured(&tandemv1.FloorFile{})
	newer.Schema++
	for _, test := range []struct {
		name   string
		record *ledgerv1.Record
		want   []string // of the error; none: it can be read
	}{
		{"a record without a floor file", &ledgerv1.Record{Revision: 1, Events: []*ledgerv1.Event{{}}}, nil},
		{"a zone that every computer knows", configured(&tandemv1.FloorFile{TimeZone: "UTC"}), nil},
		{"a zone that this one does not know", configured(&tandemv1.FloorFile{TimeZone: "Harbour/Quay"}), []string{"revision 1", `time zone "Harbour/Quay"`, "tzdata"}},
		{"shifts as a newer program may allow them", configured(&tandemv1.FloorFile{Shifts: []*tandemv1.Shift{{From: "noon", To: "15:00"}}}), []string{"revision 1", "shifts[0].from", "use the program that wrote it"}},
		{"a newer schema", newer, []string{fmt.Sprintf("schema %d was written", floor.Schema+1), "use the newer program"}},
	} {
		err := floor.New().Admit(test.record)
		if len(test.want) == 0 && err != nil {
			t.Errorf("%s: %v", test.name, err)
		}
		for _, want := range test.want {
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %q is not in the error %v", test.name, want, err)
			}
		}
	}
	for want, snap := range map[string]*ledgerv1.Snapshot{
		`the snapshot has a floor file in the time zone "Harbour/Quay"`: {Floor: &tandemv1.FloorFile{TimeZone: "Harbour/Quay"}},
		fmt.Sprintf("the snapshot: schema %d", floor.Schema+1):          {Schema: floor.Schema + 1},
	} {
		if _, err := floor.Restore(snap); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q is not in the error %v", want, err)
		}
	}
}
