package main

import (
	"context"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

// withForecasts lets the daemon know dates: one with slack, one that will be late, one without a date.
func (f *fake) withForecasts() {
	list := &tandemv1.ListForecastsResponse{Revision: 1042, Forecasts: []*tandemv1.JobForecast{
		{Job: "shop-window", Forecast: &tandemv1.Forecast{
			P50Time: after(95), P90Time: after(130), LateRisk: 0.004, Slack: minutes(110), Revision: 1042, ComputeTime: after(0), Samples: 200,
		}},
		{Job: "door-signs", Forecast: &tandemv1.Forecast{
			P50Time: after(20), P90Time: after(42), LateRisk: 1, Slack: minutes(-72), Revision: 1042, ComputeTime: after(0), Samples: 200,
		}},
		{Job: "parked", Forecast: &tandemv1.Forecast{Stuck: "it is held: proof", Revision: 1042, ComputeTime: after(0)}},
	}}
	f.dates = append(f.dates, list)
	for i, d := range list.GetForecasts() {
		f.jobs[i] = proto.CloneOf(f.jobs[i])
		f.jobs[i].Forecast = d.GetForecast()
	}
	f.would = &tandemv1.Forecast{
		P50Time: after(70), P90Time: after(105), LateRisk: 0.03, Slack: minutes(15), Revision: 1042, ComputeTime: after(0), Samples: 100,
		Delays: []*tandemv1.Delay{
			{Job: "shop-window", BeforeTime: after(130), AfterTime: after(155), Delay: minutes(24), LateRiskBefore: 0.004, LateRiskAfter: 0.12},
			{Job: "door-signs", BeforeTime: after(42), AfterTime: after(44), Delay: minutes(2), LateRiskBefore: 1, LateRiskAfter: 1},
		},
	}
}

func (f *fake) ListForecasts(_ context.Context, r *tandemv1.ListForecastsRequest) (*tandemv1.ListForecastsResponse, error) {
	out := &tandemv1.ListForecastsResponse{Revision: 1042}
	if len(f.dates) == 0 {
		return out, nil
	}
	for _, j := range f.dates[0].GetForecasts() {
		if (r.GetJob() == "" || r.GetJob() == j.GetJob()) && j.GetForecast().GetLateRisk() >= r.GetMinLateRisk() {
			out.Forecasts = append(out.Forecasts, j)
		}
	}
	return out, nil
}

func (f *fake) WatchForecasts(_ *tandemv1.WatchForecastsRequest, stream grpc.ServerStreamingServer[tandemv1.ListForecastsResponse]) error {
	for _, m := range f.dates {
		if err := stream.Send(m); err != nil {
			return err
		}
	}
	return status.Error(codes.Internal, "that was all")
}

func TestForecastWatch(t *testing.T) {
	f := newFake(t)
	f.withForecasts()
	f.dates = append(f.dates, &tandemv1.ListForecastsResponse{Revision: 1050, Forecasts: []*tandemv1.JobForecast{
		{Job: "door-signs"},
		{Job: "parked", Forecast: &tandemv1.Forecast{P50Time: after(200), P90Time: after(260), Samples: 200}},
	}})
	code, stdout, stderr := f.tandem(t, "forecast", "--watch")
	want := `door-signs: done by 13:44 (in 42 min), slack -1 h 12 min, late risk 100 %
shop-window: done by 15:12 (in 2 h 10 min), slack 1 h 50 min, late risk under 1 %
parked: no date: it is held: proof
parked: done by 17:22 (in 4 h 20 min)
door-signs: has ended
`
	if stdout != want || code != exitFailure || !strings.Contains(stderr, "that was all") {
		t.Errorf("exit %d, talk %q, data\n%s", code, stderr, stdout)
	}
	if _, stdout, _ = f.tandem(t, "forecast", "--watch", "--json"); strings.Count(stdout, "\n") != 2 {
		t.Errorf("not a line for each message:\n%s", stdout)
	}
}

func TestForecastUsage(t *testing.T) {
	for want, args := range map[string][]string{
		"0 to 100":                   {"--late", "101"},
		"--late and --watch exclude": {"--late", "5", "--watch"},
		"accepts at most 1 arg(s)":   {"a", "b"},
	} {
		f := newFake(t)
		code, stdout, stderr := f.tandem(t, append([]string{"forecast"}, args...)...)
		if code != exitUsage || stdout != "" || !strings.Contains(stderr, want) || len(f.requests) > 0 {
			t.Errorf("%q: exit %d, data %q, talk %q, want %q", args, code, stdout, stderr, want)
		}
	}
	f := newFake(t)
	if code, stdout, stderr := f.tandem(t, "forecast"); code != exitOK || stdout != "" || !strings.Contains(stderr, "no jobs") {
		t.Errorf("nothing open: exit %d, data %q, talk %q", code, stdout, stderr)
	}
}
