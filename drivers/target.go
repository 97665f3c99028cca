package drivers

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Form is what an address names.
type Form int

// What an address can name.
const (
	FormURI    Form = iota + 1 // of a printer: ipp, ipps, http or https
	FormHost                   // a host, perhaps with a port
	FormLine                   // a serial line
	FormFolder                 // a folder
)

// A Target is one address that a person gave, and what may be used to ask there.
type Target struct {
	// Address is what was given, a path as an absolute one.
	Address string
	// Form is what that names.
	Form Form
	// URI is set with FormURI.
	URI *url.URL
	// Host is set with FormURI and FormHost; it may be an IPv6 address, without brackets.
	Host string
	// Port is the one that was named; 0: none.
	Port int
	// Timeout is for each answer.
	Timeout time.Duration
	// Operation is what the device is for; empty: what a device of the kind mostly is for.
	Operation string
	// Files is the folder with the files of runs; empty: nobody said.
	Files string
	// User, PasswordFile, CAFile and ServerName are for connections that need them; empty: not given.
	User, PasswordFile, CAFile, ServerName string
	// Community and Credentials are for SNMP, which is not spoken without one of them.
	Community, Credentials string
	// SNMPPort is that of the SNMP agent; 0: the usual one, 161.
	SNMPPort int
	// Answered is whether a driver that knows more of the device has been answered already.
	Answered bool
}

// ParseTarget reads an address. It looks whether a path is there, and asks nothing else.
func ParseTarget(address string) (Target, error) {
	t := Target{Address: strings.TrimSpace(address)}
	switch {
	case t.Address == "":
		return t, errors.New("the address is empty: " + addressForms)
	case strings.Contains(t.Address, "://"):
		return t, t.parseURI()
	case windowsLine.MatchString(t.Address) && runtime.GOOS == "windows":
		t.Form = FormLine
		return t, nil
	case isPath(t.Address):
		return t, t.parsePath()
	}
	return t, t.parseHost()
}

const addressForms = "give a printer's URI such as ipp://192.0.2.7/ipp/print, a host or host:port, a serial line such as /dev/ttyUSB0, or a folder"

var (
	windowsLine = regexp.MustCompile(`^(?i)(\\\\\.\\)?COM[0-9]{1,3}$`)
	letterDrive = regexp.MustCompile(`^[A-Za-z]:[\\/]`)
)

func isPath(s string) bool {
	return strings.HasPrefix(s, "/") || strings.HasPrefix(s, ".") || strings.HasPrefix(s, `\\`) || letterDrive.MatchString(s)
}

func (t *Target) parseURI() error {
	u, err := url.Parse(t.Address)
	if err != nil {
		return fmt.Errorf("address %q is no URI: %s", t.Address, addressForms)
	}
	if !slices.Contains([]string{"ipp", "ipps", "http", "https"}, u.Scheme) {
		switch u.Scheme {
		case "socket", "tcp":
			return fmt.Errorf("address %q: write HOST:PORT for a raw socket, without %s://", t.Address, u.Scheme)
		case "smb", "nfs", "afp", "ftp":
			return fmt.Errorf("address %q: mount the share, and give the folder where it is mounted", t.Address)
		}
		return fmt.Errorf("address %q begins with %s://, which no driver here speaks: %s", t.Address, u.Scheme, addressForms)
	}
	if u.User != nil || u.RawQuery != "" || u.Fragment != "" {
		return fmt.Errorf("address: write %s://HOST/PATH without a name, password or query; a login is given with --user and --password-file", u.Scheme)
	}
	t.Form, t.URI = FormURI, u
	return t.hostPort(u.Hostname(), u.Port())
}

func (t *Target) parseHost() error {
	t.Form = FormHost
	if strings.ContainsAny(t.Address, "/*, ") {
		return fmt.Errorf("address %q: give one address; no network is searched. A folder begins with / or ./", t.Address)
	}
	if ip, err := netip.ParseAddr(strings.Trim(t.Address, "[]")); err == nil {
		return t.hostPort(ip.String(), "")
	}
	host, port, err := net.SplitHostPort(t.Address)
	if err != nil {
		host, port = t.Address, ""
	}
	return t.hostPort(host, port)
}

func (t *Target) hostPort(host, port string) error {
	if host == "" || strings.ContainsAny(host, ":/[] ") && net.ParseIP(host) == nil && !strings.Contains(host, "%") {
		return fmt.Errorf("address %q names no host: %s", t.Address, addressForms)
	}
	if ip, err := netip.ParseAddr(host); err == nil && (ip.IsMulticast() || ip.IsUnspecified() || ip == netip.AddrFrom4([4]byte{255, 255, 255, 255})) {
		return fmt.Errorf("address %q is no single device's: give one address; no network is searched", t.Address)
	}
	t.Host = host
	if port != "" {
		n, err := strconv.ParseUint(port, 10, 16)
		if err != nil || n == 0 {
			return fmt.Errorf("address %q: write a port from 1 to 65535", t.Address)
		}
		t.Port = int(n)
	}
	return nil
}

func (t *Target) parsePath() error {
	full, err := filepath.Abs(t.Address)
	if err != nil {
		return fmt.Errorf("address %q: %w", t.Address, err)
	}
	t.Address = full
	info, err := os.Stat(full)
	switch {
	case errors.Is(err, fs.ErrNotExist) && strings.HasPrefix(full, "/dev/"):
		return fmt.Errorf("%s is not there: plug the device in and switch it on, and see /dev/serial/by-id for its name", full)
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s is not there: make the folder, or mount the share that it is on", full)
	case err != nil:
		return fmt.Errorf("look at %s: %w", full, err)
	case info.IsDir():
		t.Form = FormFolder
	case info.Mode()&fs.ModeCharDevice != 0:
		t.Form = FormLine
	default:
		return fmt.Errorf("%s is neither a folder nor a serial line: %s", full, addressForms)
	}
	return nil
}
