package api_test

import (
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"tandem/daemon/api"
	tandemv1 "tandem/proto/tandem/v1"
)

// While the disk hangs a request is told so at once, instead of waiting without a word; a watch, too.
func TestDiskHangs(t *testing.T) {
	var hangs atomic.Bool
	g, s := api.New(nil, api.Options{Hangs: func() error {
		if hangs.Load() {
			return &api.SlowDiskError{Dir: "/srv/floor", For: 12 * time.Second}
		}
		return nil
	}, Plan: func() (*tandemv1.Plan, error) { return &tandemv1.Plan{}, nil }})
	s.SetServing(true)
	conn := serveOn(t, g)
	plan := func() error {
		_, err := tandemv1.NewPlanServiceClient(conn).GetPlan(t.Context(), &tandemv1.GetPlanRequest{})
		return err
	}
	if err := plan(); err != nil {
		t.Fatal(err)
	}
	hangs.Store(true)
	stream, err := tandemv1.NewEventServiceClient(conn).WatchEvents(t.Context(), &tandemv1.WatchEventsRequest{})
	if err == nil {
		_, err = stream.Recv()
	}
	for what, err := range map[string]error{"request": plan(), "watch": err} {
		if info := unavailable(t, err); info.GetReason() != "LEDGER_SLOW" || info.GetMetadata()["data_dir"] != "/srv/floor" || !strings.Contains(err.Error(), "has not stored a record for 12s") {
			t.Errorf("a %s hears %v, %v", what, err, info)
		}
	}
	hangs.Store(false)
	if err := plan(); err != nil {
		t.Errorf("once the disk has answered: %v", err)
	}
}
