//go:build unix

package ipp

import (
	"errors"
	"flag"
	"fmt"
	"maps"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/OpenPrinting/goipp"

	"tandem/drivers"
	"tandem/drivers/ipp/ipptest"
	"tandem/drivers/propose"
)

var rewrite = flag.Bool("rewrite", false, "write the files in testdata anew; read the difference")

func at(t *testing.T, address string) drivers.Target {
	t.Helper()
	target, err := drivers.ParseTarget(address)
	if err != nil {
		t.Fatal(err)
	}
	target.Timeout = 10 * time.Second
	return target
}

// TestProposeRealPrinter proposes settings for a printer of CUPS and meets it with them. The floor file's checker reads the
// same stanza in the tests of tandemd.
func TestProposeRealPrinter(t *testing.T) {
	t.Parallel()
	e := newEve(t, "-a", "testdata/roll-printer.ipp", "-l", "Hall: \"A\"")
	d, err := propose.Ask(t.Context(), []drivers.Kind{Kind()}, at(t, e.uri()), "")
	if err != nil {
		t.Fatal(err)
	}
	got := strings.ReplaceAll(d.Stanza(), strconv.Itoa(e.port), "8631")
	const file = "testdata/roll-printer.yaml"
	if *rewrite {
		write(t, file, got)
	}
	if want, err := os.ReadFile(file); err != nil || got != string(want) {
		t.Errorf("the stanza differs from %s (%v):\n%s", file, err, got)
	}
	given := quick(e.uri())
	maps.Copy(given, d.Proposal.Settings)
	s := open(t, given)
	s.online()
	s.deviceIs(idle, atRest)
	if jobs, err := clientFor(t, e.uri()).jobs(t.Context(), "completed"); err != nil || len(jobs) != 0 || len(e.printed()) != 0 {
		t.Errorf("asking made jobs: %v, %v, printed %v", jobs, err, e.printed())
	}
}

// TestProposeQueue: where no printer is, the queues of a real print server are listed, and one of them can be proposed.
func TestProposeQueue(t *testing.T) {
	t.Parallel()
	c := newCups(t, "socket://127.0.0.1:9") // nothing is ever printed there
	_, err := proposeSettings(t.Context(), at(t, "http://"+c.host()))
	queue := c.uri()
	if !errors.Is(err, drivers.ErrAnswered) || !strings.Contains(err.Error(), queue) {
		t.Fatalf("error %v, want one that lists %s", err, queue)
	}
	p, err := proposeSettings(t.Context(), at(t, queue))
	if err != nil {
		t.Fatal(err)
	}
	if p.Settings["uri"] != queue || p.Name != "press" || !strings.Contains(strings.Join(p.Cautions, " "), "print server") {
		t.Errorf("proposed %+v", p)
	}
}

func TestProposeExplains(t *testing.T) {
	t.Parallel()
	dead := "ipp://127.0.0.1:" + strconv.Itoa(freePort(t)) + "/ipp/print"
	serve := func(h http.Handler) string {
		server := httptest.NewServer(h)
		t.Cleanup(server.Close)
		return "ipp" + strings.TrimPrefix(server.URL, "http") + "/ipp/print"
	}
	status := func(n int) string {
		return serve(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { http.Error(w, "no", n) }))
	}
	refuses := ipptest.New()
	refuses.Refuse[goipp.OpGetPrinterAttributes] = goipp.StatusErrorNotFound
	silent, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = silent.Close() })
	encrypted, ca := secured(t, ipptest.New())
	for _, test := range []struct {
		name, address string
		change        func(*drivers.Target)
		answered      bool // it is of this kind
		says          []string
	}{
		{name: "nothing listens", address: dead, says: []string{"refused", "switch the service on"}},
		{name: "no such name", address: "ipp://printer.invalid/ipp/print", says: []string{"no address is known for the name"}},
		{name: "silent", address: "ipp://" + silent.Addr().String() + "/", change: func(t *drivers.Target) { t.Timeout = 100 * time.Millisecond }, says: []string{"no answer in time", "--timeout"}},
		{name: "a web page", address: serve(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, "<html>welcome</html>") })), says: []string{"does not speak IPP"}},
		{name: "a broken server", address: status(http.StatusInternalServerError), says: []string{"HTTP and not IPP"}},
		{name: "no path", address: status(http.StatusNotFound), answered: true, says: []string{"no printer has the path /ipp/print", "often /ipp/print"}},
		{name: "no printer", address: refuses.Serve(t), answered: true, says: []string{"no printer has the path"}},
		{name: "login", address: serve(basic(ipptest.New())), answered: true, says: []string{"--user", "--password-file", "0600"}},
		{name: "wrong login", address: serve(digested(ipptest.New())), answered: true, change: func(p *drivers.Target) { p.User, p.PasswordFile = "floor", secret(t, "close sesame\n") }, says: []string{`does not let "floor" in`}},
		{name: "encryption is wanted and refused", address: status(http.StatusUpgradeRequired), says: []string{"ipps://"}},
		{name: "unknown certificate", address: encrypted, answered: true, says: []string{"SHA-256 fingerprint", "--save-certificate", "--ca-file", "until 2084"}},
		{name: "certificate of another", address: encrypted, answered: true, change: func(t *drivers.Target) { t.CAFile, t.ServerName = ca, "printer.invalid" }, says: []string{"--server-name example.com"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			target := at(t, test.address)
			if test.change != nil {
				test.change(&target)
			}
			_, err := proposeSettings(t.Context(), target)
			if err == nil || errors.Is(err, drivers.ErrAnswered) != test.answered {
				t.Fatalf("error %v; that it answered is to be %t", err, test.answered)
			}
			for _, s := range test.says {
				if !strings.Contains(err.Error(), s) {
					t.Errorf("error %q does not say %q", err, s)
				}
			}
			if strings.Contains(err.Error(), "sesame") {
				t.Errorf("the error tells the password: %v", err)
			}
		})
	}
}

// TestProposeBeside: what IPP answers is no end of the asking where the person pointed to another port.
func TestProposeBeside(t *testing.T) {
	t.Parallel()
	p := ipptest.New()
	p.Refuse[goipp.OpGetPrinterAttributes] = goipp.StatusErrorNotFound
	target := at(t, "127.0.0.1:9100")
	if _, err := proposeAt(t.Context(), target, p.Serve(t)); err == nil || errors.Is(err, drivers.ErrAnswered) {
		t.Errorf("error %v, want one that does not end the asking", err)
	}
}

// TestProposeTrusted: the certificate that an error shows makes the same printer trusted, and nothing is asked but attributes.
func TestProposeTrusted(t *testing.T) {
	t.Parallel()
	p := ipptest.New()
	uri, _ := secured(t, basic(p))
	target := at(t, uri)
	_, err := proposeSettings(t.Context(), target)
	bad, ok := errors.AsType[*certificateError](err)
	if !ok {
		t.Fatalf("error %v, want one of a certificate", err)
	}
	target.CAFile, target.User, target.PasswordFile = secret(t, string(bad.PEM())), "floor", secret(t, "open sesame\n")
	got, err := proposeSettings(t.Context(), target)
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{"uri": uri, "ca-file": target.CAFile, "user": "floor", "password-file": target.PasswordFile}
	if !maps.Equal(got.Settings, want) {
		t.Errorf("settings %v, want %v", got.Settings, want)
	}
	p.Do(func() {
		if len(p.Requests) != 1 || p.Requests[goipp.OpGetPrinterAttributes] != 1 {
			t.Errorf("the printer was asked %v, want one Get-Printer-Attributes", p.Requests)
		}
	})
}

// TestCandidates: nothing is sent to a port that may be a raw socket.
func TestCandidates(t *testing.T) {
	t.Parallel()
	for address, want := range map[string]string{
		"192.0.2.7":                       "ipp://192.0.2.7/ipp/print",
		"192.0.2.7:631":                   "ipp://192.0.2.7/ipp/print",
		"192.0.2.7:9100":                  "ipp://192.0.2.7/ipp/print",
		"192.0.2.7:443":                   "ipps://192.0.2.7:443/ipp/print ipp://192.0.2.7/ipp/print",
		"printer-1.example:80":            "ipp://printer-1.example:80/ipp/print ipp://printer-1.example/ipp/print",
		"2001:db8::7":                     "ipp://[2001:db8::7]/ipp/print",
		"ipp://192.0.2.7":                 "ipp://192.0.2.7/ipp/print",
		"ipp://192.0.2.7:8631/":           "ipp://192.0.2.7:8631/ipp/print",
		"ipps://[2001:db8::7]/printers/a": "ipps://[2001:db8::7]/printers/a",
		"http://192.0.2.7/ipp":            "ipp://192.0.2.7:80/ipp",
		"https://192.0.2.7:631/ipp":       "ipps://192.0.2.7/ipp",
		t.TempDir():                       "",
	} {
		if got := strings.Join(candidates(at(t, address)), " "); got != want {
			t.Errorf("%s is asked at %q, want %q", address, got, want)
		}
	}
}

// TestNamedSize has examples of PWG 5101.1 (self-describing media names), and names that are none.
func TestNamedSize(t *testing.T) {
	t.Parallel()
	for name, want := range map[string][2]int64{
		"iso_a4_210x297mm":          {210_000, 297_000},
		"na_letter_8.5x11in":        {215_900, 279_400},
		"na_number-10_4.125x9.5in":  {104_775, 241_300},
		"custom_max_1626x50000mm":   {1_626_000, 50_000_000},
		"roll_max_36.1025x3622.0in": {917_004, 91_998_800},
		"custom_vinyl_1370x-1mm":    {},
		"custom_vinyl_1e9x100mm":    {},
		"stationery":                {},
		"iso_a4_210x297":            {},
		"x_NaNxNaNmm":               {},
		"":                          {},
	} {
		if w, l := namedSize(name); w != want[0] || l != want[1] {
			t.Errorf("%q is %d x %d, want %v", name, w, l, want)
		}
	}
}

// TestProposeHostileText: what a device says of itself stays one line and cannot add a setting.
func TestProposeHostileText(t *testing.T) {
	t.Parallel()
	p := ipptest.New()
	p.Ready = []string{"vinyl\n      documents: /etc"}
	p.Extra.Add(goipp.MakeAttribute("printer-info", goipp.TagText, goipp.String("Press\r\n    capacity: 9\u2028 # \"x\": {")))
	d, err := propose.Ask(t.Context(), []drivers.Kind{Kind()}, at(t, p.Serve(t)), "")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(d.Stanza()) {
		line = strings.TrimSpace(line)
		if strings.HasPrefix(line, "capacity") || strings.HasPrefix(line, "documents") {
			t.Errorf("the printer has written a line: %s", line)
		}
	}
	if d.ID != "press-capacity-9-x" || !strings.Contains(d.Stanza(), `display_name: "Press capacity: 9 # \"x\": {"`) {
		t.Errorf("id %q in\n%s", d.ID, d.Stanza())
	}
}
