package main

import (
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	tandemv1 "tandem/proto/tandem/v1"
)

// crew plays the people on the floor. They see what a screen shows, walk, load media and scan; the daemon learns of it
// through the same calls that a station makes.
type crew struct {
	client clients
	file   *tandemv1.FloorFile
	jobs   []string

	seen  map[string]time.Time // what somebody noticed -> when, by the floor's clock
	scans int
	badge bool
	home  bool // nobody is there
}

const (
	// look is how often the crew looks around, in wall time.
	look = 40 * time.Millisecond
	// reaction is how long it takes a person to come to a device that waits, by the floor's clock.
	reaction = 2 * time.Minute
)

// work goes on until every job has ended.
func (c *crew) work(ctx context.Context) error {
	c.seen = map[string]time.Time{}
	tick := time.NewTicker(look)
	defer tick.Stop()
	for {
		done, err := c.lookAround(ctx)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case status.Code(err) == codes.Unavailable: // the daemon opens its ledger anew
		case err != nil:
			return err
		case done:
			return nil
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (c *crew) lookAround(ctx context.Context) (done bool, err error) {
	st, err := c.client.admin.GetStatus(ctx, &tandemv1.GetStatusRequest{})
	if err != nil {
		return false, err
	}
	devices, err := c.client.devices.ListDevices(ctx, &tandemv1.ListDevicesRequest{})
	if err != nil {
		return false, err
	}
	now := st.GetNow().AsTime()
	c.home = st.Operators != nil && st.GetOperators() == 0
	for _, d := range devices.GetDevices() {
		for _, r := range d.GetRuns() {
			if err := c.attend(ctx, now, d, r); err != nil {
				return false, err
			}
		}
	}
	for _, id := range c.jobs {
		j, err := c.client.jobs.GetJob(ctx, &tandemv1.GetJobRequest{Id: id})
		if err != nil {
			return false, err
		}
		if j.GetEndTime() == nil {
			return false, nil
		}
	}
	return true, nil
}

// noticed says whether somebody has had time to come since a thing was first seen.
func (c *crew) noticed(now time.Time, what string) bool {
	at, ok := c.seen[what]
	if !ok {
		c.seen[what] = now
		return false
	}
	return now.Sub(at) >= reaction
}

// attend does what a run on a device needs a person for.
func (c *crew) attend(ctx context.Context, now time.Time, d *tandemv1.Device, r *tandemv1.DeviceRun) error {
	has := func(reason string) bool { return slices.Contains(r.GetStateReasons(), reason) }
	manual := d.GetDriver().GetManual()
	handWork := manual && r.GetOperation() != "dry" && r.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING
	switch {
	case c.home && !handWork: // what somebody has begun by hand they finish before they go
		return nil
	case has("x-outcome-unknown"):
		return c.resolve(ctx, now, d, r)
	case has("x-media-mismatch") || has("x-lot-too-short"):
		if c.noticed(now, r.GetRun()+" load") {
			return c.load(ctx, d, r)
		}
	case has("x-awaiting-start") && c.noticed(now, r.GetRun()+" start"):
		return c.scan(ctx, d, r)
	case has("x-drying") && c.noticed(now, r.GetRun()+" rack"):
		return c.rack(ctx, d, r)
	case handWork && !now.Before(r.GetExpectedEndTime().AsTime()):
		return c.scan(ctx, d, r)
	}
	return nil
}

// load puts a roll of what its run needs on the device: the fullest on the shelf, or a new one.
func (c *crew) load(ctx context.Context, d *tandemv1.Device, r *tandemv1.DeviceRun) error {
	j, err := c.client.jobs.GetJob(ctx, &tandemv1.GetJobRequest{Id: r.GetJob()})
	if err != nil {
		return err
	}
	at := slices.IndexFunc(j.GetSteps(), func(s *tandemv1.Step) bool { return s.GetId() == r.GetStep() })
	need := j.GetSteps()[at].GetFilm()
	if need == "" {
		need = j.GetSteps()[at].GetMedia()
	}
	lots, err := c.client.material.ListLots(ctx, &tandemv1.ListLotsRequest{Media: need, PageSize: 1000})
	if err != nil {
		return err
	}
	var best *tandemv1.Lot
	for _, l := range lots.GetLots() {
		if l.GetDevice() == "" && l.GetRemainingUm() > best.GetRemainingUm() {
			best = l
		}
	}
	load := &tandemv1.LoadMediaRequest{Id: d.GetId(), Lot: best.GetId(), RequestId: "demo-load-" + r.GetRun(), Actor: c.person()}
	if reach := j.GetSteps()[at].GetLengthUm(); best == nil || best.GetRemainingUm() < reach {
		fresh, err := c.client.material.ReceiveLot(ctx, &tandemv1.ReceiveLotRequest{
			Lot: &tandemv1.Lot{Media: need}, RequestId: "demo-roll-" + r.GetRun(), Actor: c.person(),
		})
		switch {
		case status.Code(err) == codes.InvalidArgument: // the floor file does not say how long a roll is: no account is kept
			load.Lot, load.Media = "", need
		case err != nil:
			return expected(err)
		default:
			load.Lot = fresh.GetId()
		}
	}
	_, err = c.client.devices.LoadMedia(ctx, load)
	return expected(err)
}

// scan brings every panel of a run to its device: the first scan starts or ends the run.
func (c *crew) scan(ctx context.Context, d *tandemv1.Device, r *tandemv1.DeviceRun) error {
	return c.pull(ctx, d.GetId(), r.GetPanelCodes()[0])
}

// rack notes where each panel dries.
func (c *crew) rack(ctx context.Context, d *tandemv1.Device, r *tandemv1.DeviceRun) error {
	what := r.GetRun() + " racked"
	if _, done := c.seen[what]; done {
		return nil
	}
	c.seen[what] = time.Time{}
	for _, panel := range r.GetPanelCodes() {
		if err := c.pull(ctx, d.GetId(), panel); err != nil {
			return err
		}
	}
	return nil
}

// pull is one pull of the trigger at the station beside a device, after the badge has been scanned there once.
func (c *crew) pull(ctx context.Context, device, payload string) error {
	if !c.badge {
		file, err := c.client.admin.GetFloor(ctx, &tandemv1.GetFloorRequest{})
		if err != nil {
			return err
		}
		c.file, c.badge = file, true
	}
	for _, p := range []string{c.badgeCode(), payload} {
		if p == "" {
			continue
		}
		c.scans++
		_, err := c.client.scans.RecordScan(ctx, &tandemv1.RecordScanRequest{
			Station: "at-" + device, Device: device, Payload: p, ScanId: fmt.Sprintf("%d-%d", time.Now().UnixNano(), c.scans),
		})
		if err != nil {
			return expected(err)
		}
	}
	return nil
}

// resolve is a person who has looked at the machine: what it was heard to have made counts, the rest is made again.
func (c *crew) resolve(ctx context.Context, now time.Time, d *tandemv1.Device, r *tandemv1.DeviceRun) error {
	if d.GetLink() != tandemv1.Link_LINK_ONLINE || !c.noticed(now, r.GetRun()+" resolve") {
		return nil // its driver may still tell
	}
	_, err := c.client.devices.ResolveRun(ctx, &tandemv1.ResolveRunRequest{
		Run: r.GetRun(), Outcome: tandemv1.ResolveRunRequest_OUTCOME_KEEP, PiecesGood: r.GetPiecesGood(),
		Note: "counted at the machine", RequestId: "demo-resolve-" + r.GetRun(), Actor: c.person(),
	})
	return expected(err)
}

func (c *crew) person() string {
	if people := c.file.GetPeople(); len(people) > 0 {
		return people[0].GetId()
	}
	return "crew"
}

func (c *crew) badgeCode() string {
	if people := c.file.GetPeople(); len(people) > 0 {
		return people[0].GetCode()
	}
	return ""
}

// expected drops errors that only say that the floor has moved on since the crew looked.
func expected(err error) error {
	switch status.Code(err) {
	case codes.FailedPrecondition, codes.NotFound, codes.AlreadyExists:
		return nil
	}
	return err
}
