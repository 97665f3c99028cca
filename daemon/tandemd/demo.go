package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/dial"
	"tandem/clients/ticketfile"
	"tandem/daemon/config"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
	"tandem/scheduler/calendar"
)

// demo is a day on a simulated floor: the real daemon, its drivers over NATS, and people who scan.
type demo struct {
	floorPath, tickets, dataDir string
	speed                       float64
	begin                       string
	start                       time.Time // begin
	out                         io.Writer
	terminal                    bool
	colour                      bool

	file     *tandemv1.FloorFile
	jobs     []*tandemv1.Job
	cuts     [][]*tandemv1.CutFile // of each job
	client   clients
	finished context.CancelFunc
}

// clients are the services of a daemon.
type clients struct {
	jobs    tandemv1.JobServiceClient
	devices tandemv1.DeviceServiceClient
	scans   tandemv1.ScanServiceClient
	events  tandemv1.EventServiceClient
	admin   tandemv1.AdminServiceClient

	material tandemv1.MaterialServiceClient
}

func clientsOf(conn *grpc.ClientConn) clients {
	return clients{
		tandemv1.NewJobServiceClient(conn), tandemv1.NewDeviceServiceClient(conn), tandemv1.NewScanServiceClient(conn),
		tandemv1.NewEventServiceClient(conn), tandemv1.NewAdminServiceClient(conn),
		tandemv1.NewMaterialServiceClient(conn),
	}
}

func demoCommand() *cobra.Command {
	d := &demo{}
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Play a day on a simulated floor, from ticket to finished pieces",
		Long: "Starts the real daemon with its ledger in a data folder, simulated machines over NATS, and people who scan; hands in\n" +
			"thirteen tickets, shows the floor until all is done, and sums up. Killed in the middle and started again with the same\n" +
			"--data-dir it goes on where it was.",
		Example: "  tandemd demo\n  tandemd demo --speed 300 --data-dir /tmp/tandem-demo",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			d.out = cmd.OutOrStdout()
			f, ok := d.out.(*os.File)
			d.terminal = ok && term.IsTerminal(int(f.Fd())) && os.Getenv("TERM") != "dumb"
			d.colour = d.terminal && os.Getenv("NO_COLOR") == ""
			return d.play(cmd.Context())
		},
	}
	f := cmd.Flags()
	f.StringVar(&d.floorPath, "floor", "testdata/floors/harbour.yaml", "floor file")
	f.StringVar(&d.tickets, "tickets", "testdata/tickets", "folder of tickets, handed in in the order of their names")
	f.StringVar(&d.dataDir, "data-dir", "", "folder for the ledger (default: a temporary one, removed at the end)")
	f.Float64Var(&d.speed, "speed", 1500, "how much faster than the wall clock the floor's clock runs")
	f.StringVar(&d.begin, "begin", "2026-03-02 08:00", "what the shop's clock shows when the day begins")
	return cmd
}

// play runs the whole demo.
func (d *demo) play(ctx context.Context) error {
	if err := d.load(); err != nil {
		return err
	}
	if d.dataDir == "" {
		dir, err := os.MkdirTemp("", "tandem-demo-")
		if err != nil {
			return fmt.Errorf("make a data folder: %w", err)
		}
		d.dataDir = dir
		defer func() { _ = os.RemoveAll(dir) }()
	}
	log, err := newLogger("warn", "console")
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ready := make(chan address, 1)
	served := make(chan error, 1)
	go func() {
		served <- serveUntilStopped(ctx, daemonConfig{
			DataDir: d.dataDir, Listen: "127.0.0.1:0", BusListen: "127.0.0.1:0", TimeScale: d.speed, Begin: d.start, File: d.file, Log: log,
		}, func(a address) {
			select {
			case ready <- a:
			default:
			}
		})
	}()
	var at address
	select {
	case at = <-ready:
	case err := <-served:
		return err
	}
	fmt.Fprintf(d.out, "The daemon serves clients at %s; look with: go run ./clients/tandem --address %s jobs\n", at.API, at.API)
	fmt.Fprintf(d.out, "Data: %s   clock: %gx   drivers of other processes: %s\n", d.dataDir, d.speed, at.Bus)
	conn, err := dial.Open(dial.Config{Address: at.API, UserAgent: "tandemd demo"})
	if err != nil {
		return err
	}
	defer conn.Close()
	d.client = clientsOf(conn)

	played := d.day(ctx)
	cancel()
	if err := <-served; err != nil && !errors.Is(err, context.Canceled) {
		return errors.Join(played, err)
	}
	return played
}

// load reads the floor and the tickets.
func (d *demo) load() error {
	if d.speed < 1 || d.speed > 10_000 {
		return &usageError{fmt.Errorf("--speed: %g is not between 1 and 10,000", d.speed)}
	}
	const where = "run it from the project's folder, or name the files with --floor and --tickets"
	var err error
	if d.file, err = config.LoadFloor(d.floorPath, knownKinds); errors.Is(err, os.ErrNotExist) {
		return &usageError{fmt.Errorf("there is no floor file %s: %s", d.floorPath, where)}
	} else if err != nil {
		return &usageError{err}
	}
	people, err := calendar.New(d.file)
	if err != nil {
		return &usageError{err}
	}
	if d.start, err = time.ParseInLocation("2006-01-02 15:04", d.begin, people.Location()); err != nil {
		return &usageError{fmt.Errorf("--begin: %q is not a time; write it as 2026-03-02 08:00", d.begin)}
	}
	names, err := fs.Glob(os.DirFS(d.tickets), "*.yaml") // the folder's own name is no pattern
	if err != nil {
		return &usageError{err}
	}
	if len(names) == 0 {
		return &usageError{fmt.Errorf("there are no tickets (*.yaml) in %s: %s", d.tickets, where)}
	}
	slices.Sort(names)
	for _, name := range names {
		path, job := filepath.Join(d.tickets, name), &tandemv1.Job{}
		if err := yamlfile.Read(path, job); err != nil {
			return &usageError{err}
		}
		files, err := cutFiles(filepath.Dir(path), job)
		if err != nil {
			return &usageError{fmt.Errorf("%s: %w", path, err)}
		}
		d.jobs, d.cuts = append(d.jobs, job), append(d.cuts, files)
	}
	return nil
}

// cutFiles reads the cut files that a ticket's items name, beside the ticket.
func cutFiles(dir string, job *tandemv1.Job) ([]*tandemv1.CutFile, error) {
	roots, err := ticketfile.OpenRoots(dir)
	if err != nil {
		return nil, err
	}
	found, err := roots.CutFiles(job)
	return found.Files, errors.Join(err, roots.Close())
}

// day hands the tickets in, lets people work until all jobs have ended, and sums up.
func (d *demo) day(ctx context.Context) error {
	if err := d.stock(ctx); err != nil {
		return err
	}
	if err := d.submit(ctx); err != nil {
		return err
	}
	ctx, d.finished = context.WithCancel(ctx)
	defer d.finished()
	shown := make(chan error, 1)
	go func() { shown <- d.show(ctx) }()
	err := (&crew{client: d.client, file: d.file, jobs: d.ids()}).work(ctx)
	d.finished()
	if showErr := <-shown; err == nil && showErr != nil && !errors.Is(showErr, context.Canceled) {
		err = showErr
	}
	if err != nil {
		return err
	}
	return d.sumUp(context.WithoutCancel(ctx))
}

// stock takes a roll into account for each device that has media on it when the day begins, and loads it there.
func (d *demo) stock(ctx context.Context) error {
	known := map[string]bool{}
	for _, m := range d.file.GetMedia() {
		known[m.GetId()] = m.GetRollLengthUm() > 0
	}
	for _, dev := range d.file.GetDevices() {
		if !known[dev.GetLoadedMedia()] {
			continue
		}
		lot, err := d.client.material.ReceiveLot(ctx, &tandemv1.ReceiveLotRequest{
			Lot: &tandemv1.Lot{Media: dev.GetLoadedMedia()}, RequestId: "demo-stock-" + dev.GetId(), Actor: "demo",
		})
		if err != nil {
			return fmt.Errorf("receive a roll for %s: %w", dev.GetId(), err)
		}
		_, err = d.client.devices.LoadMedia(ctx, &tandemv1.LoadMediaRequest{
			Id: dev.GetId(), Lot: lot.GetId(), RequestId: "demo-stock-load-" + dev.GetId(), Actor: "demo",
		})
		if expected(err) != nil {
			return fmt.Errorf("load %s: %w", dev.GetId(), err)
		}
	}
	return nil
}

func (d *demo) ids() []string {
	var ids []string
	for _, j := range d.jobs {
		ids = append(ids, j.GetId())
	}
	return ids
}

// setDue turns the labels of a ticket that can be played on any day into its due and release time.
func setDue(job *tandemv1.Job, now time.Time) {
	if in, err := time.ParseDuration(job.GetLabels()["due-in"]); err == nil {
		job.DueTime = timestamppb.New(now.Add(in))
	}
	if in, err := time.ParseDuration(job.GetLabels()["released-in"]); err == nil {
		job.ReleaseTime = timestamppb.New(now.Add(in))
	}
}

// submit hands the tickets in. The request ids are fixed, so that a demo that goes on hands nothing in twice.
func (d *demo) submit(ctx context.Context) error {
	status, err := d.client.admin.GetStatus(ctx, &tandemv1.GetStatusRequest{})
	if err != nil {
		return fmt.Errorf("ask the daemon how it is: %w", err)
	}
	for i, job := range d.jobs {
		if known, err := d.client.jobs.GetJob(ctx, &tandemv1.GetJobRequest{Id: job.GetId()}); err == nil {
			fmt.Fprintf(d.out, "%s is in the ledger already, revision %d\n", known.GetId(), known.GetRevision())
			continue
		}
		setDue(job, status.GetNow().AsTime())
		if _, err := d.client.jobs.CreateJob(ctx, &tandemv1.CreateJobRequest{
			Job: job, CutFiles: d.cuts[i], RequestId: "demo-" + job.GetId(), Actor: "demo",
		}); err != nil {
			return fmt.Errorf("hand in %s: %w", job.GetId(), err)
		}
	}
	fmt.Fprintf(d.out, "%d tickets handed in: %s\n", len(d.jobs), strings.Join(d.ids(), ", "))
	return nil
}
