package bus

import (
	"math/rand/v2"
	"strconv"
	"testing"
	"time"
)

var start = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)

func numbered(n int, hello bool) arrival {
	return arrival{hello: hello, body: strconv.AppendInt(nil, int64(n), 10)}
}

func drain(t *testing.T, in *inbox, now time.Time) (got []string, wait time.Duration) {
	t.Helper()
	for {
		a, wait, ok := in.next(now)
		if !ok || wait > 0 {
			return got, wait
		}
		got = append(got, string(a.body))
	}
}

func TestInboxKeepsOrderWithinTheRate(t *testing.T) {
	in := newInbox(50, 100)
	for i := range inboxRoom {
		started, coalesced := in.put(numbered(i, i%3 == 0), start)
		if started != (i == 0) || coalesced != 0 {
			t.Fatalf("message %d: start %t, coalesced %d", i, started, coalesced)
		}
	}
	got, wait := drain(t, &in, start)
	if len(got) != inboxRoom || wait != 0 {
		t.Fatalf("got %v, wait %s", got, wait)
	}
	for i, s := range got {
		if s != strconv.Itoa(i) {
			t.Fatalf("got %v", got)
		}
	}
	if in.floods(start) {
		t.Error("a few messages are called a flood")
	}
	if started, _ := in.put(numbered(9, false), start); !started {
		t.Error("after the worker has ended, the next message starts none")
	}
}

func TestInboxOfASlowListenerKeepsTheNewest(t *testing.T) {
	in := newInbox(50, 100)
	total := 0
	for i := range 60 {
		_, coalesced := in.put(numbered(i, false), start)
		total += coalesced
	}
	got, _ := drain(t, &in, start)
	if len(got) != inboxRoom+1 || got[inboxRoom-1] != strconv.Itoa(inboxRoom-1) || got[inboxRoom] != "59" {
		t.Fatalf("got %v", got)
	}
	if total != 60-len(got) {
		t.Errorf("%d coalesced of %d", total, 60-len(got))
	}
	if in.floods(start) {
		t.Error("the device is blamed for a slow listener")
	}
}

func TestInboxOverTheRateDeliversTheNewestWhenATokenIsThere(t *testing.T) {
	in := newInbox(50, 2)
	for i := range 10 {
		in.put(numbered(i, false), start)
	}
	got, wait := drain(t, &in, start)
	if len(got) != 2 || wait <= 0 || wait > time.Second/50 {
		t.Fatalf("got %v and wait %s", got, wait)
	}
	in.put(numbered(10, false), start.Add(wait/2)) // arrives while the worker waits
	got, wait = drain(t, &in, start.Add(wait))
	if len(got) != 1 || got[0] != "10" || wait != 0 {
		t.Fatalf("got %v and wait %s", got, wait)
	}
	if !in.floods(start.Add(floodMemory/2)) || in.floods(start.Add(2*floodMemory)) {
		t.Error("the flood is not named, or for ever")
	}
}

func TestInboxHelloSupersedesStatusesBeforeItOnly(t *testing.T) {
	in := newInbox(50, 1)
	in.put(numbered(0, false), start) // takes the only token
	total := 0
	for i, hello := range []bool{false, true, false, true, false, false} {
		_, coalesced := in.put(numbered(i+1, hello), start)
		total += coalesced
	}
	got, _ := drain(t, &in, start)
	for now := start; len(got) < 3; now = now.Add(time.Second) {
		more, _ := drain(t, &in, now)
		got = append(got, more...)
	}
	if got[0] != "0" || got[1] != "4" || got[2] != "6" || total != 4 {
		t.Fatalf("got %v, %d coalesced", got, total)
	}
}

// Whatever comes whenever: order is kept, every message is delivered or counted, the last always arrives, and a
// listener is called no more often than the rate permits.
func TestInboxUnderRandomTraffic(t *testing.T) {
	for seed := range uint64(300) {
		random := rand.New(rand.NewPCG(seed, 1))
		burst := 1 + random.IntN(20)
		perSecond := 1 + random.Float64()*100
		in := newInbox(perSecond, burst)
		now, sent, coalesced, delivered, last := start, 0, 0, 0, -1
		take := func() bool {
			a, wait, ok := in.next(now)
			if !ok {
				return false
			}
			if wait > 0 {
				now = now.Add(wait)
				return true
			}
			n, err := strconv.Atoi(string(a.body))
			if err != nil || n <= last {
				t.Fatalf("seed %d: %q after %d", seed, a.body, last)
			}
			last = n
			delivered++
			return true
		}
		for range 500 {
			switch random.IntN(4) {
			case 0:
				take()
			case 1:
				now = now.Add(time.Duration(random.Int64N(int64(50 * time.Millisecond))))
			default:
				_, n := in.put(numbered(sent, random.IntN(5) == 0), now)
				sent++
				coalesced += n
			}
		}
		for take() {
		}
		if sent != delivered+coalesced || last != sent-1 {
			t.Fatalf("seed %d: %d sent, %d delivered, %d coalesced, last %d", seed, sent, delivered, coalesced, last)
		}
		if most := float64(burst) + perSecond*now.Sub(start).Seconds() + 1; float64(delivered) > most {
			t.Fatalf("seed %d: %d delivered, at most %.1f permitted", seed, delivered, most)
		}
	}
}
