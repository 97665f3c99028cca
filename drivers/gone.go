package drivers

// mostGone is how many runs that are no longer in hand are remembered.
const mostGone = 1024

// fate says why a run is not in hand.
type fate int

const (
	never     fate = iota + 1 // refused, or stopped before it came: it has not begun and never will
	settled                   // the daemon has recorded its end
	evicted                   // it ended long ago, and there was no room for it
	forgotten                 // the device has been reset
)

// goneRuns remembers the last runs that are not in hand any more, so that a late grant does not bring one back.
type goneRuns struct {
	fates map[string]fate
	order []string // a ring of the runs in fates
	next  int
}

// add notes a run's fate. A run that was in hand once does not become one that never was.
func (g *goneRuns) add(run string, f fate) {
	if g.fates == nil {
		g.fates = make(map[string]fate)
	}
	if _, ok := g.fates[run]; ok {
		if f != never {
			g.fates[run] = f
		}
		return
	}
	g.fates[run] = f
	if len(g.order) < mostGone {
		g.order = append(g.order, run)
		return
	}
	delete(g.fates, g.order[g.next])
	g.order[g.next] = run
	g.next = (g.next + 1) % mostGone
}

// fate returns why a run is gone, or 0.
func (g *goneRuns) fate(run string) fate { return g.fates[run] }
