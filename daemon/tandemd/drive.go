package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"sync"

	"github.com/nats-io/nats.go"
	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"tandem/daemon/bus"
	"tandem/daemon/config"
	"tandem/drivers"
	"tandem/drivers/all"
	"tandem/proto/durable"
	tandemv1 "tandem/proto/tandem/v1"
)

// knownKinds tells the floor file's checker about the drivers that are built in.
func knownKinds(name string) (config.Kind, error) {
	kind, err := all.Find(name)
	if err != nil {
		return config.Kind{}, err
	}
	return config.Kind{Manual: kind.Manual, CheckDevice: func(d *tandemv1.Device) error {
		_, err := drivers.NewHost(kind, environment(d, "", zap.NewNop()), d.GetDriver().GetSettings())
		return err
	}, CheckWatch: func(d *tandemv1.Device, w *tandemv1.Watch) error {
		_, err := drivers.NewWatcher(kind, environment(d, "", zap.NewNop()), w.GetSettings())
		return err
	}}, nil
}

// environment is what a device's driver and its watchers are given.
func environment(d *tandemv1.Device, stateDir string, log *zap.Logger) drivers.Env {
	env := drivers.Env{Device: d.GetId(), Capacity: int(d.GetCapacity()), Log: seldom(log.Named("driver"), "order refused"), StateDir: stateDir}
	for _, a := range d.GetAbilities() {
		env.Operations = append(env.Operations, a.GetOperation())
	}
	return env
}

// newHost makes the host of a device's driver and of its watchers; it opens nothing.
func newHost(d *tandemv1.Device, dataDir string, log *zap.Logger) (*drivers.Host, error) {
	kind, err := all.Find(d.GetDriver().GetKind())
	if err != nil {
		return nil, err
	}
	stateDir := ""
	if dataDir != "" {
		stateDir = filepath.Join(dataDir, "drivers", d.GetId())
		if err := durable.MakeFolder(stateDir, 0o700); err != nil {
			return nil, fmt.Errorf("make the driver's folder: %w", err)
		}
	}
	host, err := drivers.NewHost(kind, environment(d, stateDir, log), d.GetDriver().GetSettings())
	if err != nil {
		return nil, err
	}
	for _, w := range d.GetWatch() {
		kind, err := all.Find(w.GetKind())
		if err != nil {
			return nil, err
		}
		if err := host.Watch(kind, w.GetSettings()); err != nil {
			return nil, err
		}
	}
	return host, nil
}

// hosts are the drivers that run inside the daemon.
type hosts struct {
	cancel context.CancelFunc
	done   sync.WaitGroup
}

// startHosts starts the driver of every device that does not bring its own.
func startHosts(ctx context.Context, cfg daemonConfig, server hub) (*hosts, error) {
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	h := &hosts{cancel: cancel}
	for _, d := range cfg.File.GetDevices() {
		if d.GetDriver().GetExternal() {
			continue
		}
		host, err := newHost(d, cfg.DataDir, cfg.Log)
		if err != nil {
			h.stop()
			return nil, err
		}
		conn, err := server.DriverConn(d.GetId())
		if err != nil {
			h.stop()
			return nil, err
		}
		h.done.Go(func() {
			defer conn.Close()
			if err := host.Run(ctx, conn); err != nil {
				cfg.Log.Error("driver ended", zap.String("device", d.GetId()), zap.Error(err))
			}
		})
	}
	return h, nil
}

func (h *hosts) stop() {
	h.cancel()
	h.done.Wait()
}

func driveCommand() *cobra.Command {
	var floorPath, device, busURL, tokenFile, dataDir, authority string
	cmd := &cobra.Command{
		Use:   "drive",
		Short: "Run one device's driver in a process of its own",
		Long: "Runs the driver of a device that the floor file marks `external: true`. It connects, and reconnects for ever, to the\n" +
			"daemon's bus with the token the daemon keeps in its data folder.",
		Example: "  tandemd drive --floor floor.yaml --device cutter-1 --bus nats://127.0.0.1:7432 \\\n" +
			"      --token-file /var/lib/tandem/bus/driver-token --data-dir /var/lib/tandem-cutter-1",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			log, err := newLogger("info", "console")
			if err != nil {
				return err
			}
			file, err := config.LoadFloor(floorPath, knownKinds)
			if err != nil {
				return &usageError{err}
			}
			at := slices.IndexFunc(file.GetDevices(), func(d *tandemv1.Device) bool { return d.GetId() == device })
			if at < 0 {
				return &usageError{fmt.Errorf("--device: the floor file has no device %q; it has %v", device, deviceIDs(file))}
			}
			if !file.GetDevices()[at].GetDriver().GetExternal() {
				return &usageError{fmt.Errorf("device %s is driven by the daemon itself; set driver.external: true in the floor file first", device)}
			}
			if tokenFile == "" {
				return &usageError{errors.New("--token-file: name the file with the drivers' token, DATA-DIR/bus/driver-token of the daemon")}
			}
			host, err := newHost(file.GetDevices()[at], dataDir, log)
			if err != nil {
				return &usageError{err}
			}
			unlock, err := lockDevice(dataDir, device, log)
			if err != nil {
				return err
			}
			defer unlock()
			options := []nats.Option{bus.LogTo(log)}
			if authority != "" {
				options = append(options, nats.RootCAs(authority))
			}
			conn, err := bus.Dial(busURL, tokenFile, device, options...)
			if err != nil {
				return &usageError{err}
			}
			defer conn.Close()
			return host.Run(cmd.Context(), conn)
		},
	}
	f := cmd.Flags()
	f.StringVar(&floorPath, "floor", "floor.yaml", "floor file")
	f.StringVar(&device, "device", "", "id of the device")
	f.StringVar(&busURL, "bus", "nats://127.0.0.1:7432", "address of the daemon's bus, or of each server of a cluster with commas")
	f.StringVar(&tokenFile, "token-file", "", "file with the drivers' token: DATA-DIR/bus/driver-token of the daemon, or the password of a cluster's user driver")
	f.StringVar(&authority, "ca", "", "file with the certificates, PEM, that a cluster's are signed with, for tls:// addresses")
	f.StringVar(&dataDir, "data-dir", "", "folder in which the driver keeps what it must know after a restart")
	return cmd
}

func driversCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "drivers",
		Short: "List the built-in kinds of drivers and their settings, or check a live one",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			out := cmd.OutOrStdout()
			for _, k := range all.All() {
				fmt.Fprintf(out, "%s - %s\n", k.Name, k.Summary)
				for _, s := range k.Settings {
					fmt.Fprintf(out, "    %-16s %s", s.Name, s.Help)
					if s.Default != "" {
						fmt.Fprintf(out, " (default %s)", s.Default)
					}
					fmt.Fprintln(out)
				}
				for _, name := range slices.Sorted(maps.Keys(k.Example)) {
					fmt.Fprintf(out, "    for example %s: %s\n", name, k.Example[name])
				}
			}
			return nil
		},
	}
	cmd.AddCommand(driversCheckCommand(), driversProposeCommand())
	return cmd
}
