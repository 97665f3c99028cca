package main

import (
	"context"
	"testing"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	tandemv1 "tandem/proto/tandem/v1"
)

// A daemon makes reports from its own history: what was answered a moment ago is in them.
func TestReportsOfADaemon(t *testing.T) {
	cfg := daemonConfig{DataDir: t.TempDir(), Listen: "127.0.0.1:0", TimeScale: 1, Log: zap.NewNop(), File: &tandemv1.FloorFile{
		TimeZone: "Europe/Berlin",
		Devices:  []*tandemv1.Device{{Id: "bench", Driver: &tandemv1.Driver{Kind: "operator", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "pack"}}}},
	}}
	ctx, cancel := context.WithCancel(context.Background())
	at, ended := make(chan address, 1), make(chan error, 1)
	go func() { ended <- serve(ctx, cfg, func(a address) { at <- a }) }()
	defer func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}()
	var a address
	select {
	case a = <-at:
	case err := <-ended:
		ended <- err
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(a.API, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := tandemv1.NewJobServiceClient(conn).CreateJob(t.Context(), &tandemv1.CreateJobRequest{
		Job: &tandemv1.Job{Id: "signs", Pieces: 3, Steps: []*tandemv1.Step{{Id: "pack", Operation: "pack"}}}, RequestId: "1", Actor: "mira",
	}); err != nil {
		t.Fatal(err)
	}
	reports := tandemv1.NewReportServiceClient(conn)
	jobs, err := reports.GetJobReport(t.Context(), &tandemv1.GetJobReportRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if p := jobs.GetPeriods(); len(p) != 1 || p[0].GetAccepted() != 1 || p[0].GetOpen() != 1 || jobs.GetSource().GetTimeZone() != "Europe/Berlin" {
		t.Errorf("jobs: %v", jobs)
	}
	devices, err := reports.GetDeviceReport(t.Context(), &tandemv1.GetDeviceReportRequest{Devices: []string{"bench"}})
	if err != nil || len(devices.GetPeriods()) != 1 || devices.GetPeriods()[0].GetDevice() != "bench" {
		t.Errorf("devices: %v, %v", devices, err)
	}
	if _, err := reports.GetWasteReport(t.Context(), &tandemv1.GetWasteReportRequest{}); err != nil {
		t.Error(err)
	}
	if _, err := reports.GetNightReport(t.Context(), &tandemv1.GetNightReportRequest{}); err != nil {
		t.Error(err)
	}
}
