package snmp

import (
	"strings"

	"tandem/drivers"
	tandemv1 "tandem/proto/tandem/v1"
)

// reading is what a printer has answered. A number is 0 where it has not said.
type reading struct {
	device, printer int
	detected        []byte
	alerts          []alert
	console         []string
	supplies        []*tandemv1.Supply
}

// seen puts a reading into our words:
//
//	hrDeviceStatus   hrPrinterStatus   state, phase
//	down             any               stopped, stopped
//	testing          any               stopped, non-productive
//	other            printing          processing, production
//	other            idle              idle, idle
//	other            warmup            idle, setup, with subunit-warming-up-report
//	other            other, unknown    not known: RFC 3805 has a printer that sleeps and one that prepares a run look alike
//
// A printer that tells no hrDeviceStatus is down where hrPrinterDetectedErrorState has a bit that RFC 1514 calls down, and
// it neither prints nor is idle. An alert is as bad as it says; a detected error is an error on a printer that is down, else
// a warning.
func (r reading) seen() drivers.Seen {
	why := reasons{}
	out := drivers.Seen{Supplies: r.supplies}
	switch {
	case r.device == deviceDown, r.device == 0 && r.stops() && r.printer != printerPrinting && r.printer != printerIdle:
		out.State, out.Phase = tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED
	case r.device == deviceTesting:
		out.State, out.Phase = tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_NON_PRODUCTIVE
		why.add("x-testing", report)
	case r.printer == printerPrinting:
		out.State, out.Phase = tandemv1.DeviceState_DEVICE_STATE_PROCESSING, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION
	case r.printer == printerIdle:
		out.State, out.Phase = tandemv1.DeviceState_DEVICE_STATE_IDLE, tandemv1.DevicePhase_DEVICE_PHASE_IDLE
	case r.printer == printerWarmup:
		out.State, out.Phase = tandemv1.DeviceState_DEVICE_STATE_IDLE, tandemv1.DevicePhase_DEVICE_PHASE_SETUP
		why.add("subunit-warming-up", report)
	}
	down := out.State == tandemv1.DeviceState_DEVICE_STATE_STOPPED
	for bit, d := range detected {
		if !r.bit(bit) {
			continue
		}
		if d.stops && down {
			why.add(d.keyword, fault)
		} else {
			why.add(d.keyword, warning)
		}
	}
	for _, a := range r.alerts {
		why.add(a.reason())
	}
	if down && len(why) == 0 {
		why.add("other", fault)
	}
	out.Reasons = why.list()
	out.Message = strings.Join(r.console, " ")
	if strings.TrimSpace(out.Message) == "" {
		out.Message = r.worstAlert()
	}
	return out
}

// bit says whether a bit of hrPrinterDetectedErrorState is set; bit 0 is the most significant of the first octet, and
// trailing octets may be missing.
func (r reading) bit(n int) bool {
	return n/8 < len(r.detected) && r.detected[n/8]&(0x80>>(n%8)) != 0
}

func (r reading) stops() bool {
	for n, d := range detected {
		if d.stops && r.bit(n) {
			return true
		}
	}
	return false
}

// worstAlert returns the text of the first critical alert, or of the first one.
func (r reading) worstAlert() string {
	text := ""
	for _, a := range r.alerts {
		if a.severity == critical && a.description != "" {
			return a.description
		}
		if text == "" {
			text = a.description
		}
	}
	return text
}
