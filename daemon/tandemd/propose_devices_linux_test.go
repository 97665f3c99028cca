package main

import (
	"bytes"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"go.uber.org/zap"
)

func quietLog(t *testing.T) *zap.Logger {
	t.Helper()
	return zap.NewNop()
}

// besides is a loopback address at which a computer's own print server does not listen.
const besides = "127.77.0.7"

// silentSocket is a device on a raw socket. A byte that it is sent fails the test.
func silentSocket(t *testing.T) (address string) {
	t.Helper()
	l, err := net.Listen("tcp", besides+":0")
	if err != nil {
		t.Fatal(err)
	}
	var done sync.WaitGroup
	done.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			done.Go(func() {
				defer conn.Close()
				if n, _ := conn.Read(make([]byte, 1)); n > 0 {
					t.Error("a byte was sent to a raw socket")
				}
			})
		}
	})
	t.Cleanup(func() {
		_ = l.Close()
		done.Wait()
	})
	return l.Addr().String()
}

// serialLine is a pseudo-terminal.
func serialLine(t *testing.T) (path string) {
	t.Helper()
	master, line, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _, _ = line.Close(), master.Close() })
	return line.Name()
}

// printerObjects are those of an idle printer: HOST-RESOURCES-MIB (RFC 2790), with hrDeviceIndex 1.
const printerObjects = `rocommunity public 127.0.0.0/8
rocommunity inside 127.0.0.0/8
override .1.3.6.1.2.1.25.3.2.1.2.1 object_id .1.3.6.1.2.1.25.3.1.5
override .1.3.6.1.2.1.25.3.2.1.3.1 octet_str "Invented Roll Printer"
override .1.3.6.1.2.1.25.3.2.1.5.1 integer 2
override .1.3.6.1.2.1.25.3.5.1.1.1 integer 3
`

// printerAgent is Debian's snmpd as the agent of a printer. It returns its port.
func printerAgent(t *testing.T) (port string) {
	t.Helper()
	path, err := exec.LookPath("snmpd")
	if err != nil {
		if path = "/usr/sbin/snmpd"; !exists(path) {
			if os.Getenv("CI") == "true" {
				t.Fatal("snmpd is not installed: apt-get install snmpd")
			}
			t.Skip("snmpd is not installed: apt-get install snmpd")
		}
	}
	l, err := net.ListenPacket("udp", besides+":0")
	if err != nil {
		t.Fatal(err)
	}
	port = strconv.Itoa(l.LocalAddr().(*net.UDPAddr).Port)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	conf := filepath.Join(dir, "snmpd.conf")
	if err := os.WriteFile(conf, []byte(printerObjects), 0o600); err != nil {
		t.Fatal(err)
	}
	said := new(lockedText)
	cmd := exec.CommandContext(t.Context(), path, "-f", "-Le", "-C", "-c", conf, "-I", "-hr_device,hr_print,hrDeviceTable,smux", "udp:"+besides+":"+port)
	cmd.Env = append(os.Environ(), "SNMP_PERSISTENT_DIR="+dir, "MIBS=")
	cmd.Stdout, cmd.Stderr = said, said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Wait() }) // it is killed when the test's context ends, which is before
	late := time.Now().Add(10 * time.Second)
	for !strings.Contains(said.text(), "NET-SNMP version") {
		if time.Now().After(late) {
			t.Fatalf("snmpd has not started: %s", said.text())
		}
		time.Sleep(10 * time.Millisecond)
	}
	return port
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

type lockedText struct {
	mu   sync.Mutex
	body bytes.Buffer
}

func (l *lockedText) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.body.Write(p)
}

func (l *lockedText) text() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.body.String()
}
