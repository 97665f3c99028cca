package main

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

// reportFake answers with canned reports.
type reportFake struct {
	tandemv1.UnimplementedReportServiceServer

	reportOfDevices *tandemv1.DeviceReport
	reportOfJobs    *tandemv1.JobReport
	reportOfWaste   *tandemv1.WasteReport
	reportOfNight   *tandemv1.NightReport
}

func (f *reportFake) GetDeviceReport(context.Context, *tandemv1.GetDeviceReportRequest) (*tandemv1.DeviceReport, error) {
	return f.reportOfDevices, nil
}

func (f *reportFake) GetJobReport(context.Context, *tandemv1.GetJobReportRequest) (*tandemv1.JobReport, error) {
	return f.reportOfJobs, nil
}

func (f *reportFake) GetWasteReport(context.Context, *tandemv1.GetWasteReportRequest) (*tandemv1.WasteReport, error) {
	return f.reportOfWaste, nil
}

func (f *reportFake) GetNightReport(context.Context, *tandemv1.GetNightReportRequest) (*tandemv1.NightReport, error) {
	return f.reportOfNight, nil
}

// times of the shop's clock, an hour ahead of UTC on these days.
func shopTime(day, hour, minute int) *timestamppb.Timestamp {
	return timestamppb.New(time.Date(2026, 11, day, hour-1, minute, 0, 0, time.UTC))
}

func between(from, to *timestamppb.Timestamp) *tandemv1.Period {
	return &tandemv1.Period{FromTime: from, ToTime: to}
}

func sourceOf(p *tandemv1.Period) *tandemv1.ReportSource {
	return &tandemv1.ReportSource{Period: p, Revision: 1042, Now: timestamppb.New(noon), TimeZone: "Europe/Berlin"}
}

func someReports() reportFake {
	day := between(shopTime(24, 0, 0), shopTime(25, 0, 0))
	h := func(v float64) *durationpb.Duration { return durationpb.New(time.Duration(v * float64(time.Hour))) }
	class := func(name string, planned, outside float64) *tandemv1.ClassTime {
		return &tandemv1.ClassTime{Class: name, Planned: h(planned), Outside: h(outside)}
	}
	value := func(id, formula string, v float64) *tandemv1.Indicator {
		return &tandemv1.Indicator{Id: id, Formula: formula, Value: new(v)}
	}
	lacks := func(id, formula, what string) *tandemv1.Indicator {
		return &tandemv1.Indicator{Id: id, Formula: formula, Lacks: what}
	}
	return reportFake{
		reportOfDevices: &tandemv1.DeviceReport{Source: sourceOf(day), Periods: []*tandemv1.DevicePeriod{
			{
				Device: "printer-1", Period: day, Operations: []string{"print"},
				Classes: []*tandemv1.ClassTime{
					class("production", 5.25, 2), class("setup", 0.5, 0), class("delay", 0.25, 0), class("idle", 1, 9), class("maintenance", 1, 0), class("offline", 0, 5),
				},
				Times: &tandemv1.DeviceTimes{
					PlannedOperation: h(10), PlannedBusy: h(9), UnitBusy: h(8), UnitProcessing: h(7.75), Production: h(7.25), Setup: h(0.5), Delay: h(0.25), Down: h(0), Silence: h(0),
				},
				Indicators: []*tandemv1.Indicator{
					value("availability", "APT / PBT", 0.80556), value("effectiveness", "PRU * PQ / APT", 0.9524), value("quality-ratio", "GQ / PQ", 0.9867),
					value("oee-index", "availability * effectiveness * quality ratio", 0.757), lacks("worker-efficiency", "APWT / APAT", "the ledger keeps no working times of people"),
				},
				Runs: 9, RunsFailed: 1, Pieces: 1500, PiecesGood: 1480, PiecesSpoiled: 20, SquareMetres: 61.4, Changeovers: &tandemv1.Changeovers{Runs: 3, Media: 2, Mode: 1},
				Standstills: []*tandemv1.Standstill{
					{Class: "offline", Times: 1, Duration: h(5)},
					{Class: "maintenance", Reason: "wipe the heads", Times: 1, Duration: h(1)},
					{Class: "delay", Reason: "media-jam", Times: 2, Duration: h(0.25)},
				},
			},
			{
				Device: "cutter-1", Period: day, Operations: []string{"cut"},
				Classes: []*tandemv1.ClassTime{class("idle", 9, 14), class("waiting", 1, 0)},
				Times:   &tandemv1.DeviceTimes{PlannedOperation: h(10), PlannedBusy: h(10)},
				Indicators: []*tandemv1.Indicator{
					value("availability", "APT / PBT", 0), lacks("effectiveness", "PRU * PQ / APT", "no production time with counted pieces in the period"),
					lacks("quality-ratio", "GQ / PQ", "no pieces counted in the period"), lacks("oee-index", "availability * effectiveness * quality ratio", "no pieces counted in the period"),
				},
			},
		}},
		reportOfJobs: &tandemv1.JobReport{Source: sourceOf(day), Periods: []*tandemv1.JobPeriod{{
			Period: day, Accepted: 14, Completed: 11, Canceled: 1, Open: 6, PiecesGood: 2210, PiecesSpoiled: 31, SquareMetres: 88.2,
			Flow: &tandemv1.FlowTime{Jobs: 11, Mean: h(6.4), P50: h(5.1), P90: h(26)}, Due: 8, OnTime: 7,
			Indicators: []*tandemv1.Indicator{value("throughput-rate", "PQ / AOET", 71.3), lacks("actual-to-planned-scrap-ratio", "SQ / PSQ", "no overs in the orders of the period")},
			Operations: []*tandemv1.OperationSum{
				{Operation: "cut", Runs: 10, PiecesGood: 2100, PiecesSpoiled: 11, RunTime: h(4.5)}, {Operation: "print", Runs: 12, PiecesGood: 2230, PiecesSpoiled: 20, SquareMetres: 88.2, RunTime: h(9.25)},
			},
			Late: []*tandemv1.LateJob{{Job: "door-signs", Code: "J0421", DisplayName: "door signs", DueTime: shopTime(24, 15, 0), Late: h(22)}},
		}}},
		reportOfWaste: &tandemv1.WasteReport{Source: sourceOf(day), Periods: []*tandemv1.WastePeriod{{
			Period: day, Pieces: 4361,
			Spoiled: []*tandemv1.Spoilage{
				{Operation: "print", Device: "printer-1", Cause: "banding", ByPerson: true, Times: 2, Pieces: 14},
				{Operation: "cut", Device: "cutter-1", Times: 3, Pieces: 11, SquareMetres: 0.42},
				{Cause: "scratched in the van", ByPerson: true, Times: 1, Pieces: 6},
			},
			Remade: []*tandemv1.Spoilage{{Cause: "banding", ByPerson: true, Times: 1, Pieces: 14}},
			Media: []*tandemv1.MediaUse{
				{Media: "gloss", WidthUm: 1_400_000, Runs: 2, RunsWithoutLot: 2},
				{Media: "vinyl", WidthUm: 1_370_000, LotsReceived: 1, ReceivedUm: 50_000_000, Runs: 12, UsedUm: 74_300_000, LaidUm: 70_100_000, SpoiledUm: 1_200_000, LostUm: 4_200_000, PieceSquareMetres: 71.2, PieceWebSquareMetres: 101.8},
			},
		}}},
		reportOfNight: &tandemv1.NightReport{
			Source: sourceOf(between(shopTime(24, 18, 0), shopTime(25, 6, 0))),
			Devices: []*tandemv1.NightDevice{
				{
					Device: "printer-1", RunsCompleted: 3, RunsFailed: 1, PiecesGood: 410, PiecesSpoiled: 2, SquareMetres: 18.6, LastWorkTime: shopTime(25, 2, 10),
					Classes: []*tandemv1.ClassTime{class("production", 0, 7.5), class("delay", 0, 3.75), class("idle", 0, 0.75)},
				},
				{Device: "printer-2", Classes: []*tandemv1.ClassTime{class("offline", 0, 12)}},
			},
			Standstills: []*tandemv1.NightStandstill{
				{Device: "printer-2", Period: between(shopTime(24, 18, 0), shopTime(25, 6, 0)), Open: true, Class: "offline"},
				{Device: "printer-1", Period: between(shopTime(25, 2, 10), shopTime(25, 5, 55)), Class: "delay", Reason: "media-empty-error", Run: "run-31", Job: "labels-9", Step: "print"},
			},
			Jobs: []*tandemv1.NightJob{
				{Job: "shop-window", Code: "J0417", DisplayName: "shop window", EndTime: shopTime(24, 19, 25), State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: 40},
				{Job: "van-2", Code: "J0419", DisplayName: "van lettering", EndTime: shopTime(25, 1, 2), State: tandemv1.JobState_JOB_STATE_ABORTED},
			},
			Waiting: []*tandemv1.WaitingWork{
				{Device: "printer-2", What: "does not answer"},
				{Job: "labels-9", Step: "print", Device: "printer-1", SinceTime: shopTime(25, 5, 55), What: "print ended early on its device (media-empty-error): a person must resolve run-31"},
			},
			Drying: []*tandemv1.DryPanel{
				{PanelCode: "P0881", Job: "shop-front", Place: "rack-1", DryTime: shopTime(25, 3, 20), Dry: true, Next: []string{"laminate"}},
				{PanelCode: "P0884", Job: "banner", Place: "rack-1", DryTime: shopTime(25, 14, 40), Next: []string{"laminate", "cut"}},
			},
		},
	}
}
