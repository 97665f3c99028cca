// Package ipp is the driver of printers that speak the Internet Printing Protocol (RFC 8010, RFC 8011), and of queues of a
// print server. It makes one job at the printer for a run, follows it to its end, and takes what people do at the printer
// as it is: a job that somebody cancels there is canceled, a printer that somebody pauses is stopped.
//
// The job's name is "tandem.DEVICE.RUN.FENCE.PIECES". Whatever is lost on the way, the answer to a request or the memory of this
// driver, a run's job is looked up by that name before another is made, and a run whose document may have reached the
// printer is never sent again. Where the printer cannot tell what became of it either, the run is processing-stopped with
// the reason x-outcome-unknown, and a person decides.
//
// Nothing is sent before a run may start: a job that waits at the printer could begin by itself. It never releases,
// resumes or restarts anything at the printer, and never touches jobs of others.
package ipp

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"runtime"
	"strings"
	"time"

	"tandem/drivers"
)

// Kind is the kind of driver.
func Kind() drivers.Kind {
	return drivers.Kind{
		Name:     "ipp",
		Summary:  "printers and print servers that speak IPP (RFC 8011), with or without TLS",
		Settings: known(),
		Example:  map[string]string{"uri": "ipps://192.0.2.7/ipp/print", "documents": "artwork", "media": "vinyl-white=custom_vinyl_1370x50000mm"},
		New:      newDevice,
		Propose:  proposeSettings,
	}
}

func known() []drivers.Setting {
	return []drivers.Setting{
		{Name: "uri", Default: "ipp://localhost/ipp/print", Help: "of the printer: ipp://HOST[:631]/PATH, or ipps:// with TLS; a queue of a print server is ipp://HOST/printers/NAME"},
		{Name: "user", Help: "name to log in with, if the printer asks"},
		{Name: "password-file", Help: "file with the password of user in its first line; nobody else may read it"},
		{Name: "ca-file", Help: "PEM file with the certificates to trust instead of the system's: of an authority, or the printer's own"},
		{Name: "server-name", Help: "name in the printer's certificate, if it is not the host of uri"},
		{Name: "requesting-user", Default: "tandem", Help: "whose jobs they are at the printer; a print server may show a job's name to its owner only, so keep it"},
		{Name: "documents", Help: "folder where the files of tickets lie; empty: tickets name whole paths"},
		{Name: "role", Default: "artwork", Help: "role of the documents of a run that are printed"},
		{Name: "default-document", Help: "file to print in a run that names no document of that role; empty: such a run is refused"},
		{Name: "format", Help: "media type of documents, such as application/pdf; empty: by the file's name"},
		{Name: "pieces-per", Default: "job", Help: "job: the documents hold all pieces of a run; copy: they hold one piece, and are printed once for each"},
		{Name: "media", Help: "media of the floor file and the printer's names, with commas: vinyl-white=NAME,film-clear=NAME; a run waits until its own is ready"},
		{Name: "quality", Help: "modes of the floor file and draft, normal or high, with commas: fast=draft,fine=high"},
		{Name: "poll", Default: "1s", Help: "how often to ask the printer while things change: 100ms to 1m"},
		{Name: "poll-slow", Default: "15s", Help: "how seldom to ask it at most while nothing changes: poll to 1h; printers forget a finished job after a minute or more"},
		{Name: "timeout", Default: "10s", Help: "how long to wait for an answer: 100ms to 5m"},
		{Name: "lost-after", Default: "5s", Help: "how long requests may fail until the printer counts as lost: 0s to 10m"},
		{Name: "supply-low", Default: "10", Help: "percent of ink or toner left, or of room for waste, at which a warning begins: 0 to 100"},
	}
}

// settings are settings that have been read.
type settings struct {
	documents, role, standby, format string
	perCopy                          bool
	media                            map[string]string
	quality                          map[string]int
	poll, pollSlow, lostAfter        time.Duration
	low                              int
}

var qualities = map[string]int{"draft": 3, "normal": 4, "high": 5} // RFC 8011 section 5.2.13

func newDevice(env drivers.Env, given map[string]string) (drivers.Driver, error) {
	v := drivers.ReadSettings(known(), given)
	d := &device{env: env}
	s := &d.settings
	s.documents, s.role, s.standby, s.format = v.String("documents"), v.String("role"), v.String("default-document"), v.String("format")
	s.media = pairs(v, "media")
	s.quality = map[string]int{}
	for mode, word := range pairs(v, "quality") {
		if s.quality[mode] = qualities[word]; s.quality[mode] == 0 {
			v.Fail("quality", fmt.Sprintf("%q is none: write draft, normal or high after each =", word))
		}
	}
	switch v.String("pieces-per") {
	case "job":
	case "copy":
		s.perCopy = true
	default:
		v.Fail("pieces-per", "write job or copy")
	}
	if !drivers.ValidID(s.role) {
		v.Fail("role", "write a role of documents, such as artwork")
	}
	if kind, sub, ok := strings.Cut(s.format, "/"); s.format != "" && (!ok || kind == "" || sub == "" || strings.ContainsAny(s.format, " ;,")) {
		v.Fail("format", "write a media type such as application/pdf")
	}
	s.poll = v.Duration("poll", 100*time.Millisecond, time.Minute)
	s.pollSlow = v.Duration("poll-slow", max(s.poll, 100*time.Millisecond), time.Hour)
	s.lostAfter = v.Duration("lost-after", 0, 10*time.Minute)
	s.low = int(v.Int("supply-low", 0, 100))
	d.client = newClient(v)
	if err := v.Err(); err != nil {
		return nil, err
	}
	return d, nil
}

// pairs reads a=b,c=d.
func pairs(v *drivers.Values, name string) map[string]string {
	out := map[string]string{}
	for _, part := range v.List(name) {
		ours, theirs, ok := strings.Cut(part, "=")
		ours, theirs = strings.TrimSpace(ours), strings.TrimSpace(theirs)
		if _, twice := out[ours]; !ok || !drivers.ValidID(ours) || theirs == "" || twice {
			v.Fail(name, fmt.Sprintf("%q: write OURS=THEIRS with commas between, each of ours once and an id", part))
			continue
		}
		out[ours] = theirs
	}
	return out
}

// newClient makes the client of the settings that say where the printer is and how it is spoken to. It opens no connection.
func newClient(v *drivers.Values) *client {
	c := &client{name: v.String("requesting-user"), timeout: v.Duration("timeout", 100*time.Millisecond, 5*time.Minute)}
	if c.name == "" || len(c.name) > 127 {
		v.Fail("requesting-user", "write a name of 1 to 127 bytes")
	}
	u, err := url.Parse(v.String("uri"))
	if err != nil || u.Hostname() == "" || u.Scheme != "ipp" && u.Scheme != "ipps" || u.User != nil || u.RawQuery != "" || u.Fragment != "" {
		v.Fail("uri", "write ipp://HOST/PATH or ipps://HOST/PATH, without a name, password or query; the settings user and password-file are for those")
		return c
	}
	if u.Path == "" {
		u.Path = "/"
	}
	c.uri = u.String()
	private := u.Scheme == "ipps" || loopback(u.Hostname())
	if u.Port() == "" {
		u.Host = net.JoinHostPort(u.Hostname(), "631") // RFC 8010 section 4, RFC 7472 section 3
	}
	transport := &http.Transport{
		DisableKeepAlives: true, DisableCompression: true, ForceAttemptHTTP2: false, TLSHandshakeTimeout: c.timeout,
		DialContext:            (&net.Dialer{Timeout: c.timeout}).DialContext,
		MaxResponseHeaderBytes: 64 << 10,
	}
	if u.Scheme == "ipps" {
		u.Scheme = "https"
		transport.TLSClientConfig = readTLS(v)
	} else {
		u.Scheme = "http"
		for _, name := range []string{"ca-file", "server-name"} {
			if v.String(name) != "" {
				v.Fail(name, "it is for encrypted connections: write ipps:// in the setting uri")
			}
		}
	}
	c.url = u.String()
	c.http = &http.Client{
		Transport:     transport,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	if user, secret := v.String("user"), readPassword(v); user != "" {
		c.http.Transport = &login{base: transport, user: user, password: secret, private: private}
	}
	return c
}

func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

func readTLS(v *drivers.Values) *tls.Config {
	t := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: v.String("server-name"), ClientSessionCache: tls.NewLRUClientSessionCache(4)}
	if name := v.String("ca-file"); name != "" {
		pem, err := os.ReadFile(name)
		if err != nil {
			v.Fail("ca-file", fmt.Sprintf("it cannot be read: %v", err))
			return t
		}
		t.RootCAs = x509.NewCertPool()
		if !t.RootCAs.AppendCertsFromPEM(pem) {
			v.Fail("ca-file", "it holds no certificate: write a PEM file, which has lines -----BEGIN CERTIFICATE-----")
		}
	}
	return t
}

// readPassword reads the password. Its errors never show it.
func readPassword(v *drivers.Values) string {
	name := v.String("password-file")
	switch {
	case name == "" && v.String("user") == "":
		return ""
	case name == "":
		v.Fail("password-file", "it is missing: name the file with the password of user")
		return ""
	case v.String("user") == "":
		v.Fail("user", "it is missing: write whose password that is")
		return ""
	}
	info, err := os.Stat(name)
	if err == nil && runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0 {
		err = errors.New("others may read it: chmod 600")
	}
	var body []byte
	if err == nil {
		body, err = os.ReadFile(name)
	}
	if err != nil {
		v.Fail("password-file", err.Error())
		return ""
	}
	first, _, _ := strings.Cut(string(body), "\n")
	if first = strings.TrimSuffix(first, "\r"); first == "" {
		v.Fail("password-file", "its first line is empty: write the password there")
	}
	return first
}
