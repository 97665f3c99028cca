package ipp

import (
	"sync/atomic"
	"testing"

	"tandem/drivers"
)

type atomicInt = atomic.Int64

// clientFor is a client of somebody who is not the driver.
func clientFor(t *testing.T, uri string) *client {
	t.Helper()
	v := drivers.ReadSettings(known(), map[string]string{"uri": uri, "requesting-user": "somebody"})
	c := newClient(v)
	if err := v.Err(); err != nil {
		t.Fatal(err)
	}
	return c
}

// cancelByHand cancels a job as somebody at the printer would.
func cancelByHand(t *testing.T, uri, name string) {
	t.Helper()
	c := clientFor(t, uri)
	jobs, err := c.jobs(t.Context(), "not-completed")
	if err != nil {
		t.Fatal(err)
	}
	for _, j := range jobs {
		if j.name == name {
			if err := c.cancel(t.Context(), j.id); err != nil {
				t.Fatal(err)
			}
			return
		}
	}
	t.Fatalf("no job %s among %d", name, len(jobs))
}
