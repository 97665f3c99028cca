package main

import (
	"context"
	"errors"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"tandem/clients/dial"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// system is what the program finds around it.
type system struct {
	args          []string
	env           func(string) string
	user, host    string
	stdin         io.Reader
	stdout        io.Writer
	stderr        io.Writer
	inIsTerminal  bool
	outIsTerminal bool
	errIsTerminal bool
	size          func() (width, height int) // of the terminal on standard output
	now           func() time.Time           // this computer's clock
	zone          *time.Location
	dialOptions   []grpc.DialOption
}

// app is one invocation.
type app struct {
	system
	*printer

	address string
	actor   string
	timeout time.Duration

	conn *grpc.ClientConn
	ran  bool // a command has begun: errors are no longer about how it was called
}

// run carries out one invocation and returns its exit code.
func run(ctx context.Context, s system) int {
	a := &app{system: s, printer: newPrinter(s)}
	root := a.root()
	root.SetArgs(s.args)
	root.SetIn(s.stdin)
	root.SetOut(s.stdout)
	root.SetErr(s.stderr)
	cmd, err := root.ExecuteContextC(ctx)
	if a.conn != nil {
		_ = a.conn.Close()
	}
	if writeErr := a.flush(); err == nil {
		err = writeErr
	}
	if err == nil {
		return exitOK
	}
	if !a.ran && !errors.As(err, new(*usageError)) {
		err = &usageError{err}
	}
	return a.fail(ctx, cmd, err)
}

// runs wraps what a command does: it marks the end of the reading of arguments.
func (a *app) runs(f func(cmd *cobra.Command, args []string) error) func(*cobra.Command, []string) error {
	return func(cmd *cobra.Command, args []string) error {
		a.ran = true
		return f(cmd, args)
	}
}

// connect prepares the connection; the first call makes it.
func (a *app) connect() (*grpc.ClientConn, error) {
	if a.conn != nil {
		return a.conn, nil
	}
	conn, err := dial.Open(dial.Config{
		Address:   a.address,
		UserAgent: "tandem/" + programVersion(),
		Options:   a.dialOptions,
	})
	if err != nil {
		return nil, &usageError{err}
	}
	a.conn = conn
	return conn, nil
}

func (a *app) jobs() (tandemv1.JobServiceClient, error) {
	conn, err := a.connect()
	return tandemv1.NewJobServiceClient(conn), err
}

func (a *app) devices() (tandemv1.DeviceServiceClient, error) {
	conn, err := a.connect()
	return tandemv1.NewDeviceServiceClient(conn), err
}

func (a *app) admin() (tandemv1.AdminServiceClient, error) {
	conn, err := a.connect()
	return tandemv1.NewAdminServiceClient(conn), err
}

func (a *app) events() (tandemv1.EventServiceClient, error) {
	conn, err := a.connect()
	return tandemv1.NewEventServiceClient(conn), err
}

// bounded limits one call to the time the caller allows.
func (a *app) bounded(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, a.timeout)
}

// clock asks for the floor's clock: what is shown as "in 12 min" is meant by it, since a simulated floor's runs faster
// than this computer's. Without an answer this computer's clock has to do, and the reader is told.
func (a *app) clock(ctx context.Context) wording.Clock {
	c := wording.Clock{Now: a.now(), Zone: a.zone}
	status, err := a.status(ctx)
	switch {
	case err != nil:
		a.warn("the floor's clock is not known (%s): times are relative to this computer's", brief(err))
	case status.GetNow() != nil:
		c.Now = status.GetNow().AsTime()
	}
	return c
}

func (a *app) status(ctx context.Context) (*tandemv1.Status, error) {
	client, err := a.admin()
	if err != nil {
		return nil, err
	}
	ctx, cancel := a.bounded(ctx)
	defer cancel()
	return client.GetStatus(ctx, &tandemv1.GetStatusRequest{})
}

// jobID returns the id of a job given by its id or by its code. Codes are upper case, ids lower: an id costs no call.
func (a *app) jobID(ctx context.Context, idOrCode string) (string, error) {
	if idOrCode == strings.ToLower(idOrCode) {
		return idOrCode, nil
	}
	client, err := a.jobs()
	if err != nil {
		return "", err
	}
	ctx, cancel := a.bounded(ctx)
	defer cancel()
	job, err := client.GetJob(ctx, &tandemv1.GetJobRequest{Id: idOrCode})
	return job.GetId(), err
}

// deviceID returns the id of a device given by its id or by its code.
func (a *app) deviceID(ctx context.Context, idOrCode string) (string, error) {
	if idOrCode == strings.ToLower(idOrCode) {
		return idOrCode, nil
	}
	client, err := a.devices()
	if err != nil {
		return "", err
	}
	ctx, cancel := a.bounded(ctx)
	defer cancel()
	device, err := client.GetDevice(ctx, &tandemv1.GetDeviceRequest{Id: idOrCode})
	return device.GetId(), err
}
