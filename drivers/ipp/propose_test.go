//go:build unix

package ipp

import (
	"testing"
	"time"

	"tandem/drivers"
	"tandem/drivers/propose"
)

func at(t *testing.T, address string) drivers.Target {
	t.Helper()
	target, err := drivers.ParseTarget(address)
	if err != nil {
		t.Fatal(err)
	}
	target.Timeout = 10 * time.Second
	return target
}

func TestProposeX(t *testing.T) {
	e := newEve(t)
	d, err := propose.Ask(t.Context(), []drivers.Kind{Kind()}, at(t, e.uri()), "")
	if err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + d.Stanza())
}
