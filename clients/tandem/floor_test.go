package main

import (
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
)

// someJobs is the floor's work at noon: one that dries, one that waits for a person, one held, one done.
func someJobs() []*tandemv1.Job {
	const (
		pending   = tandemv1.JobState_JOB_STATE_PENDING
		held      = tandemv1.JobState_JOB_STATE_PENDING_HELD
		running   = tandemv1.JobState_JOB_STATE_PROCESSING
		completed = tandemv1.JobState_JOB_STATE_COMPLETED
	)
	return []*tandemv1.Job{
		{
			Id: "shop-window", DisplayName: "Window letters", Code: "J104K", Priority: 50, State: running,
			CreateTime: after(-1500), DueTime: after(240), Labels: map[string]string{"order": "4711", "bag": "blue"}, Revision: 1040,
			Panels: []*tandemv1.Panel{{Id: "p1", Code: "P7Z", Pieces: 60, PiecesGood: 58, PiecesSpoiled: 2, Place: "rack-1", PlaceTime: after(-12)}},
			Steps: []*tandemv1.Step{
				{
					Id: "print", Operation: "print", Media: "vinyl-white", Mode: "fine", WidthUm: 1370000, LengthUm: 2412500, State: completed, PiecesGood: 58, PiecesSpoiled: 2,
					Runs: []*tandemv1.Run{{
						Id: "r9", Device: "printer-1", State: completed, StateReasons: []string{"job-completed-with-errors"}, Pieces: 60, PiecesGood: 58, PiecesSpoiled: 2,
						StartTime: after(-40), EndTime: after(-12), StartedBy: "anna",
					}},
				},
				{
					Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(40 * time.Minute), State: running, StateReasons: []string{"x-drying"}, PiecesLeft: 58, ReadyTime: after(28),
					Runs: []*tandemv1.Run{{Id: "r10", Device: "rack-1", State: running, Pieces: 58, StartTime: after(-12)}},
				},
				{Id: "cut", Operation: "cut", After: []string{"dry"}, PathLengthUm: 181000000, State: held, StateReasons: []string{"x-waiting-predecessor"}, PiecesLeft: 58, Note: "new blade: mind your fingers"},
			},
		},
		{
			Id: "door-signs", Code: "J105M", State: pending, StateReasons: []string{"x-awaiting-start"}, CreateTime: after(-90), DueTime: after(-30),
			Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut", State: pending, StateReasons: []string{"x-awaiting-start"}, PiecesLeft: 4}},
		},
		{
			Id: "parked", Code: "J106P", State: held, StateReasons: []string{"job-hold-until-specified"}, Hold: true, CreateTime: after(-80),
			Steps: []*tandemv1.Step{{Id: "print", Operation: "print", State: held, PiecesLeft: 10}},
		},
		{
			Id: "old-job", Code: "J99A", State: completed, StateReasons: []string{"job-completed-successfully"}, CreateTime: after(-4000), EndTime: after(-2900), DueTime: after(-2000),
			Steps: []*tandemv1.Step{{Id: "print", Operation: "print", State: completed}},
		},
	}
}

func someDevices() []*tandemv1.Device {
	return []*tandemv1.Device{
		{
			Id: "rack-1", DisplayName: "Drying rack", Code: "D1A", Capacity: 8, State: tandemv1.DeviceState_DEVICE_STATE_PROCESSING,
			Phase: tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION, Link: tandemv1.Link_LINK_ONLINE, LastSeenTime: after(0), Revision: 1030,
			Driver: &tandemv1.Driver{Kind: "rack"}, Abilities: []*tandemv1.Ability{{Operation: "dry", UnattendedStart: &tandemv1.UnattendedStart{AllowedBy: "anna"}}},
			Runs: []*tandemv1.DeviceRun{{Run: "r10", Job: "shop-window", Step: "dry", Operation: "dry", State: tandemv1.JobState_JOB_STATE_PROCESSING, StateReasons: []string{"x-drying"}, StartTime: after(-12), ExpectedEndTime: after(28), PanelCodes: []string{"P7Z"}}},
		},
		{
			Id: "cutter-1", Code: "D2B", State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Phase: tandemv1.DevicePhase_DEVICE_PHASE_IDLE, Link: tandemv1.Link_LINK_ONLINE,
			LastSeenTime: after(0), LoadedMedia: "vinyl-white", Driver: &tandemv1.Driver{Kind: "operator", Manual: true, External: true},
			Capabilities: map[string]string{"knife": "drag"},
			Abilities: []*tandemv1.Ability{{
				Operation: "cut", Media: []string{"vinyl-white", "vinyl-clear"}, MaxWidthUm: 1372500, Setup: durationpb.New(4 * time.Minute),
				PerPathMetre: durationpb.New(2500 * time.Millisecond), MediaChangeover: durationpb.New(6 * time.Minute),
			}},
			Runs: []*tandemv1.DeviceRun{{Run: "r11", Job: "door-signs", Step: "cut", Operation: "cut", State: tandemv1.JobState_JOB_STATE_PENDING, StateReasons: []string{"queued-in-device", "x-awaiting-start"}, Pieces: 4, PanelCodes: []string{"P8Y"}}},
		},
		{
			Id: "printer-2", Code: "D3C",
			Supplies: []*tandemv1.Supply{
				{DisplayName: "Magenta", Kind: "ink", LevelKnown: true, LevelPercent: 4},
				{DisplayName: "Service tank", Kind: "waste-ink", Receptacle: true, LevelKnown: true, LevelPercent: 55},
			},
			Watched: []*tandemv1.Watched{
				{Kind: "snmp", Link: tandemv1.Link_LINK_ONLINE, State: tandemv1.DeviceState_DEVICE_STATE_STOPPED, StateReasons: []string{"media-jam-error"}, Message: "Open cover 2"},
				{Kind: "signal", Link: tandemv1.Link_LINK_OFFLINE},
			}, State: tandemv1.DeviceState_DEVICE_STATE_STOPPED, StateReasons: []string{"media-jam-error"}, Phase: tandemv1.DevicePhase_DEVICE_PHASE_STOPPED,
			Link: tandemv1.Link_LINK_OFFLINE, LastSeenTime: after(-7), Paused: true, PauseNote: "head strike", LockedBy: "ben",
		},
	}
}

func someLots() []*tandemv1.Lot {
	return []*tandemv1.Lot{
		{Id: "lot-7", Media: "vinyl-white", LengthUm: 50_000_000, Note: "batch 7", Code: "M0074", RemainingUm: 12_345_000, ReservedUm: 6_500_000, Device: "cutter-1", ReceiveTime: after(-3000)},
		{Id: "lot-9", Media: "vinyl-white", LengthUm: 50_000_000, Code: "M009Z", Note: "creased", ReceiveTime: after(-200), StateReasons: []string{"media-empty-error"}},
		{Id: "remnant", Media: "film-gloss", LengthUm: 4_200_000, Code: "M00AX", RemainingUm: 4_200_000, ReceiveTime: after(-20), StateReasons: []string{"media-low-warning"}},
		{Id: "lot-11", Media: "film-gloss", LengthUm: 100_000_000, Code: "M00BV", RemainingUm: 100_000_000, ReceiveTime: after(-5)},
	}
}

func someCommits() []*tandemv1.WatchEventsResponse {
	commit := func(revision uint64, minutes int, events ...*tandemv1.Event) *tandemv1.WatchEventsResponse {
		return &tandemv1.WatchEventsResponse{Revision: revision, Payload: &tandemv1.WatchEventsResponse_Commit{Commit: &tandemv1.Commit{CommitTime: after(minutes), Events: events}}}
	}
	return []*tandemv1.WatchEventsResponse{
		commit(3, -4000, &tandemv1.Event{Type: "job.created", Actor: "anna", Job: "old-job", Message: "old-job taken in, code J99A, 1 steps"}),
		commit(1039, -12,
			&tandemv1.Event{Type: "run.completed", Actor: "driver:printer-1", Job: "shop-window", Step: "print", Run: "r9", Device: "printer-1", State: "completed", Reasons: []string{"job-completed-with-errors"}, PiecesGood: 58, PiecesSpoiled: 2},
			&tandemv1.Event{Type: "run.granted", Actor: "dispatch", Job: "shop-window", Step: "dry", Panel: "p1", Run: "r10", Device: "rack-1", State: "pending", Message: "dry given to rack-1: earliest completion"},
		),
		commit(1041, -1, &tandemv1.Event{Type: "device.changed", Actor: "driver:printer-2", Device: "printer-2", State: "stopped", Reasons: []string{"media-jam-error"}}),
		commit(1042, 0, &tandemv1.Event{Type: "some.newer.type", Job: "parked"}),
	}
}
