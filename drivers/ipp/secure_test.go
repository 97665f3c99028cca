package ipp

import (
	"crypto/sha256"
	"encoding/pem"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/icholy/digest"

	"tandem/drivers"
	"tandem/drivers/ipp/ipptest"
)

// secured serves a printer with TLS, and returns its URI and the file with its certificate.
func secured(t *testing.T, handler http.Handler) (uri, ca string) {
	t.Helper()
	server := httptest.NewTLSServer(handler)
	t.Cleanup(server.Close)
	ca = filepath.Join(t.TempDir(), "ca.pem")
	write(t, ca, string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: server.Certificate().Raw})))
	return "ipps://" + strings.TrimPrefix(server.URL, "https://") + "/ipp/print", ca
}

func secret(t *testing.T, text string) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "password")
	write(t, name, text)
	return name
}

// basic lets in who says the password (RFC 7617).
func basic(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if user, password, ok := r.BasicAuth(); !ok || user != "floor" || password != "open sesame" {
			w.Header().Set("WWW-Authenticate", `Basic realm="printer"`)
			http.Error(w, "who is there?", http.StatusUnauthorized)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// digested lets in who knows the password (RFC 7616), and changes its nonce after some requests.
func digested(next http.Handler) http.Handler {
	requests := 0
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		requests++
		c := &digest.Challenge{Realm: "printer", Nonce: fmt.Sprintf("%x", sha256.Sum256([]byte{byte(requests / 7)})), Algorithm: "SHA-256", QOP: []string{"auth"}}
		if said, err := digest.ParseCredentials(r.Header.Get("Authorization")); err == nil {
			want, err := digest.Digest(c, digest.Options{
				Method: r.Method, URI: r.URL.RequestURI(), Count: said.Nc, Cnonce: said.Cnonce, Username: "floor", Password: "open sesame",
			})
			if err == nil && said.Response == want.Response && said.Nonce == c.Nonce {
				next.ServeHTTP(w, r)
				return
			}
			c.Stale = err == nil && said.Nonce != c.Nonce
		}
		w.Header().Set("WWW-Authenticate", c.String())
		http.Error(w, "who is there?", http.StatusUnauthorized)
	})
}

// TestSecured prints over TLS with each way to log in, and not with a wrong password or certificate.
func TestSecured(t *testing.T) {
	t.Parallel()
	art, sum := artwork(t, "%PDF-1.4 a sheet")
	plain := func(next http.Handler) http.Handler { return next }
	for _, test := range []struct {
		name   string
		door   func(http.Handler) http.Handler
		change map[string]string
		says   string // in the log; empty: it prints
	}{
		{name: "nobody asks", door: plain},
		{name: "basic", door: basic},
		{name: "digest", door: digested},
		{name: "basic, wrong password", door: basic, change: map[string]string{"password-file": secret(t, "close sesame\n")}, says: "password-file"},
		{name: "digest, wrong password", door: digested, change: map[string]string{"password-file": secret(t, "close sesame\n")}, says: "password-file"},
		{name: "no password", door: basic, change: map[string]string{"password-file": "", "user": ""}, says: "password-file"},
		{name: "unknown certificate", door: plain, change: map[string]string{"ca-file": ""}, says: "certificate"},
		{name: "certificate of another", door: plain, change: map[string]string{"server-name": "printer.invalid"}, says: "printer.invalid"},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			p := ipptest.New()
			uri, ca := secured(t, test.door(p))
			given := quick(uri, "ca-file", ca, "user", "floor", "password-file", secret(t, "open sesame\n"))
			maps.Copy(given, test.change)
			s := open(t, given)
			if test.says != "" {
				s.wait("the log says "+test.says, func() bool {
					all := s.logs.FilterMessageSnippet("device lost").All()
					return len(all) == 1 && strings.Contains(fmt.Sprint(all[0].ContextMap()["error"]), test.says)
				})
				if text := fmt.Sprint(s.logs.All()); strings.Contains(text, "sesame") {
					t.Errorf("the log tells the password: %s", text)
				}
				return
			}
			s.online()
			s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
			s.is("r1", completed)
			p.Do(func() {
				if len(p.Jobs) != 1 || len(p.Jobs[0].Documents) != 1 || len(p.Jobs[0].Documents[0]) != len("%PDF-1.4 a sheet") {
					t.Errorf("the printer has %d jobs", len(p.Jobs))
				}
			})
		})
	}
}

// TestClearPassword: a password is not said where others can listen.
func TestClearPassword(t *testing.T) {
	t.Parallel()
	asked := httptest.NewServer(basic(ipptest.New()))
	t.Cleanup(asked.Close)
	l := &login{base: http.DefaultTransport, user: "floor", password: "open sesame"}
	v := drivers.ReadSettings(known(), map[string]string{"uri": "ipp://" + strings.TrimPrefix(asked.URL, "http://") + "/"})
	c := newClient(v)
	c.http.Transport = l
	if _, err := c.printer(t.Context()); err == nil || !strings.Contains(err.Error(), "ipps://") {
		t.Errorf("error %v, want one that says how to encrypt", err)
	}
}

func TestSettings(t *testing.T) {
	t.Parallel()
	readable := secret(t, "x\n")
	if err := os.Chmod(readable, 0o644); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct{ name, value, more, says string }{
		{"uri", "http://192.0.2.1/", "", "ipp://HOST/PATH"},
		{"uri", "ipp:///ipp/print", "", "ipp://HOST/PATH"},
		{"uri", "ipp://me:pw@192.0.2.1/ipp/print", "", "password-file are for those"},
		{"ca-file", "/nonexistent", "", "cannot be read"},
		{"ca-file", readable, "", "no certificate"},
		{"server-name", "press", "uri", "write ipps://"},
		{"password-file", "/nonexistent", "user", "no such file"},
		{"password-file", readable, "user", "chmod 600"},
		{"user", "me", "", "password-file"},
		{"requesting-user", "", "", "1 to 127"},
		{"media", "vinyl", "", "OURS=THEIRS"},
		{"media", "a=1,a=2", "", "OURS=THEIRS"},
		{"quality", "fast=ugly", "", "draft, normal or high"},
		{"pieces-per", "sheet", "", "job or copy"},
		{"format", "pdf", "", "application/pdf"},
		{"role", "Art Work", "", "role of documents"},
		{"poll", "1h", "", "from 100ms to 1m"},
		{"poll-slow", "10ms", "", "from 1s"},
		{"timeout", "0s", "", "from 100ms"},
		{"lost-after", "1h", "", "from 0s"},
		{"supply-low", "101", "", "from 0 to 100"},
	} {
		given := map[string]string{"uri": "ipps://192.0.2.1/ipp/print", test.name: test.value}
		switch test.more {
		case "uri":
			given["uri"] = "ipp://192.0.2.1/ipp/print"
		case "user":
			given["user"] = "me"
		}
		_, err := newDevice(drivers.Env{Device: "press"}, given)
		if err == nil || !strings.Contains(err.Error(), "setting "+test.name) && !strings.Contains(err.Error(), "setting password-file") || !strings.Contains(err.Error(), test.says) {
			t.Errorf("%s %q: error %v, want one that names the setting and says %q", test.name, test.value, err, test.says)
		}
	}
}
