package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"slices"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"google.golang.org/grpc"

	"tandem/daemon/api"
	"tandem/daemon/bus"
	"tandem/daemon/config"
	"tandem/daemon/engine"
	"tandem/daemon/forecast"
	"tandem/daemon/history"
	"tandem/daemon/lead"
	"tandem/daemon/ledger"
	"tandem/daemon/mirror"
	"tandem/daemon/planner"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
)

const (
	// statusPeriod is how often drivers repeat their status, in wall time.
	statusPeriod = 2 * time.Second
	// historyWithin is how long a daemon that stops waits for its history to keep the last records.
	historyWithin = 2 * time.Second
	// goodbye is how long clients get to finish when the daemon stops.
	goodbye = 3 * time.Second
)

func serveCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "serve",
		Short:   "Run a floor until stopped",
		Example: "  tandemd serve --floor floor.yaml --data-dir /var/lib/tandem",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			set, err := config.LoadSettings(cmd.Flags(), config.ThisHost())
			if err != nil {
				return &usageError{err}
			}
			log, err := newLogger(set.LogLevel, set.LogFormat)
			if err != nil {
				return err
			}
			defer func() { _ = log.Sync() }()
			file, err := config.LoadFloor(set.Floor, knownKinds)
			if err != nil {
				return &usageError{err}
			}
			cfg := daemonConfig{
				DataDir: set.DataDir, Listen: set.Listen, BusListen: set.BusListen, MQTTListen: set.MQTTListen, TimeScale: set.TimeScale, File: file, Plan: set.PlanSearch,
				SpaceLimit: set.SpaceLimit, Ballast: set.Ballast, Log: log,
			}
			if len(set.Cluster) > 0 {
				if err := checkNoneOfItsOwn(set.DataDir); err != nil {
					return err
				}
				return serveMember(cmd.Context(), set, cfg, nil)
			}
			if err := checkNotMoved(set.DataDir); err != nil {
				return err
			}
			return serveUntilStopped(cmd.Context(), cfg, nil)
		},
	}
	config.Flags(cmd.Flags())
	return cmd
}

// daemonConfig is what one daemon is made of.
type daemonConfig struct {
	DataDir, Listen, BusListen, MQTTListen string
	TimeScale                              float64
	Begin                                  time.Time // what a simulated floor's clock shows when its ledger is empty; zero: the computer's time
	File                                   *tandemv1.FloorFile
	Plan                                   bool // search for plans in the background
	SpaceLimit, Ballast                    int64
	Doors                                  []grpc.ServerOption // credentials and checks of those who come in; none: loopback only
	Log                                    *zap.Logger

	place  place   // where it is, through all its lives; not for a member of a cluster
	member *member // of a cluster; nil: the daemon keeps its ledger itself, and always leads
}

// address is where a daemon can be reached.
type address struct {
	API string // host:port
	Bus string // URL for drivers of other processes; empty: none
}

// serve runs a daemon until ctx ends or a part of it fails.
func serve(ctx context.Context, cfg daemonConfig, ready func(address)) error {
	server, store, past, err := openHub(ctx, cfg)
	if err != nil {
		return err
	}
	defer server.Shutdown()
	defer past.Close()
	var line *bus.Bus         // set before the engine sends anything
	var copied *mirror.Mirror // and before it runs
	choose := dispatch.New(dispatch.EarliestCompletion)
	kept, hangs := cfg.told(store)
	eng, err := engine.Open(ctx, engine.Options{
		Ledger: kept, Clock: clock.Wall(), Dispatcher: choose, File: cfg.File, Period: statusPeriod, Log: seldom(cfg.Log.Named("engine"), "order refused"),
		Leader: cfg.name(), Leads: cfg.leads, ReadOnly: cfg.place.readOnly,
		Snapshot: func() (*ledgerv1.Snapshot, bool) { return copied.Snapshot() },
		Send: func(device string, o *driverv1.Order, answered func(*driverv1.Answer, error)) {
			if err := cfg.leads(); err != nil {
				answered(nil, err)
				return
			}
			if err := line.Post(device, o, answered); err != nil {
				answered(nil, err)
			}
		},
	})
	if err != nil {
		return withRemedy(err, cfg)
	}
	if cfg.member != nil {
		if err := cfg.member.awaitTurn(ctx, eng, cfg.File); err != nil {
			return err
		}
	}
	last := eng.LastCommit()
	if last.IsZero() {
		last = cfg.Begin
	}
	floorClock := newClock(cfg.TimeScale, cfg.place.goesOn(last))
	if before := cfg.place.before; before != nil {
		defer func() { before.remember(eng.Head(), floorClock.Now()) }() // the engine has ended by then
	}
	eng.SetClock(floorClock)
	clocks := func(last time.Time) []string {
		now := floorClock.Now()
		if simulated(cfg.TimeScale) { // its clock has nothing to do with the computer's
			return clockTrouble(now, now, last)
		}
		return clockTrouble(now, time.Now(), last)
	}
	for _, text := range clocks(last) {
		cfg.Log.Warn(text)
	}
	floorConn, err := server.FloorConn("tandemd")
	if err != nil {
		return err
	}
	defer floorConn.Close()
	listener, err := cfg.listen()
	if err != nil {
		return err
	}
	defer listener.Close()

	talk := conversation{
		engine: eng, clock: floorClock, scale: cfg.TimeScale, leads: cfg.leads, log: cfg.Log,
	}
	listens := eng.Listens()
	line, err = bus.New(floorConn, bus.Handlers{Hello: talk.hello, Status: talk.status}, bus.Options{Devices: listens, Leads: cfg.leads, Log: cfg.Log.Named("bus")})
	if err != nil {
		return err
	}
	copied = mirror.New(eng, floorClock.Now, cfg.Log.Named("mirror"))
	dates := forecast.Options{Slow: slowForecasts(cfg.TimeScale), Log: cfg.Log.Named("forecast")}
	background := []func(context.Context){copied.Run, func(ctx context.Context) { past.Follow(ctx, eng, store, cfg.Log.Named("history")) }}
	var proof proofread
	if cfg.member != nil {
		background = append(background, cfg.member.watchDurable, cfg.member.watchDisks, func(ctx context.Context) { cfg.member.keepApart(ctx, store) },
			func(ctx context.Context) { cfg.member.abandonWhenLost(ctx, store) })
	} else {
		background = append(background, func(ctx context.Context) { proof.run(ctx, store, cfg) })
	}
	var latest func() (*tandemv1.Plan, error)
	if cfg.Plan {
		plans := planner.New(eng, copied, choose, cfg.Log.Named("plan"))
		background, latest, dates.Plan = append(background, plans.Run), plans.Plan, plans.Following
	}
	forecasts := forecast.New(copied, dates)
	background = append(background, forecasts.Run)
	grpcServer, apiServer := api.New(eng, api.Options{
		Version: version, DataDir: cfg.DataDir, BusURL: server.URL(), TimeScale: cfg.TimeScale, Start: floorClock.Now(),
		Dropped: func() uint64 { return line.Stats().Dropped() },
		Attention: func() []string {
			return slices.Concat(cfg.attention(), attention(line.Stats()), proof.attention(past.Attention()), clocks(store.Head().CommitTime))
		},
		Backup: backupOf(eng, store, cfg.TimeScale), Plan: latest, Kinds: knownKinds, Forecasts: forecasts, Reports: past, Leads: cfg.answers(), Hangs: hangs, Doors: cfg.Doors, Log: cfg.Log.Named("api"),
	})
	background = append(background, func(ctx context.Context) { apiServer.FollowReadOnly(ctx, cfg.place.readOnly) })
	return (&running{
		cfg: cfg, engine: eng, listens: listens, past: past, bus: line, server: server, grpc: grpcServer, api: apiServer, background: background, listener: listener,
	}).run(ctx, ready)
}

// natsLog leaves out what the embedded server tells of its ordinary life, unless somebody looks for details.
func natsLog(log *zap.Logger) *zap.Logger {
	log = log.Named("nats")
	if log.Core().Enabled(zap.DebugLevel) || !log.Core().Enabled(zap.WarnLevel) { // a level cannot be lowered: to try is told on standard error
		return log
	}
	return log.WithOptions(zap.IncreaseLevel(zap.WarnLevel))
}

// openLedger opens the ledger of the embedded server, after its durability has been verified.
// It must hold the last record that the history knows, and the one that is noted: both are in the options.
func openLedger(ctx context.Context, server *bus.Server, opts ledger.Options, log *zap.Logger) (*ledger.JetStream, error) {
	conn, err := server.LedgerConn()
	if err != nil {
		return nil, err
	}
	js, err := jetstream.New(conn)
	if err != nil {
		return nil, fmt.Errorf("reach JetStream: %w", err)
	}
	opts.SyncAlways, opts.Stored = server.SyncAlways, server.StoreNewBlocks(ledger.StreamName)
	opts.Survived = func(err error) { log.Warn("ledger damage survived", zap.Error(err)) }
	return ledger.OpenJetStream(ctx, js, opts)
}

// simulated says whether a floor's clock runs by itself: only one that shows the computer's time is that of a real floor.
func simulated(scale float64) bool { return scale != 1 && scale != 0 }

// newClock is the wall clock, or on a simulated floor a faster one that goes on from the last commit.
func newClock(scale float64, last time.Time) clock.Clock {
	if !simulated(scale) {
		return clock.Wall()
	}
	base := time.Now()
	if !last.IsZero() {
		base = last
	}
	return clock.Scaled(base, scale)
}

func deviceIDs(file *tandemv1.FloorFile) []string {
	var ids []string
	for _, d := range file.GetDevices() {
		ids = append(ids, d.GetId())
	}
	return ids
}

// running is a daemon all of whose parts are made.
type running struct {
	cfg      daemonConfig
	engine   *engine.Engine
	listens  []string // devices whose drivers have a say
	past     *history.History
	bus      *bus.Bus
	server   hub
	grpc     *grpc.Server
	api      *api.Server
	listener net.Listener

	background []func(context.Context) // what computes beside the engine until its context ends
}

// slowForecasts returns how often, in wall time, forecasts are made anew while nothing happens: each minute of the floor's time,
// and on a simulated floor no more often than every few seconds.
func slowForecasts(scale float64) time.Duration {
	const most, least = time.Minute, 3 * time.Second
	if scale <= 1 {
		return most
	}
	return max(time.Duration(float64(most)/scale), least)
}

// run starts the parts, waits, and stops them in the opposite order: clients first, the ledger last.
func (r *running) run(ctx context.Context, ready func(address)) error {
	engineCtx, stopEngine := context.WithCancel(context.WithoutCancel(ctx))
	defer stopEngine()
	engineEnded := make(chan error, 1)
	go func() { engineEnded <- r.engine.Run(engineCtx) }()

	var background sync.WaitGroup
	for _, run := range r.background {
		background.Go(func() { run(engineCtx) })
	}
	served := make(chan error, 1)
	go func() { served <- r.api.Serve(r.listener) }()

	hosts, err := startHosts(ctx, r.cfg, r.server)
	if err == nil {
		// The engine answers once it leads: what comes before would hear that nobody does.
		err = r.engine.View(ctx, func(engine.State) {})
	}
	if err == nil {
		r.askHellos()
		r.api.SetServing(true)
		r.cfg.Log.Info("serving", zap.String("clients", r.listener.Addr().String()), zap.String("drivers", r.server.URL()), zap.String("data", r.cfg.DataDir))
		if ready != nil {
			ready(address{API: r.listener.Addr().String(), Bus: r.server.URL()})
		}
		select {
		case <-ctx.Done():
		case err = <-engineEnded:
			engineEnded <- nil
		case err = <-served:
			err = fmt.Errorf("serve clients: %w", err)
		case <-r.cfg.lost():
			err = errors.Join(engine.ErrStopped, lead.ErrLost)
		}
	}
	r.api.SetServing(false)
	r.api.Shutdown()
	r.stopGRPC(ctx)
	if hosts != nil {
		hosts.stop()
	}
	r.bus.Close()
	r.awaitHistory(engineCtx)
	stopEngine()
	background.Wait()
	return errors.Join(err, <-engineEnded)
}

// awaitHistory gives the history a moment to keep the last records, so that a daemon which was stopped in good order leaves two whole
// copies. One that has failed, or no longer leads, does not wait.
func (r *running) awaitHistory(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, historyWithin)
	defer cancel()
	for r.cfg.leads() == nil {
		var last uint64
		if err := r.engine.View(ctx, func(s engine.State) { last = s.Head.Revision }); err != nil || r.past.Kept() >= last {
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// stopGRPC lets requests finish for a moment; watches are cut. When the ledger has failed no request waits for it, and one
// that does not lead any more has nothing to say.
func (r *running) stopGRPC(ctx context.Context) {
	wait := goodbye
	if ctx.Err() == nil {
		wait /= 10
	}
	if r.cfg.member != nil {
		if r.cfg.leads() != nil {
			r.grpc.Stop()
		}
		defer r.cfg.member.standBy()
	}
	done := make(chan struct{})
	go func() {
		r.grpc.GracefulStop()
		close(done)
	}()
	select {
	case <-done:
	case <-time.After(wait):
		r.grpc.Stop()
		<-done
	}
}

// newLogger logs to standard error.
func newLogger(level, format string) (*zap.Logger, error) {
	cfg := zap.NewProductionConfig()
	if format != "json" {
		cfg = zap.NewDevelopmentConfig()
		cfg.Development, cfg.DisableStacktrace, cfg.DisableCaller = false, true, true
	}
	parsed, err := zap.ParseAtomicLevel(level)
	if err != nil {
		return nil, fmt.Errorf("log level %q: %w", level, err)
	}
	cfg.Level = parsed
	cfg.OutputPaths, cfg.ErrorOutputPaths = []string{"stderr"}, []string{"stderr"}
	log, err := cfg.Build()
	if err != nil {
		return nil, fmt.Errorf("start the log: %w", err)
	}
	return log, nil
}

func configCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "config",
		Short: "Show every setting and where it comes from, and check the floor file",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			set, err := config.LoadSettings(cmd.Flags(), config.ThisHost())
			if err != nil {
				return &usageError{err}
			}
			for _, v := range set.Values {
				fmt.Fprintf(cmd.OutOrStdout(), "%-13s %-40s %s\n", v.Name, v.Text, v.Origin)
			}
			file, err := config.LoadFloor(set.Floor, knownKinds)
			if errors.Is(err, os.ErrNotExist) {
				return &usageError{fmt.Errorf("there is no floor file yet: write %s, or name another with --floor", set.Floor)}
			}
			if err != nil {
				return &usageError{err}
			}
			fmt.Fprintf(cmd.OutOrStdout(), "\nfloor file is good: %d devices, %d media, %d people\n", len(file.GetDevices()), len(file.GetMedia()), len(file.GetPeople()))
			return nil
		},
	}
	config.Flags(cmd.Flags())
	return cmd
}
