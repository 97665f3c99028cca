package snmp

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"tandem/drivers"
	tandemv1 "tandem/proto/tandem/v1"
)

// proposeSettings reads once what a watcher reads, and what the device is called. Nothing is sent unless a person gave a community or
// credentials: a wrong one can raise an alarm.
func proposeSettings(ctx context.Context, t drivers.Target) (*drivers.Proposal, error) {
	if t.Form != drivers.FormHost && t.Form != drivers.FormURI || t.Community == "" && t.Credentials == "" {
		return nil, drivers.ErrNotAsked
	}
	w := &watcher{host: t.Host, port: 161, community: t.Community, credentials: t.Credentials, patience: t.Timeout / (1 + askAgain)}
	if t.SNMPPort != 0 {
		w.port = uint16(t.SNMPPort)
	}
	asked := "ask " + w.address() + " by SNMP"
	if _, err := w.secrets(); err != nil {
		return nil, fmt.Errorf("%s: %w", asked, err)
	}
	a, err := w.dial(ctx)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", asked, drivers.Unreachable(err))
	}
	defer a.close()
	name, r, err := a.once()
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case err != nil:
		return nil, fmt.Errorf("%s: no printer answers: check that SNMP is switched on at the device, and the community or the credentials, since an agent is silent to wrong ones; or give it longer with --timeout (%w)", asked, err)
	}
	p := &drivers.Proposal{
		Name: name, Settings: map[string]string{"address": w.host}, Assumed: map[string]string{},
		Asked: []drivers.Tried{{What: w.address(), Came: "SNMP over UDP, read only: it answers as a printer"}},
	}
	if w.port != 161 {
		p.Settings["address"] = w.address()
	}
	p.Fact("make and model", name)
	r.facts(p)
	switch {
	case t.Credentials != "":
		p.Settings["credentials"] = t.Credentials
	case t.Community != "public":
		p.Settings["credentials"] = drivers.ExamplePath("/etc/tandem/printer.snmp")
		p.Assumed["credentials"] = "make this file, chmod 600, with the line community: and the community that was given"
	}
	return p, nil
}

// once reads everything one time.
func (a *agent) once() (name string, r reading, err error) {
	if err := a.find(); err != nil {
		return "", r, err
	}
	if r, err = a.read(true); err != nil {
		return "", r, err
	}
	packet, err := a.client.Get([]string{hrDeviceDescr + "." + strconv.Itoa(a.index)})
	if err == nil && len(packet.Variables) == 1 {
		b, _ := packet.Variables[0].Value.([]byte)
		name = drivers.PlainLine(string(b))
	}
	return name, r, nil // not every agent describes its devices
}

func (r reading) facts(p *drivers.Proposal) {
	seen := r.seen()
	words := map[tandemv1.DeviceState]string{
		tandemv1.DeviceState_DEVICE_STATE_IDLE: "idle", tandemv1.DeviceState_DEVICE_STATE_PROCESSING: "processing", tandemv1.DeviceState_DEVICE_STATE_STOPPED: "stopped",
	}
	p.Fact("state", orElse(words[seen.State], "not told"))
	p.Fact("reasons", strings.Join(seen.Reasons, ", "))
	p.Fact("display", seen.Message)
	for _, s := range seen.Supplies {
		level := "level not told"
		switch {
		case s.GetLevelKnown() && s.GetReceptacle():
			level = fmt.Sprintf("%d %% full", s.GetLevelPercent())
		case s.GetLevelKnown():
			level = fmt.Sprintf("%d %% left", s.GetLevelPercent())
		}
		p.Fact("supply", fmt.Sprintf("%s (%s): %s", s.GetDisplayName(), s.GetKind(), level))
	}
}
