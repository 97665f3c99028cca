package stream

import (
	"context"
	"fmt"
	"net"
	"path/filepath"
	"strconv"

	"tandem/drivers"
)

const rawPort = 9100 // IANA: pdl-datastream

// notRaw are ports that were named for another service, as IANA has them: HTTP, SNMP, HTTPS, IPP.
var notRaw = map[int]bool{80: true, 161: true, 443: true, 631: true}

// proposeSettings opens a connection to a raw socket and closes it again, without sending or reading a byte: whatever is sent there is
// printed, or moves a knife. A serial line is only looked at: opening one sets its wires, and many devices reset at that.
func proposeSettings(ctx context.Context, t drivers.Target) (*drivers.Proposal, error) {
	switch {
	case t.Form == drivers.FormLine:
		return proposeLine(t)
	case t.Form != drivers.FormHost, notRaw[t.Port], t.Answered && t.Port == 0:
		return nil, drivers.ErrNotAsked
	}
	port := t.Port
	if port == 0 {
		port = rawPort
	}
	address := net.JoinHostPort(t.Host, strconv.Itoa(port))
	conn, err := (&net.Dialer{Timeout: t.Timeout}).DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("connect to %s: %w", address, drivers.Unreachable(err))
	}
	defer conn.Close()
	p := proposal(t, "address", address)
	p.Named = t.Port != 0
	p.Asked = []drivers.Tried{{What: address, Came: "a connection was opened and closed again, with no byte sent or read: it takes connections, and has said nothing of what it is"}}
	if p.Named && port != rawPort {
		p.Asked[0].Came += ". If it is a printer that speaks IPP there, propose ipp://" + address + "/ipp/print instead"
	}
	p.Ask("Does it print a blank page, or move, when a connection is opened and closed without a byte? A few devices do (common practice, no source). Look now. If it does, switch off the driver's own look at an idle device, which comes each minute.", `check: "0s"`)
	return p, nil
}

func proposal(t drivers.Target, setting, value string) *drivers.Proposal {
	p := &drivers.Proposal{
		Settings:  map[string]string{setting: value, "files": t.Files},
		Assumed:   map[string]string{},
		Abilities: []drivers.ProposedAbility{{Operation: "cut"}},
		Cautions:  []string{"The device moves while bytes come and for as long as it has some. A stop ends the sending; it is no emergency stop."},
	}
	switch t.Operation {
	case "":
		p.Assumed["operation"] = "a raw line does not tell what its device does"
	case "print":
		p.Settings["role"] = "artwork"
		fallthrough
	default:
		p.Abilities[0].Operation = t.Operation
	}
	if t.Files == "" {
		p.Settings["files"], p.Assumed["files"] = drivers.ExamplePath("/srv/tandem/cut"), "name the folder where the files of runs lie, or give it with --files"
	}
	p.Ask("End: how is it known that a run is over? time believes the forecast; better are answer (the device says so), closed (it closes the connection) or sent (it takes the last byte only when it is done).", "done: time")
	p.Ask("Does the device take exactly the bytes of the file, in a language it knows? Set send-first and send-last where it wants more, and stop-send where it has a command that ends a run.", `stop-send: '\x18'`)
	return p
}

// proposeLine looks at a serial line without opening it.
func proposeLine(t drivers.Target) (*drivers.Proposal, error) {
	seen, err := lookAtLine(t.Address)
	if err != nil {
		return nil, err
	}
	path := t.Address
	p := proposal(t, "serial", path)
	if stable := lastingName("/dev/serial/by-id", path); stable != "" {
		p.Settings["serial"] = stable
		p.Assumed["serial"] = "the lasting name of " + path + ", whose number can change when something else is plugged in"
	}
	p.Named = true
	p.Asked = []drivers.Tried{{What: path, Came: "only looked at; it was not opened, since opening sets the line's wires and many devices reset at that"}}
	for _, f := range seen {
		p.Fact(f.Name, f.Value)
	}
	p.Settings["baud"], p.Settings["flow"] = "9600", flowNone
	p.Assumed["baud"] = "set it, data-bits, parity and stop-bits to what the device's own menu shows"
	p.Assumed["flow"] = "as the device and its cable hold the line back: none, rts-cts, dtr-dsr or xon-xoff. Without it a slow device loses bytes"
	p.Cautions = append(p.Cautions, "The first start of the driver opens the line, and the device may reset or move then: clear the machine, and stand beside it.")
	return p, nil
}

// lastingName returns the link in a folder that leads to a line; nothing if there is none.
func lastingName(folder, line string) string {
	links, err := filepath.Glob(filepath.Join(folder, "*"))
	if err != nil || filepath.Dir(line) == folder {
		return ""
	}
	for _, link := range links {
		if to, err := filepath.EvalSymlinks(link); err == nil && to == line {
			return link
		}
	}
	return ""
}
