package main

import (
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

// The answer to a ticket is lost, and its sender tries again: at once and a hundred times over, by mistake with another ticket, and once more
// after more than three days and a restart. There is one job, all answers are the same, and the mistake is named.
func TestSubmitIsRetriedAfterALostReply(t *testing.T) {
	t.Parallel()
	const days = 4
	s := newScene(t, shopOf(cutter("cutter-1", false, "")), func(cfg *daemonConfig) {
		cfg.TimeScale, cfg.Begin = 100, time.Now().Add(-days*24*time.Hour)
	})
	request := &tandemv1.CreateJobRequest{Job: decals(), RequestId: "ticket-17"}
	first, err := s.jobs.CreateJob(t.Context(), request)
	if err != nil {
		t.Fatal(err)
	}
	revision := s.status().GetRevision()
	copies := func(when string) {
		var all sync.WaitGroup
		for range 100 {
			all.Go(func() {
				if again, err := s.jobs.CreateJob(t.Context(), request); err != nil || !proto.Equal(again, first) {
					t.Errorf("%s: %v, %v; want %v", when, again, err, first)
				}
			})
		}
		all.Wait()
		other := decals()
		other.Pieces = 61
		_, err := s.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: other, RequestId: "ticket-17"})
		info := &errdetails.ErrorInfo{}
		for _, d := range status.Convert(err).Details() {
			if i, ok := d.(*errdetails.ErrorInfo); ok {
				info = i
			}
		}
		if status.Code(err) != codes.AlreadyExists || info.GetReason() != "REQUEST_ID_REUSED" {
			t.Errorf("%s: another ticket under the same request is answered with %v, %v", when, err, info)
		}
		list, err := s.jobs.ListJobs(t.Context(), &tandemv1.ListJobsRequest{})
		if err != nil || len(list.GetJobs()) != 1 || list.GetJobs()[0].GetPieces() != 60 {
			t.Errorf("%s: the jobs are %v, %v", when, list, err)
		}
	}
	copies("at once")
	if got := s.status().GetRevision(); got > revision+20 { // the floor lives on, but not by a hundred records
		t.Errorf("the copies have made the ledger grow from %d to %d", revision, got)
	}
	// The daemon that starts now goes by the wall's clock, days ahead of the one before.
	taken := s.status().GetNow().AsTime()
	s.stop()
	s.cfg.TimeScale = 1
	s.open()
	if passed := s.status().GetNow().AsTime().Sub(taken); passed < 3*24*time.Hour {
		t.Fatalf("only %v have passed", passed)
	}
	copies("days later, after a restart")
}
