package api_test

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/forecast"
	"tandem/daemon/mirror"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// withForecasts runs a forecaster beside the engine, before the API is served anew with it.
func (d *daemon) withForecasts() tandemv1.ForecastServiceClient {
	d.tb.Helper()
	copied := mirror.New(d.engine, time.Now, nil)
	d.dates = forecast.New(copied, forecast.Options{Every: 10 * time.Millisecond, Duty: 1})
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() { copied.Run(ctx) })
	running.Go(func() { d.dates.Run(ctx) })
	d.tb.Cleanup(func() { cancel(); running.Wait() })
	d.tb.Cleanup(d.serveAPI())
	for _, device := range shopFile.GetDevices() {
		if _, err := d.engine.Hello(d.ctx(), device.GetId(), &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE}); err != nil {
			d.tb.Fatal(err)
		}
	}
	return tandemv1.NewForecastServiceClient(d.conn)
}

func cutJob(id string, pieces int32, due time.Duration) *tandemv1.Job {
	return &tandemv1.Job{Id: id, Pieces: pieces, DueTime: timestamppb.New(time.Now().Add(due)), Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}
}

func TestForecasts(t *testing.T) {
	d := newDaemon(t)
	client := d.withForecasts()
	stream, err := client.WatchForecasts(d.ctx(), &tandemv1.WatchForecastsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	// Two hours of cutting on each of two cutters, and one that is due before that.
	for id, due := range map[string]time.Duration{"early": time.Hour, "easy": 30 * time.Hour} {
		if _, err := d.jobs.CreateJob(d.ctx(), &tandemv1.CreateJobRequest{Job: cutJob(id, 7200, due), Actor: "mira"}); err != nil {
			t.Fatal(err)
		}
	}
	dates := map[string]*tandemv1.Forecast{}
	for dates["early"] == nil || dates["easy"] == nil {
		m, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		for _, j := range m.GetForecasts() {
			dates[j.GetJob()] = j.GetForecast()
		}
	}
	if early := dates["early"]; early.GetLateRisk() < 0.8 || early.GetSlack().AsDuration() > 0 || early.GetP90Time() == nil {
		t.Errorf("due in an hour: %v", early)
	}
	if easy := dates["easy"]; easy.GetLateRisk() > 0.05 || easy.GetSlack().AsDuration() < 10*time.Hour {
		t.Errorf("due in thirty hours: %v", easy)
	}
	risky, err := client.ListForecasts(d.ctx(), &tandemv1.ListForecastsRequest{MinLateRisk: 0.5})
	if err != nil || len(risky.GetForecasts()) != 1 || risky.GetForecasts()[0].GetJob() != "early" {
		t.Errorf("at risk: %v, %v", risky, err)
	}
	job, err := d.jobs.GetJob(d.ctx(), &tandemv1.GetJobRequest{Id: "early"})
	if err != nil || job.GetForecast().GetP90Time() == nil {
		t.Errorf("the job has no date: %v, %v", job.GetForecast(), err)
	}
	one, err := client.ListForecasts(d.ctx(), &tandemv1.ListForecastsRequest{Job: job.GetCode()})
	if err != nil || len(one.GetForecasts()) != 1 || one.GetForecasts()[0].GetJob() != "early" {
		t.Errorf("by its code: %v, %v", one, err)
	}
	list, err := d.jobs.ListJobs(d.ctx(), &tandemv1.ListJobsRequest{})
	if err != nil || len(list.GetJobs()) != 2 || list.GetJobs()[1].GetForecast() == nil {
		t.Errorf("listed: %v, %v", list, err)
	}
	d.check()
}

// A job that is only checked says whom it would delay, and changes nothing.
func TestACheckSaysWhatAJobWouldDo(t *testing.T) {
	d := newDaemon(t)
	d.withForecasts()
	for _, id := range []string{"a", "b", "c", "e"} {
		if _, err := d.jobs.CreateJob(d.ctx(), &tandemv1.CreateJobRequest{Job: cutJob(id, 3600, 20*time.Hour), Actor: "mira"}); err != nil {
			t.Fatal(err)
		}
	}
	before := d.revision()
	rush := cutJob("rush", 3600, 2*time.Hour)
	rush.Priority = 100
	got, err := d.jobs.CreateJob(d.ctx(), &tandemv1.CreateJobRequest{Job: rush, ValidateOnly: true, Actor: "mira"})
	if err != nil || got.GetForecast().GetP90Time() == nil || len(got.GetForecast().GetDelays()) == 0 {
		t.Fatalf("%v, %v", got.GetForecast(), err)
	}
	for _, delay := range got.GetForecast().GetDelays() {
		if delay.GetJob() == "rush" || delay.GetDelay().AsDuration() < time.Minute {
			t.Errorf("delay %v", delay)
		}
	}
	if after := d.revision(); after != before {
		t.Errorf("a check moved the ledger from %d to %d", before, after)
	}
}

func TestForecastErrors(t *testing.T) {
	d := newDaemon(t)
	none := tandemv1.NewForecastServiceClient(d.conn)
	if _, err := none.ListForecasts(d.ctx(), &tandemv1.ListForecastsRequest{}); status.Code(err) != codes.Unimplemented || infoOf(err) == nil {
		t.Errorf("without a forecaster: %v", err)
	}
	client := d.withForecasts()
	if _, err := client.ListForecasts(d.ctx(), &tandemv1.ListForecastsRequest{MinLateRisk: 1.5}); len(fieldsOf(err)) != 1 || !strings.HasPrefix(fieldsOf(err)[0], "min_late_risk: ") {
		t.Errorf("a risk of 1.5: %v", err)
	}
	if _, err := client.ListForecasts(d.ctx(), &tandemv1.ListForecastsRequest{Job: "nobody"}); status.Code(err) != codes.NotFound {
		t.Errorf("a job that is not there: %v", err)
	}
	stream, err := client.WatchForecasts(d.ctx(), &tandemv1.WatchForecastsRequest{Job: "nobody"})
	if err == nil {
		_, err = stream.Recv()
	}
	if status.Code(err) != codes.NotFound {
		t.Errorf("watching a job that is not there: %v", err)
	}
	// A watch ends with its caller.
	ctx, cancel := context.WithCancel(d.ctx())
	if stream, err = client.WatchForecasts(ctx, &tandemv1.WatchForecastsRequest{}); err == nil {
		_, err = stream.Recv()
	}
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	if _, err = stream.Recv(); status.Code(err) != codes.Canceled && !errors.Is(err, context.Canceled) {
		t.Errorf("after the caller left: %v", err)
	}
}
