package crashtest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// Build compiles the daemon into dir, with the race detector if asked to, and returns the program's path.
func Build(ctx context.Context, dir string, race bool) (string, error) {
	path := filepath.Join(dir, "tandemd")
	args := []string{"build", "-o", path}
	if race {
		args = append(args, "-race")
	}
	cmd := exec.CommandContext(ctx, "go", append(args, "tandem/daemon/tandemd")...)
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build the daemon: %w\n%s", err, out)
	}
	return path, nil
}

// Process is a program that has been started.
type Process struct {
	cmd   *exec.Cmd
	log   string        // file that takes its standard error
	ended chan struct{} // closed once it has been waited for
	err   error         // how it ended; valid then
}

// startProcess starts a program whose standard error is added to a log file.
func startProcess(log, program string, args ...string) (*Process, error) {
	f, err := os.OpenFile(log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the log of %s: %w", program, err)
	}
	defer f.Close()
	fmt.Fprintf(f, "--- %s %s\n", filepath.Base(program), strings.Join(args, " "))
	p := &Process{cmd: exec.Command(program, args...), log: log, ended: make(chan struct{})}
	p.cmd.Stdout, p.cmd.Stderr = f, f
	// A race must not go by unseen: it ends the program, with a code of its own.
	p.cmd.Env = append(os.Environ(), "GORACE=halt_on_error=1 exitcode=66")
	if err := p.cmd.Start(); err != nil {
		return nil, fmt.Errorf("start %s: %w", program, err)
	}
	go func() {
		p.err = p.cmd.Wait()
		close(p.ended)
	}()
	return p, nil
}

// Kill is the hard way: no handler runs, nothing is flushed. It returns once the process is gone. The error is not nil if it
// had ended by itself before.
func (p *Process) Kill() error {
	select {
	case <-p.ended:
		return p.unexpected()
	default:
	}
	_ = p.cmd.Process.Kill()
	<-p.ended
	if status, ok := p.cmd.ProcessState.Sys().(syscall.WaitStatus); ok && status.Signaled() {
		return nil
	}
	return p.unexpected()
}

// Stop asks the process to end and kills it if it does not.
func (p *Process) Stop(within time.Duration) error {
	_ = p.cmd.Process.Signal(os.Interrupt)
	select {
	case <-p.ended:
		return nil
	case <-time.After(within):
		return errors.Join(fmt.Errorf("the process has not ended within %v of being asked to", within), p.Kill())
	}
}

// Ended says whether the process is gone, and how it ended.
func (p *Process) Ended() (bool, error) {
	select {
	case <-p.ended:
		return true, p.unexpected()
	default:
		return false, nil
	}
}

// Wait waits for the end of the process and returns what it has written since it was started.
func (p *Process) Wait(ctx context.Context) (output string, err error) {
	select {
	case <-p.ended:
		return p.Output(), p.err
	case <-ctx.Done():
		return p.Output(), ctx.Err()
	}
}

// Output returns what the process has written.
func (p *Process) Output() string {
	data, err := os.ReadFile(p.log)
	if err != nil {
		return err.Error()
	}
	if at := bytes.LastIndex(data, []byte("--- "+filepath.Base(p.cmd.Path))); at >= 0 {
		data = data[at:]
	}
	const most = 6000
	return string(data[max(len(data)-most, 0):])
}

func (p *Process) unexpected() error {
	return fmt.Errorf("%s has ended by itself: %v\n%s", filepath.Base(p.cmd.Path), p.cmd.ProcessState, p.Output())
}
