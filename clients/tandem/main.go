// Command tandem is the client of tandemd for people and scripts: it hands in jobs, shows the floor, takes scans and
// passes on what people at the devices decide.
//
// It decides nothing about jobs or devices itself and keeps nothing on disk. Data goes to standard output, talk to
// standard error; README.md lists the commands and exit codes.
package main

import (
	"context"
	"os"
	"os/signal"
	"os/user"
	"syscall"
	"time"
	_ "time/tzdata" // the shop's time zone, also where the system has none

	"golang.org/x/term"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, surroundings())
	stop()
	os.Exit(code)
}

// surroundings looks at the process's own.
func surroundings() system {
	host, err := os.Hostname()
	if err != nil {
		host = ""
	}
	name := ""
	if u, err := user.Current(); err == nil {
		name = u.Username
	}
	return system{
		args:          os.Args[1:],
		env:           os.Getenv,
		user:          name,
		host:          host,
		stdin:         os.Stdin,
		stdout:        os.Stdout,
		stderr:        os.Stderr,
		inIsTerminal:  term.IsTerminal(int(os.Stdin.Fd())),
		outIsTerminal: term.IsTerminal(int(os.Stdout.Fd())) && obeysSequences(os.Stdout),
		errIsTerminal: term.IsTerminal(int(os.Stderr.Fd())) && obeysSequences(os.Stderr),
		size: func() (width, height int) {
			width, height, err := term.GetSize(int(os.Stdout.Fd()))
			if err != nil {
				return 80, 24
			}
			return width, height
		},
		now:  time.Now,
		zone: time.Local,
	}
}
