package bus

import (
	"context"
	"sync"
	"testing"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// prompt is a driver whose device completes every run at once.
type prompt struct{}

func (prompt) Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error {
	runs := []*driverv1.RunStatus{}
	for {
		report(&driverv1.Status{
			State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Phase: tandemv1.DevicePhase_DEVICE_PHASE_IDLE, Runs: runs,
		})
		select {
		case o := <-orders:
			if g := o.GetGrant(); g != nil {
				runs = []*driverv1.RunStatus{{
					Run: g.GetRun(), Fence: g.GetFence(), State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: g.GetPieces(), Fraction: 1,
				}}
			}
		case <-ctx.Done():
			return nil
		}
	}
}

// The drivers' own host and this package, through the real server: hello, welcome, grant, completed.
func TestWithTheDriversHost(t *testing.T) {
	eachPath(t, func(t *testing.T, connect func(testing.TB, *Server, ...nats.Option) *nats.Conn) {
		s, l := startServer(t), new(listener)
		l.welcome = func(string) *driverv1.Welcome {
			return &driverv1.Welcome{Period: durationpb.New(patience), Now: timestamppb.Now(), TimeScale: 1}
		}
		b := openBus(t, s, l, Options{})
		kind := drivers.Kind{
			Name: "prompt", New: func(drivers.Env, map[string]string) (drivers.Driver, error) { return prompt{}, nil },
		}
		host, err := drivers.NewHost(kind, drivers.Env{Device: "printer-1", Operations: []string{"print"}}, nil)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		nc := connect(t, s)
		var hosting sync.WaitGroup
		hosting.Go(func() {
			if err := host.Run(ctx, nc); err != nil && ctx.Err() == nil {
				t.Error(err)
			}
		})
		defer hosting.Wait()
		defer cancel()

		eventually(t, "it says hello", func() bool { return len(l.greeted("printer-1")) > 0 })
		eventually(t, "it has read its welcome", func() bool { return len(l.heard("printer-1")) > 0 })
		epoch := l.greeted("printer-1")[0].GetStatus().GetEpoch()
		order := &driverv1.Order{Epoch: epoch, Kind: &driverv1.Order_Grant{Grant: &driverv1.Grant{
			Run: "run-1", Fence: 1, Job: "job-1", Step: "print", Operation: "print", Pieces: 60, MayStart: true,
		}}}
		if a, err := b.Send(ctx, "printer-1", order); err != nil || a.GetRefused() != "" {
			t.Fatalf("got %v %v", a, err)
		}
		eventually(t, "the run is reported completed", func() bool {
			h := l.heard("printer-1")
			if len(h) == 0 || len(h[len(h)-1].GetRuns()) != 1 {
				return false
			}
			r := h[len(h)-1].GetRuns()[0]
			return r.GetRun() == "run-1" && r.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED && r.GetPiecesGood() == 60
		})
		if st := b.Stats(); st.Dropped() != 0 || st.Lost != 0 {
			t.Errorf("got %+v", st)
		}
	})
}
