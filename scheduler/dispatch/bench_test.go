package dispatch

import (
	"fmt"
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// BenchmarkGrant measures "a device has freed up -> the next grant is decided and applied" with a thousand devices of two
// speeds, all busy, and ever more steps waiting for them: eight media, a width for each job, due times over two weeks.
// Beside the cost it reports the ratio to the smallest size and what growth with the logarithm of the waiting steps would
// be.
func BenchmarkGrant(b *testing.B) {
	sizes := []int{1_000, 10_000, 100_000}
	if testing.Short() {
		sizes = sizes[:2]
	}
	costs := map[int]float64{} // each size runs several times until the figure is steady: the last counts
	for _, n := range sizes {
		b.Run(fmt.Sprintf("waiting=%d", n), func(b *testing.B) {
			s := newSaturated(b, n)
			b.ResetTimer()
			for i := range b.N {
				s.freeOne(b, i)
			}
			costs[n] = float64(b.Elapsed().Nanoseconds()) / float64(b.N)
			b.ReportMetric(costs[n]/costs[sizes[0]], "ratio")
			b.ReportMetric(math.Log2(float64(n))/math.Log2(float64(sizes[0])), "log-ratio")
		})
	}
}

// saturated is a floor on which every device is busy.
type saturated struct {
	floor    *floor.Floor
	dispatch *Dispatch
	now      time.Time
	busy     []*floor.Run
	made     int
}

const benchDevices = 1000

func newSaturated(b *testing.B, waiting int) *saturated {
	s := &saturated{floor: floor.New(), dispatch: New(EarliestCompletion), now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}
	file := &tandemv1.FloorFile{}
	for i := range benchDevices {
		file.Devices = append(file.Devices, &tandemv1.Device{
			Id: fmt.Sprintf("printer-%d", i), Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"},
			LoadedMedia: fmt.Sprintf("media-%d", i%8),
			Abilities: []*tandemv1.Ability{{
				Operation: "print", PerPiece: durationpb.New(time.Duration(1+i%2) * time.Second), Setup: durationpb.New(time.Minute),
				MediaChangeover: durationpb.New(8 * time.Minute), MaxWidthUm: int64(1_370_000 + 230_000*(i%2)),
			}},
		})
	}
	s.do(b, floor.BeginTerm{})
	s.do(b, floor.Configure{File: file})
	for i := range waiting + benchDevices {
		s.addJob(b, i)
	}
	for _, d := range s.floor.Devices {
		s.do(b, floor.Greet{Device: d.ID, Status: &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE}})
	}
	for s.grant(b) {
	}
	if len(s.busy) != benchDevices {
		b.Fatalf("%d devices are busy, want all %d", len(s.busy), benchDevices)
	}
	return s
}

func (s *saturated) addJob(b *testing.B, i int) {
	s.made++
	s.do(b, floor.CreateJob{Job: &tandemv1.Job{
		Id: fmt.Sprintf("job-%d", s.made), Pieces: int32(50 + i*7919%500), Priority: int32(1 + i*31%100),
		DueTime: timestamppb.New(s.now.Add(time.Duration(i*104729%20160) * time.Minute)),
		Steps: []*tandemv1.Step{{
			Id: "print", Operation: "print", Media: fmt.Sprintf("media-%d", i*613%8), WidthUm: int64(300_000 + i*10),
		}},
	}})
}

func (s *saturated) do(b *testing.B, c floor.Command) {
	d, err := s.floor.Decide(s.now, floor.Meta{Actor: "bench"}, c)
	if err != nil {
		b.Fatal(err)
	}
	for _, e := range d.Events {
		s.floor.Apply(s.floor.Revision+1, s.now, e)
	}
}

func (s *saturated) grant(b *testing.B) bool {
	g, ok := s.dispatch.Next(s.floor, s.now)
	if ok {
		s.do(b, g)
		s.busy = append(s.busy, g.Step.Live)
	}
	return ok
}

// freeOne ends the oldest run, lets a job arrive so that as many wait as before, and grants.
func (s *saturated) freeOne(b *testing.B, i int) {
	r := s.busy[0]
	s.busy = s.busy[1:]
	s.now = s.now.Add(time.Second)
	s.do(b, floor.Report{Device: r.Device.ID, Status: &driverv1.Status{
		Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE,
		Runs: []*driverv1.RunStatus{{Run: r.ID, Fence: r.Fence, State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: r.Pieces}},
	}})
	s.addJob(b, i)
	if !s.grant(b) {
		b.Fatal("a device is free, steps wait, and nothing is granted")
	}
}
