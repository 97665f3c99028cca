//go:build unix

package ipp

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// cups is a print server of its own with one queue, which prints on an eve.
type cups struct {
	t    *testing.T
	dir  string
	port int
	cmd  *exec.Cmd
}

func newCups(t *testing.T, printer string) *cups {
	t.Helper()
	tool(t, "cupsd", "cups-daemon")
	c := &cups{t: t, dir: t.TempDir(), port: freePort(t)}
	for _, name := range []string{"run", "cache", "spool", "spool/tmp", "log", "ssl"} {
		if err := os.MkdirAll(filepath.Join(c.dir, name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	write(t, filepath.Join(c.dir, "cupsd.conf"), fmt.Sprintf(`Listen 127.0.0.1:%d
Browsing No
LogLevel info
DirtyCleanInterval 0
MaxLogSize 0
<Location />
Order allow,deny
Allow localhost
</Location>
<Policy default>
JobPrivateAccess default
JobPrivateValues default
<Limit All>
Order allow,deny
</Limit>
</Policy>
`, c.port))
	user, group := "", ""
	if os.Geteuid() == 0 { // printing itself is done by somebody else than the superuser, who must reach the spool
		user, group = "User lp\n", "Group lp\nSystemGroup root\n"
		opened(t, c.dir)
	}
	write(t, filepath.Join(c.dir, "cups-files.conf"), fmt.Sprintf(`%[2]s%[3]sServerRoot %[1]s
StateDir %[1]s/run
CacheDir %[1]s/cache
RequestRoot %[1]s/spool
TempDir %[1]s/spool/tmp
ServerKeychain %[1]s/ssl
AccessLog %[1]s/log/access
ErrorLog stderr
PageLog %[1]s/log/page
Sandboxing relaxed
Printcap
`, c.dir, user, group))
	c.on()
	c.tool("lpadmin", "-p", "press", "-E", "-v", printer, "-m", "raw", "-o", "printer-error-policy=retry-current-job")
	return c
}

// opened lets everybody pass through the folders of a test to this one.
func opened(t *testing.T, dir string) {
	t.Helper()
	for range 2 {
		if err := os.Chmod(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		dir = filepath.Dir(dir)
	}
}

func (c *cups) on() {
	c.t.Helper()
	c.cmd, _ = process(c.t, nil, tool(c.t, "cupsd", "cups-daemon"), "-f", "-c", filepath.Join(c.dir, "cupsd.conf"), "-s", filepath.Join(c.dir, "cups-files.conf"))
	eventually(c.t, "the print server listens", func() bool {
		conn, err := net.DialTimeout("tcp", c.host(), time.Second)
		return err == nil && conn.Close() == nil
	})
}

func (c *cups) host() string { return fmt.Sprintf("127.0.0.1:%d", c.port) }
func (c *cups) uri() string  { return "ipp://" + c.host() + "/printers/press" }

// tool is what a person does at the print server.
func (c *cups) tool(name string, args ...string) {
	c.t.Helper()
	out, err := exec.Command(tool(c.t, name, "cups-client"), append([]string{"-h", c.host()}, args...)...).CombinedOutput()
	if err != nil {
		c.t.Fatalf("%s %v: %v: %s", name, args, err, out)
	}
}

// TestCUPS prints through a queue of a print server, with people at it.
func TestCUPS(t *testing.T) {
	t.Parallel()
	e := newEve(t)
	c := newCups(t, e.uri())
	art, sum := artwork(t, "%PDF-1.4 a sheet")
	s := open(t, quick(c.uri()))
	s.online()
	s.deviceIs(idle, atRest)

	s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
	s.is("r1", processing)
	e.waits(1)
	e.does("done")
	if r := s.is("r1", completed); r.GetPiecesGood() != 12 {
		t.Errorf("completed as %v", r)
	}
	s.take(s.daemon.Settle("r1", 1))

	// Somebody stops the queue with nothing in it: nothing is sent there, and nobody resumes it but a person.
	c.tool("cupsdisable", "-r", "new ink", "press")
	s.deviceIs(stopped, standStil, "paused")
	s.take(s.daemon.Grant(s.job("r2", 2, art, sum)))
	s.is("r2", pending, "printer-stopped")
	c.tool("cupsenable", "press")
	s.is("r2", processing)
	e.waits(2)

	// The driver dies, and the server is killed and started again: the queue has kept the job.
	s.stop()
	end(c.cmd)
	c.on()
	s.start()
	s.online()
	s.wait("the run is there", func() bool { return s.daemon.Run("r2") != nil })
	e.does("done", "done") // the server begins the job that it had in work anew, as a print server does
	s.is("r2", completed)
	s.take(s.daemon.Settle("r2", 2))
	e.idle(t)

	// Somebody cancels at the server.
	s.take(s.daemon.Grant(s.job("r3", 3, art, sum)))
	s.is("r3", processing)
	c.tool("cancel", "-a", "press")
	s.is("r3", canceled)
	jobs, err := clientFor(t, c.uri()).jobs(t.Context(), "completed")
	if err != nil {
		t.Fatal(err)
	}
	if len(jobs) != 3 {
		t.Errorf("the server has had %d jobs, want 3: one for each run", len(jobs))
	}
}
