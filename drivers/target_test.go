package drivers_test

import (
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"tandem/drivers"
)

func TestParseTarget(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, test := range []struct {
		address string
		form    drivers.Form
		host    string
		port    int
	}{
		{"192.0.2.7", drivers.FormHost, "192.0.2.7", 0},
		{" printer-1.example:9100 ", drivers.FormHost, "printer-1.example", 9100},
		{"2001:db8::7", drivers.FormHost, "2001:db8::7", 0},
		{"[2001:db8::7]", drivers.FormHost, "2001:db8::7", 0},
		{"[2001:db8::7]:9100", drivers.FormHost, "2001:db8::7", 9100},
		{"fe80::1%eth0", drivers.FormHost, "fe80::1%eth0", 0},
		{"ipps://printer-1.example:8631/ipp/print", drivers.FormURI, "printer-1.example", 8631},
		{"http://[2001:db8::7]/", drivers.FormURI, "2001:db8::7", 0},
		{dir, drivers.FormFolder, "", 0},
		{"./", drivers.FormFolder, "", 0},
		{os.DevNull, drivers.FormLine, "", 0},
	} {
		got, err := drivers.ParseTarget(test.address)
		if err != nil || got.Form != test.form || got.Host != test.host || got.Port != test.port {
			t.Errorf("%q is %+v, %v, want form %d, host %q, port %d", test.address, got, err, test.form, test.host, test.port)
		}
		if (got.Form == drivers.FormFolder || got.Form == drivers.FormLine) && !filepath.IsAbs(got.Address) {
			t.Errorf("%q has the path %q, want an absolute one", test.address, got.Address)
		}
	}
}

func TestParseTargetRefuses(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for address, says := range map[string]string{
		"":                           "is empty",
		"192.0.2.0/24":               "no network is searched",
		"192.0.2.*":                  "no network is searched",
		"192.0.2.7,192.0.2.8":        "no network is searched",
		"224.0.0.1":                  "no single device",
		"255.255.255.255:9100":       "no single device",
		"0.0.0.0":                    "no single device",
		"ff02::1":                    "no single device",
		"ipp://[ff02::1]/ipp/print":  "no single device",
		"192.0.2.7:0":                "port from 1 to 65535",
		"192.0.2.7:http":             "port from 1 to 65535",
		":9100":                      "names no host",
		"ipp:///ipp/print":           "names no host",
		"ipp://me:pw@192.0.2.7/":     "--password-file",
		"ipp://192.0.2.7/?waitjob=0": "without a name, password or query",
		"socket://192.0.2.7:9100":    "HOST:PORT",
		"smb://192.0.2.7/share":      "mount the share",
		"lpd://192.0.2.7/queue":      "no driver here speaks",
		file:                         "neither a folder nor a serial line",
		file + "/in":                 "",
		"/nonexistent/in":            "mount the share",
		"/dev/ttyUSB99":              "/dev/serial/by-id",
	} {
		if _, err := drivers.ParseTarget(address); err == nil || !strings.Contains(err.Error(), says) || strings.Contains(err.Error(), ":pw@") {
			t.Errorf("%q: error %v, want one that says %q", address, err, says)
		}
	}
}

func TestUnreachable(t *testing.T) {
	t.Parallel()
	dial := func(err error) error {
		return &net.OpError{Op: "dial", Net: "tcp", Err: os.NewSyscallError("connect", err)}
	}
	other := errors.New("something else")
	for says, err := range map[string]error{
		"nothing listens":          dial(syscall.ECONNREFUSED),
		"no way to it":             dial(syscall.EHOSTUNREACH),
		"reset":                    dial(syscall.ECONNRESET),
		"no answer in time":        dial(context.DeadlineExceeded),
		`for the name "printer-1"`: &net.OpError{Op: "dial", Err: &net.DNSError{Name: "printer-1", IsNotFound: true}},
		"something else":           other,
	} {
		if got := drivers.Unreachable(err); !errors.Is(got, err) || !strings.Contains(got.Error(), says) {
			t.Errorf("%v is explained by %q, want %q in it", err, got, says)
		}
	}
}

func TestPlainLine(t *testing.T) {
	t.Parallel()
	for given, want := range map[string]string{
		"Press North":                  "Press North",
		" a\r\n  b\tc ":                "a b c",
		"x\u2028y\u0085z\x00":          "x y z",
		"left\u202eright":              "left right",
		"broken \xff text":             "broken text",
		"Größe 3 – 北":                  "Größe 3 – 北",
		strings.Repeat("x", 400):       strings.Repeat("x", 300) + "...",
		strings.Repeat("x", 299) + "ö": strings.Repeat("x", 299) + "...",
	} {
		if got := drivers.PlainLine(given); got != want {
			t.Errorf("%q is %q, want %q", given, got, want)
		}
	}
}
