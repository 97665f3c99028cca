package main

import (
	"fmt"
	"time"
)

// clockMayBeBehind is how far a clock may be set back before people are told: time servers correct by less.
const clockMayBeBehind = 30 * time.Second

// clockBehind says what people should know of a clock that is behind the ledger's last record. The floor's time never goes back, so
// it stands still until the clock has caught up; it is as if the shop were stopped, and nothing else shows why.
func clockBehind(now, last time.Time) []string {
	gap := last.Sub(now)
	if last.IsZero() || gap <= clockMayBeBehind {
		return nil
	}
	return []string{fmt.Sprintf("this computer's clock says %s, which is %s before the ledger's last record: the floor's clock stands still until then, and drying, shifts and dates with it: set the computer's clock if it is wrong; if it was ahead when that record was made, wait, or go back to a backup from before",
		now.UTC().Format("2006-01-02 15:04 MST"), gap.Round(time.Second))}
}
