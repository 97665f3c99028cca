package agenda

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// Whatever is entered in whatever order comes out by time, and by turn where times are equal.
func TestOrder(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		var a Agenda[int]
		type event struct {
			at int64
			id int
		}
		var want []event // what is to come, in the order in which it was entered
		now, id := int64(0), 0
		for range 200 {
			if r.IntN(3) > 0 || len(want) == 0 {
				e := event{now + r.Int64N(8), id}
				id++
				a.Add(e.at, e.id)
				want = append(want, e)
			} else {
				first := 0
				for i, e := range want {
					if e.at < want[first].at {
						first = i
					}
				}
				if at, ok := a.Next(); r.IntN(2) == 0 && (!ok || at != want[first].at) {
					t.Fatalf("next is at %d, want %d", at, want[first].at)
				}
				at, got, ok := a.Take()
				if !ok || at != want[first].at || got != want[first].id {
					t.Fatalf("took %d at %d, want %d at %d", got, at, want[first].id, want[first].at)
				}
				now = at
				want = slices.Delete(want, first, first+1)
			}
			if a.Len() != len(want) {
				t.Fatalf("%d events are to come, want %d", a.Len(), len(want))
			}
		}
	}
}

func TestEmpty(t *testing.T) {
	var a Agenda[string]
	if _, _, ok := a.Take(); ok {
		t.Error("an empty agenda gives an event")
	}
	a.Add(3, "x")
	a.Take()
	if _, ok := a.Next(); ok || a.Len() != 0 {
		t.Error("an event is still there after it was taken")
	}
	a.Add(1, "y")
	if at, what, ok := a.Take(); !ok || at != 1 || what != "y" {
		t.Errorf("got %q at %d, %v", what, at, ok)
	}
}

// What was taken is not held on to: a simulation that runs for a year must not keep what happened in it.
func TestLetsGo(t *testing.T) {
	var a Agenda[*int]
	for i := range 5 {
		a.Add(int64(i), new(int))
	}
	for range 5 {
		a.Take()
	}
	a.Next()
	for _, e := range a.heap[:cap(a.heap)] {
		if e.what != nil {
			t.Fatal("an event that was taken is still pointed at")
		}
	}
}

func BenchmarkHold(b *testing.B) {
	var a Agenda[int32]
	r := rand.New(rand.NewPCG(1, 2))
	for i := range 20 {
		a.Add(r.Int64N(1000), int32(i))
	}
	for b.Loop() {
		at, what, _ := a.Take()
		a.Add(at+int64(uint64(what)*2654435761%1000), what)
	}
}
