package bus

import (
	"sync"
	"sync/atomic"
	"time"
)

// floodMemory is how long a device counts as a flooder after it was last over its rate.
const floodMemory = 10 * time.Second

// A driver that has been replaced may have left a few words on their way. One that still speaks rivalAfter later is no rest of the past:
// two drivers are at one device. It counts as such for rivalMemory after its last word.
const (
	rivalAfter  = 3 * time.Second
	rivalMemory = 10 * time.Second
)

// cause is why a message went no further.
type cause int

const (
	causeCoalesced cause = iota
	causeMalformed
	causeSize
	causeEpoch
	causeSequence
	causeReply
	causes
)

func (c cause) String() string {
	return [causes]string{"coalesced", "malformed", "too large", "old epoch", "old sequence", "bad reply subject"}[c]
}

type counts struct {
	received, delivered, badAnswers atomic.Uint64
	rival                           rival

	dropped [causes]atomic.Uint64
}

func (c *counts) totalDropped() uint64 {
	var sum uint64
	for i := range c.dropped {
		sum += c.dropped[i].Load()
	}
	return sum
}

// rival is a driver that speaks though another has spoken for its device since.
type rival struct {
	mu         sync.Mutex
	from, last time.Time // of its words; a longer pause than rivalMemory begins anew
}

func (r *rival) spoke(now time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if now.Sub(r.last) > rivalMemory {
		r.from = now
	}
	r.last = now
}

func (r *rival) there(now time.Time) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return now.Sub(r.last) < rivalMemory && r.last.Sub(r.from) >= rivalAfter
}

// Stats count messages since the bus was opened.
type Stats struct {
	// Devices of the floor in the order of their ids.
	Devices []DeviceStats
	// BadSubject counts messages whose subject does not end in a device id.
	BadSubject uint64
	// Unknown counts messages for devices that the floor does not have.
	Unknown uint64
	// Lost counts messages that NATS dropped because this process did not get to read them.
	Lost uint64
	// Flooders are the devices that have been over their rate in the last 10 s, in the order of their ids.
	Flooders []string
	// Rivals are the devices for which two drivers speak, in the order of their ids: the older one is not heard.
	Rivals []string
}

// DeviceStats count the messages of a device. Received = Delivered + the dropped ones + at most a few that wait.
type DeviceStats struct {
	// Device is the id.
	Device string
	// Received counts hellos and statuses.
	Received uint64
	// Delivered counts those that the handlers took.
	Delivered uint64
	// Coalesced counts those that gave way to a newer one, by rate or because the handler was slow. No truth is lost.
	Coalesced uint64
	// Malformed counts bodies that are not what they should be.
	Malformed uint64
	// TooLarge counts bodies over MaxBody.
	TooLarge uint64
	// OldEpoch counts those from before a driver's restart.
	OldEpoch uint64
	// OldSequence counts repeated and late ones.
	OldSequence uint64
	// BadReply counts hellos that cannot be answered: no reply subject, or one outside the drivers' inboxes.
	BadReply uint64
	// BadAnswers counts answers to orders that are not what they should be. They are not in Received.
	BadAnswers uint64
}

// Dropped counts messages that were wrong: old, repeated, malformed, too large or from nobody known. Coalesced ones are
// not among them.
func (s Stats) Dropped() uint64 {
	sum := s.BadSubject + s.Unknown
	for _, d := range s.Devices {
		sum += d.Malformed + d.TooLarge + d.OldEpoch + d.OldSequence + d.BadReply
	}
	return sum
}

// Stats returns the counters of now.
func (b *Bus) Stats() Stats {
	s := Stats{
		Devices:    make([]DeviceStats, 0, len(b.ids)),
		BadSubject: b.stray.badSubject.Load(),
		Unknown:    b.stray.unknown.Load(),
	}
	for _, sub := range b.subs {
		// It fails only if the connection is closed.
		if lost, err := sub.Dropped(); err == nil {
			s.Lost += uint64(lost)
		}
	}
	now := time.Now()
	for _, id := range b.ids {
		d := b.devices[id]
		c := &d.counts
		s.Devices = append(s.Devices, DeviceStats{
			Device:      id,
			Received:    c.received.Load(),
			Delivered:   c.delivered.Load(),
			Coalesced:   c.dropped[causeCoalesced].Load(),
			Malformed:   c.dropped[causeMalformed].Load(),
			TooLarge:    c.dropped[causeSize].Load(),
			OldEpoch:    c.dropped[causeEpoch].Load(),
			OldSequence: c.dropped[causeSequence].Load(),
			BadReply:    c.dropped[causeReply].Load(),
			BadAnswers:  c.badAnswers.Load(),
		})
		if d.in.floods(now) {
			s.Flooders = append(s.Flooders, id)
		}
		if c.rival.there(now) {
			s.Rivals = append(s.Rivals, id)
		}
	}
	return s
}
