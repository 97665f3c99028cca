package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"tandem/drivers"
	"tandem/drivers/all"
	"tandem/drivers/propose"
	"tandem/proto/durable"
)

// driverProposal is what the command line says of one address.
type driverProposal struct {
	target          drivers.Target
	id              string
	saveCertificate string
	asJSON          bool
}

func driversProposeCommand() *cobra.Command {
	var p driverProposal
	cmd := &cobra.Command{
		Use:   "propose ADDRESS",
		Short: "Ask a device at one address what it is, and propose its entry in the floor file",
		Long: "Asks at the one address that is given, never searches a network, and prints a device to paste into the floor file: what\n" +
			"was found, what is assumed, and what a person must still decide. It only reads: nothing is printed, cut or changed.\n\n" +
			"ADDRESS is one of\n" +
			"  ipp://HOST/ipp/print   a printer or a queue of a print server, also ipps, http and https: Get-Printer-Attributes\n" +
			"  HOST or HOST:PORT      IPP on port 631 at /ipp/print (and on PORT if that is 80 or 443); a raw socket on 9100, or on PORT,\n" +
			"                         is opened and closed again without sending a byte\n" +
			"  /dev/ttyUSB0           a serial line is only looked at, never opened: opening can reset the device\n" +
			"  /mnt/cutter/in         a folder is listed; an empty file is made there and removed\n" +
			"With --community or --snmp-credentials a printer's SNMP agent at the host is read as well.\n\n" +
			"CAUTION: a few devices print a blank page or move at any connection to a raw socket (common practice, no source). Clear the\n" +
			"machine first. Nothing here is a safety function.",
		Example: "  tandemd drivers propose ipp://192.0.2.7/ipp/print --id printer-north\n" +
			"  tandemd drivers propose 192.0.2.7 --community public\n" +
			"  tandemd drivers propose 192.0.2.9:9100 --files /srv/cut --id cutter-1\n" +
			"  tandemd drivers propose ipps://192.0.2.7/ipp/print --save-certificate printer.pem   # after comparing its fingerprint: --ca-file printer.pem",
		Args: exactly(1, "name one address"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return p.run(cmd.Context(), args[0], cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	f := cmd.Flags()
	f.StringVar(&p.id, "id", "", "id of the device (default made from what it calls itself)")
	f.StringVar(&p.target.Operation, "operation", "", "what the device is for (default print by IPP, cut by a socket, a line or a folder)")
	f.StringVar(&p.target.Files, "files", "", "folder with the files of runs, for sockets, lines and folders")
	f.DurationVar(&p.target.Timeout, "timeout", 5*time.Second, "how long to wait for each answer: 100ms to 5m")
	f.StringVar(&p.target.User, "user", "", "name to log in to an IPP printer with")
	f.StringVar(&p.target.PasswordFile, "password-file", "", "file of mode 0600 with the password in its first line")
	f.StringVar(&p.target.CAFile, "ca-file", "", "PEM file with the certificates to trust for ipps, instead of the system's")
	f.StringVar(&p.target.ServerName, "server-name", "", "name in the printer's certificate, if it is not the host")
	f.StringVar(&p.saveCertificate, "save-certificate", "", "new file for the certificate of an ipps printer that is not trusted yet")
	f.StringVar(&p.target.Community, "community", "", "community by which to read SNMPv2c, such as public; it goes over the network in clear")
	f.StringVar(&p.target.Credentials, "snmp-credentials", "", "file of mode 0600 by which to read SNMP, as the setting credentials of the watcher snmp has it")
	f.IntVar(&p.target.SNMPPort, "snmp-port", 161, "port of the SNMP agent")
	f.BoolVar(&p.asJSON, "json", false, "print JSON")
	return cmd
}

func (p *driverProposal) run(ctx context.Context, address string, out, talk io.Writer) error {
	if err := p.read(ctx, address); err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return &usageError{err}
	}
	device, err := propose.Ask(ctx, all.All(), p.target, p.id)
	if err != nil {
		if p.saveCertificate != "" {
			err = errors.Join(err, p.save(err, talk))
		}
		return err
	}
	if p.asJSON {
		return writeJSON(out, device)
	}
	_, err = io.WriteString(out, device.Stanza())
	return err
}

// read completes the target. What it finds wrong is the caller's mistake.
func (p *driverProposal) read(ctx context.Context, address string) error {
	given := p.target
	if given.Timeout < 100*time.Millisecond || given.Timeout > 5*time.Minute {
		return fmt.Errorf("--timeout: %s: give a duration from 100ms to 5m", given.Timeout)
	}
	var err error
	if p.target, err = parseTarget(ctx, address, given.Timeout); err != nil {
		return err
	}
	t := &p.target
	t.Operation, t.Timeout, t.SNMPPort, t.Community = given.Operation, given.Timeout, given.SNMPPort, given.Community
	t.User, t.ServerName = given.User, given.ServerName
	for _, f := range []struct {
		to   *string
		path string
	}{
		{&t.Files, given.Files}, {&t.PasswordFile, given.PasswordFile}, {&t.CAFile, given.CAFile}, {&t.Credentials, given.Credentials},
	} {
		if f.path == "" {
			continue
		}
		if *f.to, err = filepath.Abs(f.path); err != nil { // the daemon may be started elsewhere
			return err
		}
	}
	switch {
	case p.id != "" && !drivers.ValidID(p.id):
		return fmt.Errorf("--id: %q is no id: use 1 to 63 lower-case letters, digits and dashes, no dash first", p.id)
	case t.Operation != "" && !drivers.ValidID(t.Operation):
		return fmt.Errorf("--operation: %q is no id: write print, cut, or a word of the shop's own in lower case", t.Operation)
	case (t.User == "") != (t.PasswordFile == ""):
		return errors.New("--user and --password-file go together: give both, or neither")
	case t.Community != "" && t.Credentials != "":
		return errors.New("--community and --snmp-credentials: keep one")
	case t.SNMPPort < 1 || t.SNMPPort > 65535:
		return fmt.Errorf("--snmp-port: %d: give a port from 1 to 65535", t.SNMPPort)
	}
	return nil
}

// parseTarget does not wait longer for a path on a share that has gone away.
func parseTarget(ctx context.Context, address string, timeout time.Duration) (drivers.Target, error) {
	type parsed struct {
		target drivers.Target
		err    error
	}
	ctx, cancel := context.WithTimeoutCause(ctx, timeout, fmt.Errorf("%s: no answer within %s: is its share mounted, and its server on?", address, timeout))
	defer cancel()
	done := make(chan parsed, 1)
	go func() {
		target, err := drivers.ParseTarget(address)
		done <- parsed{target, err}
	}()
	select {
	case p := <-done:
		return p.target, p.err
	case <-ctx.Done():
		return drivers.Target{}, context.Cause(ctx)
	}
}

// save writes the certificate that an error holds into a new file.
func (p *driverProposal) save(err error, talk io.Writer) error {
	var bad interface {
		error
		PEM() []byte
	}
	if !errors.As(err, &bad) {
		return nil
	}
	f, err := os.OpenFile(p.saveCertificate, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("--save-certificate: %w", err)
	}
	if err := durable.Fill(f, bad.PEM()); err != nil {
		return fmt.Errorf("--save-certificate: %w", err)
	}
	fmt.Fprintf(talk, "saved the certificate in %s; use it only after comparing the fingerprint\n", p.saveCertificate)
	return nil
}
