package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"tandem/daemon/bus"
	"tandem/daemon/config"
	"tandem/drivers"
	"tandem/drivers/livecheck"
	tandemv1 "tandem/proto/tandem/v1"
)

// driverCheck is one check of a live driver: a bus of its own, and perhaps the driver in this process.
type driverCheck struct {
	floor, listen, restart string
	documents              []string
	opt                    livecheck.Options

	device *tandemv1.Device // nil: no floor file was given
	dir    string           // holds the bus's token and the driver's state
	bus    *bus.Server
	log    *zap.Logger
}

func driversCheckCommand() *cobra.Command {
	var c driverCheck
	cmd := &cobra.Command{
		Use:   "check DEVICE",
		Short: "Hold a live driver against the contract",
		Long: "Plays the daemon on a bus of its own and gives the driver of a device orders that are common, late, doubled, stale or\n" +
			"nonsense. With --floor it runs the device's driver itself, unless it is external; otherwise start the driver against the\n" +
			"address and the token file that are printed, in whatever language it is written. Stop the daemon first if it has the device.\n\n" +
			"Nothing moves without --move, if the driver is right. It may be wrong: clear the machine, and stand beside it. This is no\n" +
			"safety test, and nothing here is a safety function.",
		Example: "  tandemd drivers check cutter-1 --floor floor.yaml\n" +
			"  tandemd drivers check cutter-1 --floor floor.yaml --move --document cut=test.plt\n" +
			"  tandemd drivers check bench-7 --restart 'systemctl restart bench-7-driver'   # a driver of your own",
		Args: exactly(1, "name the device"),
		RunE: func(cmd *cobra.Command, args []string) error {
			c.opt.Device = args[0]
			return c.run(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	f := cmd.Flags()
	f.StringVar(&c.floor, "floor", "", "floor file that has the device")
	f.StringVar(&c.listen, "bus-listen", "127.0.0.1:7434", "where a driver of another process connects; loopback only")
	f.StringVar(&c.opt.Operation, "operation", "", "what test runs do (default the first that the driver says it can)")
	f.StringArrayVar(&c.documents, "document", nil, "file of a test run, as ROLE=PATH; may come more than once")
	f.DurationVar(&c.opt.Work, "work", 10*time.Second, "how long a test run is expected to take")
	f.DurationVar(&c.opt.MoveWithin, "move-within", 10*time.Minute, "how long a test run may take")
	f.DurationVar(&c.opt.Wait, "wait", 5*time.Minute, "how long to wait for the driver")
	f.BoolVar(&c.opt.Move, "move", false, "let test runs begin: the device moves")
	f.StringVar(&c.restart, "restart", "", "shell command that ends the driver and starts it again")
	f.StringArrayVar(&c.opt.Only, "only", nil, "name of a check to make; may come more than once (default all)")
	return cmd
}

func (c *driverCheck) run(ctx context.Context, out, talk io.Writer) (err error) {
	if c.log, err = newLogger("error", "console"); err != nil {
		return err
	}
	if err := c.read(); err != nil {
		return &usageError{err}
	}
	if c.dir, err = os.MkdirTemp("", "tandem-check-"); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(c.dir)) }()
	if err := c.openBus(); err != nil {
		return err
	}
	defer func() { c.bus.Shutdown() }()
	if c.device != nil && !c.device.GetDriver().GetExternal() {
		stop, err := c.drive(ctx)
		if err != nil {
			return err
		}
		defer func() { stop() }()
		c.opt.Restart = func(ctx context.Context) error {
			stop()
			stop, err = c.drive(ctx)
			return err
		}
	} else {
		fmt.Fprintf(talk, "waiting for the driver of %s at %s, token file %s\n", c.opt.Device, c.bus.URL(), c.tokenFile())
	}
	if c.restart != "" {
		c.opt.Restart = func(ctx context.Context) error { return shell(ctx, talk, c.restart) }
	}
	conn, err := c.bus.FloorConn("check")
	if err != nil {
		return err
	}
	c.opt.Reconnect = c.reopen
	c.opt.Ended = func(r livecheck.Result) {
		switch {
		case r.Err != nil:
			fmt.Fprintf(out, "WRONG     %s: %v\n", r.Name, r.Err)
		case r.Left != "":
			fmt.Fprintf(out, "left out  %s: %s\n", r.Name, r.Left)
		default:
			fmt.Fprintf(out, "good      %s\n", r.Name)
		}
	}
	results, err := livecheck.Check(ctx, conn, c.opt)
	if err == nil {
		left := 0
		for _, r := range results {
			if r.Left != "" {
				left++
			}
		}
		fmt.Fprintf(out, "the driver keeps the contract as far as it was looked at: %d checks good, %d left out\n", len(results)-left, left)
	}
	return err
}

// read reads the device from the floor file, and the documents.
func (c *driverCheck) read() error {
	for _, given := range c.documents {
		role, path, ok := strings.Cut(given, "=")
		if !ok || role == "" {
			return fmt.Errorf("--document: %q is not ROLE=PATH, such as cut=test.plt", given)
		}
		content, err := os.ReadFile(path)
		if err != nil {
			return fmt.Errorf("--document: %w", err)
		}
		full, err := filepath.Abs(path)
		if err != nil {
			return fmt.Errorf("--document: %w", err)
		}
		sum := sha256.Sum256(content)
		full = filepath.ToSlash(full)
		if !strings.HasPrefix(full, "/") { // a drive's letter
			full = "/" + full
		}
		c.opt.Documents = append(c.opt.Documents, &tandemv1.Document{
			Role: role, Uri: (&url.URL{Scheme: "file", Path: full}).String(), Sha256: hex.EncodeToString(sum[:]),
		})
	}
	if c.floor == "" {
		return nil
	}
	file, err := config.LoadFloor(c.floor, knownKinds)
	if err != nil {
		return err
	}
	at := slices.IndexFunc(file.GetDevices(), func(d *tandemv1.Device) bool { return d.GetId() == c.opt.Device })
	if at < 0 {
		return fmt.Errorf("the floor file has no device %q; it has %v", c.opt.Device, deviceIDs(file))
	}
	c.device = file.GetDevices()[at]
	c.opt.Capacity, c.opt.Manual = int(c.device.GetCapacity()), c.device.GetDriver().GetManual()
	return nil
}

func (c *driverCheck) tokenFile() string { return filepath.Join(c.dir, "bus", bus.TokenFile) }

func (c *driverCheck) openBus() (err error) {
	c.bus, err = bus.StartServer(bus.ServerConfig{StoreDir: filepath.Join(c.dir, "bus"), MaxStore: 1 << 20, Listen: c.listen, Log: natsLog(c.log)})
	return err
}

// reopen takes the bus away and brings it back.
func (c *driverCheck) reopen(context.Context) (*nats.Conn, error) {
	c.listen = strings.TrimPrefix(c.bus.URL(), "nats://") // the same port, where any would have done
	c.bus.Shutdown()
	if err := c.openBus(); err != nil {
		return nil, err
	}
	return c.bus.FloorConn("check")
}

// drive runs the device's driver in this process, over the same socket as one of another process.
func (c *driverCheck) drive(ctx context.Context) (stop func(), err error) {
	host, err := newHost(c.device, c.dir, c.log)
	if err != nil {
		return nil, err
	}
	conn, err := bus.Dial(c.bus.URL(), c.tokenFile(), c.opt.Device, bus.LogTo(c.log.WithOptions(zap.IncreaseLevel(zap.ErrorLevel))))
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		if err := host.Run(ctx, conn); err != nil && !errors.Is(err, drivers.ErrBusClosed) {
			c.log.Error("driver ended", zap.Error(err))
		}
	}()
	return func() {
		cancel()
		<-ended
		conn.Close()
	}, nil
}

// shell runs a command as the system's shell does.
func shell(ctx context.Context, talk io.Writer, line string) error {
	name, flag := "/bin/sh", "-c"
	if runtime.GOOS == "windows" {
		name, flag = "cmd", "/C"
	}
	cmd := exec.CommandContext(ctx, name, flag, line)
	cmd.Stdout, cmd.Stderr = talk, talk
	return cmd.Run()
}
