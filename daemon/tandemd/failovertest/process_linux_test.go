package failovertest

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

// binaries are the programs under test: the NATS server of go.mod's version, and the daemon as a shop would run it.
type binaries struct{ server, daemon string }

// built is where TestMain has put them.
var built binaries

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "failovertest-*")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	built = binaries{server: filepath.Join(dir, "nats-server"), daemon: filepath.Join(dir, "tandemd")}
	code := 1
	if err := build(built); err != nil {
		fmt.Fprintln(os.Stderr, err)
	} else {
		code = m.Run()
	}
	_ = os.RemoveAll(dir)
	os.Exit(code)
}

func build(b binaries) error {
	server := exec.Command("go", "build", "-o", b.server, "github.com/nats-io/nats-server/v2")
	if given := os.Getenv("TANDEM_SERVER"); given != "" {
		server = exec.Command("cp", given, b.server)
	}
	for _, build := range []*exec.Cmd{server, exec.Command("go", "build", "-o", b.daemon, "tandem/daemon/tandemd")} {
		if out, err := build.CombinedOutput(); err != nil {
			return fmt.Errorf("build with %v: %w\n%s", build.Args, err, out)
		}
	}
	return nil
}

// process is a child of the test. It is killed at the end at the latest; what it has said is shown if the test has failed.
type process struct {
	t    *testing.T
	name string
	args []string
	log  *os.File
	cmd  *exec.Cmd
	gone chan struct{}
}

// startProcess starts a program, in a network namespace unless ns is empty.
func startProcess(t *testing.T, ns, name string, args ...string) *process {
	t.Helper()
	log, err := os.CreateTemp(t.ArtifactDir(), name+"-*.log")
	if err != nil {
		t.Fatal(err)
	}
	if ns != "" {
		args = append([]string{"ip", "netns", "exec", ns}, args...)
	}
	p := &process{t: t, name: name, args: args, log: log}
	t.Cleanup(func() {
		p.kill()
		if t.Failed() {
			t.Logf("%s said at last:\n%s", name, tail(log.Name(), 6000))
		}
		_ = log.Close()
	})
	p.start()
	return p
}

func (p *process) start() {
	p.t.Helper()
	p.cmd = exec.Command(p.args[0], p.args[1:]...)
	p.cmd.Stdout, p.cmd.Stderr = p.log, p.log
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := p.cmd.Start(); err != nil {
		p.t.Fatalf("start %s: %v", p.name, err)
	}
	p.gone = make(chan struct{})
	go func(cmd *exec.Cmd, gone chan struct{}) {
		_ = cmd.Wait()
		close(gone)
	}(p.cmd, p.gone)
}

// kill is the hard way: no handler runs, nothing is flushed.
func (p *process) kill() {
	p.signal(syscall.SIGKILL)
	<-p.gone
}

func (p *process) signal(s syscall.Signal) { _ = p.cmd.Process.Signal(s) }

// stopped waits until the kernel has stopped the process: a signal is only on its way at first.
func (p *process) stopped() {
	p.t.Helper()
	eventually(p.t, 5*time.Second, p.name+" is stopped", func() bool {
		stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", p.cmd.Process.Pid))
		return err == nil && bytes.Contains(stat, []byte(") T "))
	})
}

func (p *process) running() bool {
	select {
	case <-p.gone:
		return false
	default:
		return true
	}
}

// said counts the lines with a text in what the process has said so far.
func (p *process) said(text string) int {
	content, err := os.ReadFile(p.log.Name())
	if err != nil {
		p.t.Fatal(err)
	}
	return bytes.Count(content, []byte(text))
}

func tail(path string, most int) []byte {
	content, err := os.ReadFile(path)
	if err != nil {
		return []byte(err.Error())
	}
	return content[max(0, len(content)-most):]
}

// eventually waits for a condition.
func eventually(t *testing.T, within time.Duration, what string, ok func() bool) time.Duration {
	t.Helper()
	begin := time.Now()
	for !ok() {
		if time.Since(begin) > within {
			t.Fatalf("not within %v: %s", within, what)
		}
		time.Sleep(5 * time.Millisecond)
	}
	return time.Since(begin)
}
