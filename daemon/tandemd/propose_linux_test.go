package main

import (
	"bytes"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"net"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/OpenPrinting/goipp"

	"tandem/clients/goldentest"
	"tandem/daemon/config"
	"tandem/drivers/ipp/ipptest"
)

// proposed runs tandemd drivers propose.
func proposed(t *testing.T, args ...string) (out, talk string, err error) {
	t.Helper()
	cmd := rootCommand()
	var o, e bytes.Buffer
	cmd.SetOut(&o)
	cmd.SetErr(&e)
	cmd.SetArgs(append([]string{"drivers", "propose"}, args...))
	err = cmd.ExecuteContext(t.Context())
	return o.String(), e.String(), err
}

// pasted checks that a floor file with a stanza in it is good, beside a device and media that are there already.
func pasted(t *testing.T, stanza string) {
	t.Helper()
	floor := filepath.Join(t.TempDir(), "floor.yaml")
	body := "media: [{id: vinyl-white, width_mm: 1370}]\ndevices:\n  - {id: bench-1, driver: {kind: operator}, abilities: [{operation: weed}]}\n" + stanza
	if err := os.WriteFile(floor, []byte(body), 0o600); err != nil {
		t.Fatal(err)
	}
	file, err := config.LoadFloor(floor, knownKinds)
	if err != nil {
		t.Fatalf("%v in\n%s", err, stanza)
	}
	for _, d := range file.GetDevices()[1:] {
		for _, a := range d.GetAbilities() {
			if a.GetUnattendedStart() != nil {
				t.Errorf("%s would start unattended", d.GetId())
			}
		}
		host, err := newHost(d, t.TempDir(), quietLog(t))
		if err != nil || host == nil {
			t.Errorf("no driver is made of %s: %v", d.GetId(), err)
		}
	}
}

// rollPrinter is a printer in memory that tells much of itself.
func rollPrinter() *ipptest.Printer {
	p := ipptest.New()
	p.State, p.Reasons, p.Ready = ipptest.Stopped, []string{"media-empty-error", "marker-supply-low-warning"}, []string{"custom_vinyl_1370x50000mm"}
	words := func(name string, tag goipp.Tag, values ...string) {
		a := goipp.Attribute{Name: name}
		for _, v := range values {
			a.Values.Add(tag, goipp.String(v))
		}
		p.Extra.Add(a)
	}
	numbers := func(name string, tag goipp.Tag, values ...int) {
		a := goipp.Attribute{Name: name}
		for _, v := range values {
			a.Values.Add(tag, goipp.Integer(v))
		}
		p.Extra.Add(a)
	}
	words("printer-name", goipp.TagName, "north")
	words("printer-info", goipp.TagText, "Printer North")
	words("printer-make-and-model", goipp.TagText, "Invented Roll Printer")
	words("printer-location", goipp.TagText, "Hall 2")
	words("ipp-versions-supported", goipp.TagKeyword, "1.1", "2.0")
	words("document-format-supported", goipp.TagMimeType, "image/pwg-raster")
	words("media-supported", goipp.TagKeyword, "custom_min_300x500mm", "custom_max_1626x50000mm", "custom_vinyl_1370x50000mm", "iso_a1_594x841mm")
	numbers("print-quality-supported", goipp.TagEnum, 4, 5)
	numbers("finishings-supported", goipp.TagEnum, 3, 11)
	words("marker-names", goipp.TagName, "Cyan ink", "Waste tank")
	words("marker-types", goipp.TagKeyword, "ink", "waste-ink")
	numbers("marker-levels", goipp.TagInteger, 7, 60)
	return p
}

func TestProposeGolden(t *testing.T) {
	server := httptest.NewUnstartedServer(rollPrinter())
	if err := server.Listener.Close(); err != nil {
		t.Fatal(err)
	}
	var err error
	if server.Listener, err = net.Listen("tcp", besides+":0"); err != nil {
		t.Fatal(err)
	}
	server.Start()
	t.Cleanup(server.Close)
	printer := "ipp" + strings.TrimPrefix(server.URL, "http") + "/ipp/print"
	queue, err := url.Parse(printer)
	if err != nil {
		t.Fatal(err)
	}
	socket := silentSocket(t)
	agent := printerAgent(t)
	in := filepath.Join(t.TempDir(), "cutter", "in")
	if err := os.MkdirAll(filepath.Join(in, "done"), 0o700); err != nil {
		t.Fatal(err)
	}
	line := serialLine(t)
	for _, test := range []struct {
		golden string
		args   []string
	}{
		{"propose-ipp.yaml", []string{printer, "--community", "public", "--snmp-port", agent}},
		{"propose-socket.yaml", []string{socket, "--files", "/srv/cut", "--id", "cutter-1"}},
		{"propose-folder.yaml", []string{in}},
		{"propose-line.yaml", []string{line, "--operation", "print", "--files", "/srv/art"}},
		{"propose-agent.yaml", []string{besides, "--community", "inside", "--snmp-port", agent}},
	} {
		t.Run(test.golden, func(t *testing.T) {
			out, talk, err := proposed(t, test.args...)
			if err != nil || talk != "" {
				t.Fatalf("error %v, and says %q", err, talk)
			}
			pasted(t, out)
			for from, to := range map[string]string{
				":" + queue.Port(): ":40631", socket: besides + ":49100", ":" + agent: ":40161", in: "/mnt/cutter/in", line: "/dev/ttyS0", "printer-" + filepath.Base(line): "printer-ttys0",
			} {
				out = strings.ReplaceAll(out, from, to)
			}
			for from, to := range map[string]string{`space: \d+ MB`: "space: 5000 MB", `mode \d+, owner \S+, group \S+`: "mode 0660, owner root, group dialout", `file system: .*`: "file system: of this computer, no network share"} {
				out = regexp.MustCompile(from).ReplaceAllString(out, to)
			}
			goldentest.Compare(t, test.golden, out)
		})
	}
}

// TestProposeRealPrinterPasted: what a printer of CUPS was proposed with, in the tests of its driver.
func TestProposeRealPrinterPasted(t *testing.T) {
	body, err := os.ReadFile(filepath.Join("..", "..", "drivers", "ipp", "testdata", "roll-printer.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	pasted(t, string(body))
}

func TestProposeJSON(t *testing.T) {
	out, _, err := proposed(t, rollPrinter().Serve(t), "--json")
	if err != nil {
		t.Fatal(err)
	}
	var got struct{ Device json.RawMessage }
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	floor := filepath.Join(t.TempDir(), "floor.json")
	if err := os.WriteFile(floor, fmt.Appendf(nil, `{"devices": [%s]}`, got.Device), 0o600); err != nil {
		t.Fatal(err)
	}
	file, err := config.LoadFloor(floor, knownKinds)
	if err != nil {
		t.Fatal(err)
	}
	if d := file.GetDevices()[0]; d.GetId() != "printer-north" || d.GetAbilities()[0].GetMaxWidthUm() != 1_626_000 {
		t.Errorf("the device is %v", d)
	}
}

// TestProposeExitCodes: a slip of the caller's is told from a device that does not answer.
func TestProposeExitCodes(t *testing.T) {
	refused := silentSocket(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	dead := "ipp://" + l.Addr().String() + "/"
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		args  []string
		usage bool
		says  string
	}{
		{nil, true, "name one address"},
		{[]string{"192.0.2.0/24"}, true, "no network is searched"},
		{[]string{refused, "--id", "Cutter 1"}, true, "--id"},
		{[]string{refused, "--operation", "Cut!"}, true, "--operation"},
		{[]string{refused, "--timeout", "1ms"}, true, "--timeout"},
		{[]string{refused, "--user", "floor"}, true, "--password-file"},
		{[]string{refused, "--community", "public", "--snmp-credentials", "x"}, true, "keep one"},
		{[]string{refused, "--snmp-port", "0"}, true, "--snmp-port"},
		{[]string{refused, "--nonsense"}, true, "--nonsense"},
		{[]string{dead}, false, "nothing listens"},
	} {
		out, _, err := proposed(t, test.args...)
		if _, usage := errors.AsType[*usageError](err); err == nil || usage != test.usage || !strings.Contains(err.Error(), test.says) || out != "" {
			t.Errorf("%v: error %v, a usage error %t, want %t and %q; prints %q", test.args, err, usage, test.usage, test.says, out)
		}
	}
}

// TestProposeCertificate: the certificate of a printer that is not trusted is saved, and makes it trusted.
func TestProposeCertificate(t *testing.T) {
	server := httptest.NewTLSServer(rollPrinter())
	t.Cleanup(server.Close)
	address := "ipps" + strings.TrimPrefix(server.URL, "https") + "/ipp/print"
	file := filepath.Join(t.TempDir(), "printer.pem")
	_, talk, err := proposed(t, address, "--save-certificate", file)
	if err == nil || !strings.Contains(err.Error(), "SHA-256 fingerprint") || !strings.Contains(talk, file) {
		t.Fatalf("error %v, says %q", err, talk)
	}
	body, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if block, _ := pem.Decode(body); block == nil || !bytes.Equal(block.Bytes, server.Certificate().Raw) {
		t.Error("the file holds another certificate")
	}
	out, _, err := proposed(t, address, "--ca-file", file)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out, "ca-file: "+fmt.Sprintf("%q", file)) {
		t.Errorf("the stanza names no %s:\n%s", file, out)
	}
	pasted(t, out)
	if _, _, err := proposed(t, address, "--save-certificate", file); err == nil || !errors.Is(err, os.ErrExist) {
		t.Errorf("error %v, want one that the file is there already", err)
	}
}
