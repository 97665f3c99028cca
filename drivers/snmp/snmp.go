// Package snmp watches a printer that has an SNMP agent: its state, alerts, display and supplies, in the words of RFC 2790
// and RFC 3805, by SNMPv2c or SNMPv3. It only reads, from the one address that it is given, and looks for no others. It
// never writes an object, takes no traps and knows nothing of jobs: the work of the device is its driver's.
package snmp

import (
	"context"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"

	"github.com/gosnmp/gosnmp"

	"tandem/drivers"
	tandemv1 "tandem/proto/tandem/v1"
)

// Kind is the kind of watcher.
func Kind() drivers.Kind {
	return drivers.Kind{
		Name:       "snmp",
		Summary:    "watches state, alerts and supplies of a printer by SNMP (RFC 2790, RFC 3805)",
		Settings:   settings(),
		Example:    map[string]string{"address": "127.0.0.1:161"},
		NewWatcher: newWatcher,
		Propose:    proposeSettings,
	}
}

func settings() []drivers.Setting {
	return []drivers.Setting{
		{Name: "address", Help: "host or host:port of the printer's SNMP agent, UDP; port 161 if none is given"},
		{Name: "credentials", Help: "file of mode 0600 with lines: community: NAME for SNMPv2c (none: public), or user, auth-key, privacy-key and maybe auth, privacy for SNMPv3"},
		{Name: "device-index", Default: "0", Help: "hrDeviceIndex of the printer; 0: the first printer that the agent has"},
		{Name: "answer-within", Default: "2s", Help: "how long the agent may take for one answer; it is asked three times: 100ms to 30s"},
		{Name: "poll", Default: "5s", Help: "time from one look at state and alerts to the next: 1s to 10m"},
		{Name: "poll-supplies", Default: "1m", Help: "time from one look at supplies and media to the next: 1s to 24h"},
	}
}

const defaultPort = "161"

// watcher holds the settings. Only Watch's goroutine touches it.
type watcher struct {
	host        string
	port        uint16
	credentials string
	community   string // used instead of a file of credentials; empty: public
	index       int
	patience    time.Duration
	poll, rarer time.Duration
}

func newWatcher(_ drivers.Env, given map[string]string) (drivers.Watcher, error) {
	v := drivers.ReadSettings(settings(), given)
	w := &watcher{
		credentials: v.CredentialsPath("credentials"),
		index:       int(v.Int("device-index", 0, 1<<31-1)),
		patience:    v.Duration("answer-within", 100*time.Millisecond, 30*time.Second),
		poll:        v.Duration("poll", time.Second, 10*time.Minute),
		rarer:       v.Duration("poll-supplies", time.Second, 24*time.Hour),
	}
	var err error
	if w.host, w.port, err = split(v.String("address")); err != nil {
		v.Fail("address", err.Error())
	}
	return w, v.Err()
}

// split takes host, host:port, an IPv6 address with or without brackets, and an IPv6 address with brackets and a port.
func split(address string) (string, uint16, error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		host, port = strings.TrimSuffix(strings.TrimPrefix(address, "["), "]"), defaultPort
	}
	n, err := strconv.ParseUint(port, 10, 16)
	if host == "" || err != nil || n == 0 || strings.ContainsAny(host, " /[]") || strings.Contains(host, ":") && net.ParseIP(host) == nil {
		return "", 0, fmt.Errorf("give host or host:port of the printer's SNMP agent, such as 192.0.2.7 or printer-1.example:161")
	}
	return host, uint16(n), nil
}

func (w *watcher) address() string { return net.JoinHostPort(w.host, strconv.Itoa(int(w.port))) }

// Watch polls until ctx ends or the agent does not answer. Pauses are in wall time: the printer's clock is no simulated one,
// and a floor whose clock runs faster shall not ask more often.
func (w *watcher) Watch(ctx context.Context, report func(drivers.Seen)) error {
	a, err := w.dial(ctx)
	if err != nil {
		return err
	}
	defer a.close()
	if err := a.find(); err != nil {
		return ended(ctx, err)
	}
	pause := time.NewTimer(0)
	defer pause.Stop()
	var supplies []*tandemv1.Supply
	var due time.Time
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-pause.C:
		}
		now := time.Now()
		rarely := !now.Before(due)
		r, err := a.read(rarely)
		if err != nil {
			return ended(ctx, err)
		}
		if rarely {
			supplies, due = r.supplies, now.Add(w.rarer)
		}
		r.supplies = supplies
		report(r.seen())
		pause.Reset(w.poll)
	}
}

// ended drops the error of a request that was given up because ctx has ended.
func ended(ctx context.Context, err error) error {
	select {
	case <-ctx.Done():
		return nil
	default:
		return err
	}
}

// secrets say how the agent is spoken to.
type secrets struct {
	community string
	user      *gosnmp.UsmSecurityParameters // nil: SNMPv2c
	level     gosnmp.SnmpV3MsgFlags
}

var authProtocols = map[string]gosnmp.SnmpV3AuthProtocol{
	"md5": gosnmp.MD5, "sha": gosnmp.SHA, "sha224": gosnmp.SHA224, "sha256": gosnmp.SHA256, "sha384": gosnmp.SHA384, "sha512": gosnmp.SHA512,
}

var privacyProtocols = map[string]gosnmp.SnmpV3PrivProtocol{
	"des": gosnmp.DES, "aes": gosnmp.AES, "aes192": gosnmp.AES192, "aes256": gosnmp.AES256, "aes192c": gosnmp.AES192C, "aes256c": gosnmp.AES256C,
}

const (
	defaultAuth    = "sha256" // RFC 7860
	defaultPrivacy = "aes"    // RFC 3826
	shortestKey    = 8        // RFC 3414 section 11.2, in characters
)

// secrets reads the file of credentials anew, so that a changed one counts at the next try.
func (w *watcher) secrets() (secrets, error) {
	if w.credentials == "" {
		return secrets{community: orElse(w.community, "public")}, nil
	}
	c, err := drivers.ReadCredentials(w.credentials, "community", "user", "auth", "auth-key", "privacy", "privacy-key")
	if err != nil {
		return secrets{}, err
	}
	s, err := fromCredentials(c)
	if err != nil {
		return secrets{}, fmt.Errorf("read credentials %s: %w", w.credentials, err)
	}
	return s, nil
}

func fromCredentials(c map[string]string) (secrets, error) {
	if c["user"] == "" {
		for _, name := range []string{"auth", "auth-key", "privacy", "privacy-key"} {
			if c[name] != "" {
				return secrets{}, fmt.Errorf("%s is given without user: SNMPv3 needs one", name)
			}
		}
		if c["community"] == "" {
			return secrets{community: "public"}, nil
		}
		return secrets{community: c["community"]}, nil
	}
	if c["community"] != "" {
		return secrets{}, fmt.Errorf("community and user are given: keep one, community for SNMPv2c or user for SNMPv3")
	}
	for _, p := range []struct{ key, protocol string }{{"auth-key", "auth"}, {"privacy-key", "privacy"}} {
		if c[p.protocol] != "" && c[p.key] == "" {
			return secrets{}, fmt.Errorf("%s is given without %s", p.protocol, p.key)
		}
		if n := len(c[p.key]); n > 0 && n < shortestKey {
			return secrets{}, fmt.Errorf("%s has %d characters: SNMPv3 wants at least %d", p.key, n, shortestKey)
		}
	}
	if c["privacy-key"] != "" && c["auth-key"] == "" {
		return secrets{}, fmt.Errorf("privacy-key is given without auth-key: SNMPv3 has no privacy without authentication")
	}
	s := secrets{user: &gosnmp.UsmSecurityParameters{
		UserName: c["user"], AuthenticationProtocol: gosnmp.NoAuth, PrivacyProtocol: gosnmp.NoPriv,
	}}
	if c["auth-key"] != "" {
		protocol, ok := authProtocols[orElse(c["auth"], defaultAuth)]
		if !ok {
			return secrets{}, fmt.Errorf("auth is %q: use md5, sha, sha224, sha256, sha384 or sha512", c["auth"])
		}
		s.level, s.user.AuthenticationProtocol, s.user.AuthenticationPassphrase = gosnmp.AuthNoPriv, protocol, c["auth-key"]
	}
	if c["privacy-key"] != "" {
		protocol, ok := privacyProtocols[orElse(c["privacy"], defaultPrivacy)]
		if !ok {
			return secrets{}, fmt.Errorf("privacy is %q: use des, aes, aes192, aes256, aes192c or aes256c", c["privacy"])
		}
		s.level, s.user.PrivacyProtocol, s.user.PrivacyPassphrase = gosnmp.AuthPriv, protocol, c["privacy-key"]
	}
	return s, nil
}

func orElse(s, or string) string {
	if s == "" {
		return or
	}
	return s
}
