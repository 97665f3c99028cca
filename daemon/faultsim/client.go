package faultsim

import (
	"crypto/sha256"
	"errors"
	"time"

	"tandem/daemon/engine"
	"tandem/scheduler/floor"
)

// retryAfter is how long a client waits for an answer before it asks again with the same request id.
const retryAfter = 2 * time.Second

// client asks for one thing until it has an answer.
type client struct {
	w       *World
	meta    floor.Meta
	command func() floor.Command
	then    func() // once it is done; nil: nothing
	done    bool
	tries   int
}

// ask lets somebody ask for something, again and again until there is an answer.
func (w *World) ask(actor, id string, command func() floor.Command) *client {
	c := &client{w: w, meta: metaOf(actor, id), command: command}
	w.clients = append(w.clients, c)
	c.try()
	return c
}

// metaOf is that of a request whose id says all that is asked.
func metaOf(actor, id string) floor.Meta {
	sum := sha256.Sum256([]byte(id))
	return floor.Meta{Actor: actor, RequestID: id, Fingerprint: sum[:]}
}

func (c *client) try() {
	if c.done {
		return
	}
	w := c.w
	c.tries++
	luck := w.luck("clients")
	lost, twice, away, back := luck.Below(1000), luck.Below(1000), luck.Float(), luck.Float()
	delay := func(share float64) time.Duration { return time.Duration(share * float64(30*time.Millisecond)) }
	if d := w.leader; d != nil && (lost >= w.plan.Loss || !w.inTrouble()) {
		send := func() {
			d.enter(func() {
				// Of two copies under way one may be refused and the other, decided later, carried out.
				books := w.books
				before := books.rules.done[c.meta.RequestID]
				d.s.Do(c.meta, c.command(), func(r engine.Result, err error) {
					d.leave(func() {
						if lost := luck.Below(1000); lost >= w.plan.Loss || !w.inTrouble() {
							w.in(delay(back), func() { c.answered(books, before, r, err) })
							d.maybeDie(afterAnswer)
						}
					})
				})
			})
		}
		w.in(delay(away), send)
		if twice < w.plan.Twice && w.inTrouble() {
			w.in(delay(away)+delay(back), send)
		}
	}
	w.in(retryAfter, c.try)
}

// answered takes an answer. What has been said once stays so: what was carried out before it was asked for again is not refused.
// An answer of a ledger that is lost is one, and nothing to hold another against.
func (c *client) answered(books *books, before bool, r engine.Result, err error) {
	w := c.w
	var refused *floor.Error
	switch {
	case c.done:
	case errors.As(err, &refused):
		c.done = true
		w.trace("%s is refused: %v", c.meta.RequestID, err)
		if refused.Reason == "REQUEST_ID_REUSED" || before && books == w.books {
			w.fail("%s is refused: %v; carried out before: %v", c.meta.RequestID, err, before)
		}
	case err != nil: // the daemon has stopped: ask again
	default:
		c.done = true
		w.trace("%s is answered with %s at revision %d", c.meta.RequestID, r.Subject, r.Revision)
		if (len(r.Events) > 0 || r.Replayed) && books == w.books {
			w.books.acked = append(w.books.acked, &request{id: c.meta.RequestID, print: c.meta.Fingerprint, subject: r.Subject, revision: r.Revision})
		}
		if c.then != nil {
			c.then()
		}
	}
}
