package main

import (
	"fmt"
	"time"
)

// clockMayDiffer is how far clocks may be apart before people are told: time servers correct by less.
const clockMayDiffer = 30 * time.Second

// clockTrouble says what people should know of a clock that is wrong: floor is what the floor's clock shows, wall what the computer's
// does, last the time of the ledger's last record, zero if there is none.
//
// The floor's clock runs by itself from the daemon's start, and never goes back behind a record. So it follows no clock that is set
// right later, as a time server does with that of a computer whose battery is flat, and it stands still while the computer sleeps: who
// looks at dates, shifts and drying sees nothing of that.
func clockTrouble(floor, wall, last time.Time) (out []string) {
	const layout = "2006-01-02 15:04 MST"
	if ahead := wall.Sub(floor).Round(time.Second); ahead > clockMayDiffer {
		out = append(out, fmt.Sprintf("this computer's clock says %s, %s ahead of the floor's: it was set, or the computer slept, since the daemon was started, and the floor's clock does not jump: drying, shifts and dates go by the old time; if the computer's clock is right now, stop the daemon and start it again",
			wall.UTC().Format(layout), ahead))
	} else if -ahead > clockMayDiffer {
		out = append(out, fmt.Sprintf("this computer's clock was set back by %s since the daemon was started, to %s: the floor's clock goes on as before; set the computer's clock if it is wrong now; if it was wrong before, the floor's clock is ahead, and stands still for so long from the daemon's next start on",
			-ahead, wall.UTC().Format(layout)))
	}
	if behind := last.Sub(wall); !last.IsZero() && behind > clockMayDiffer {
		out = append(out, fmt.Sprintf("this computer's clock says %s, which is %s before the ledger's last record: the floor's clock stands still until then, and drying, shifts and dates with it: if the clock is wrong, set it, and start the daemon again; if it was ahead when that record was made, wait, or go back to a backup from before",
			wall.UTC().Format(layout), behind.Round(time.Second)))
	}
	return out
}
