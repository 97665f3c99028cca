//go:build unix

package ipp

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// missing ends a test for which this machine lacks something: where everything has to be tested that is a failure.
func missing(t *testing.T, format string, args ...any) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}

// tool returns the path of a program of a Debian package.
func tool(t *testing.T, name, debian string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if path = "/usr/sbin/" + name; !exists(path) {
			missing(t, "%s is not installed: Debian has it in %s", name, debian)
		}
	}
	return path
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// eventually waits for something that other processes do.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	late := time.NewTimer(20 * time.Second)
	defer late.Stop()
	for !holds() {
		select {
		case <-tick.C:
		case <-late.C:
			t.Fatalf("not within 20 s: %s", what)
		}
	}
}

// log is what a program has said.
type log struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (l *log) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.Write(p)
}

func (l *log) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.buf.String()
}

// process starts a program that ends with the test.
func process(t *testing.T, env []string, path string, args ...string) (cmd *exec.Cmd, said *log) {
	t.Helper()
	said = new(log)
	cmd = exec.Command(path, args...)
	cmd.Env = append(os.Environ(), env...)
	cmd.Stdout, cmd.Stderr = said, said
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.WaitDelay = time.Second // its own children may outlive it
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		end(cmd)
		if t.Failed() {
			text := said.String()
			t.Logf("%s said:\n%s", filepath.Base(path), text[max(len(text)-3000, 0):])
		}
	})
	return cmd, said
}

// end kills a process and what it has started.
func end(cmd *exec.Cmd) {
	if cmd.ProcessState == nil {
		_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
		_ = cmd.Wait()
	}
}

// bus starts a message bus of its own, which ippeveprinter wants to announce itself on; nothing listens there.
func bus(t *testing.T) (address string) {
	t.Helper()
	daemon := tool(t, "dbus-daemon", "dbus-daemon")
	dir := t.TempDir()
	socket := filepath.Join(dir, "bus")
	conf := filepath.Join(dir, "bus.conf")
	write(t, conf, `<busconfig><type>system</type><listen>unix:path=`+socket+`</listen><auth>EXTERNAL</auth>
<policy context="default"><allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/><allow own="*"/></policy></busconfig>`)
	process(t, nil, daemon, "--config-file="+conf, "--nofork", "--nopidfile")
	eventually(t, "the bus is there", func() bool { return exists(socket) })
	return "unix:path=" + socket
}

// eve is a printer of CUPS for tests of clients, ippeveprinter. Instead of printing, its command does what the test writes
// to it: lines for its standard error, "done" or "fail".
type eve struct {
	t    *testing.T
	dir  string
	port int
	bus  string
	args []string
	cmd  *exec.Cmd
	says *log
	pipe *os.File
}

const eveCommand = `#!/bin/sh
[ -e "$EVE_DIR/by-itself" ] && exit 0
echo "$IPP_JOB_NAME $IPP_COPIES $(sha256sum <"$1" | cut -c1-64)" >>"$EVE_DIR/printed"
exec 3<>"$EVE_DIR/pipe"
while read -r line <&3; do
    case $line in
    done) exit 0 ;;
    fail) exit 1 ;;
    *) echo "$line" >&2 ;;
    esac
done
`

func newEve(t *testing.T, args ...string) *eve {
	t.Helper()
	tool(t, "ippeveprinter", "cups-ipp-utils")
	e := &eve{t: t, dir: t.TempDir(), port: freePort(t), bus: bus(t), args: args}
	write(t, filepath.Join(e.dir, "command"), eveCommand)
	if err := os.Chmod(filepath.Join(e.dir, "command"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(e.dir, "spool"), 0o700); err != nil {
		t.Fatal(err)
	}
	pipe := filepath.Join(e.dir, "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	var err error
	if e.pipe, err = os.OpenFile(pipe, os.O_RDWR, 0); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = e.pipe.Close() })
	e.on()
	return e
}

// on switches it on, with no memory of what it did before.
func (e *eve) on() {
	e.t.Helper()
	args := append([]string{
		"-r", "off", "-n", "localhost", "-p", strconv.Itoa(e.port), "-d", filepath.Join(e.dir, "spool"),
		"-c", filepath.Join(e.dir, "command"), "-v",
	}, e.args...)
	if !slices.Contains(e.args, "-a") { // a file of attributes names the formats as well
		args = append(args, "-f", "application/pdf,image/pwg-raster,text/plain")
	}
	path := tool(e.t, "ippeveprinter", "cups-ipp-utils")
	e.cmd, e.says = process(e.t, []string{"DBUS_SYSTEM_BUS_ADDRESS=" + e.bus, "EVE_DIR=" + e.dir, "HOME=" + e.dir}, path, append(args, "tested")...)
	eventually(e.t, "the printer listens", func() bool {
		conn, err := net.DialTimeout("tcp", e.address(), time.Second)
		if err != nil {
			return false
		}
		return conn.Close() == nil
	})
}

// off pulls its plug.
func (e *eve) off() { end(e.cmd) }

func (e *eve) address() string { return net.JoinHostPort("127.0.0.1", strconv.Itoa(e.port)) }
func (e *eve) uri() string     { return "ipp://" + e.address() + "/ipp/print" }

// does tells the command what to do.
func (e *eve) does(lines ...string) {
	e.t.Helper()
	for _, line := range lines {
		if _, err := fmt.Fprintln(e.pipe, line); err != nil {
			e.t.Fatal(err)
		}
	}
}

// byItself lets each job end at once, without being told.
func (e *eve) byItself() { write(e.t, filepath.Join(e.dir, "by-itself"), "") }

// printed returns what has been begun: job name, copies and hash of the document.
func (e *eve) printed() [][]string {
	body, err := os.ReadFile(filepath.Join(e.dir, "printed"))
	if err != nil {
		return nil
	}
	var out [][]string
	for line := range strings.Lines(string(body)) {
		out = append(out, strings.Fields(line))
	}
	return out
}

func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// waits waits until so many jobs have been begun.
func (e *eve) waits(n int) {
	e.t.Helper()
	eventually(e.t, fmt.Sprintf("%d jobs are begun", n), func() bool { return len(e.printed()) >= n })
}
