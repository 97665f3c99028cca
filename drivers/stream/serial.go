package stream

import (
	"errors"
	"fmt"

	"go.bug.st/serial"
)

// openSerial opens a serial line. How the device holds it back is looked at before each chunk by this program, since not
// every system does that for every port; the pace keeps the system's own buffer empty, so a chunk is the most that is
// still under way.
func openSerial(c *config) (line, error) {
	mode := c.mode
	port, err := serial.Open(c.port, &mode)
	if err != nil {
		var p *serial.PortError
		if errors.As(err, &p) {
			switch p.Code() {
			case serial.PortBusy:
				return nil, fmt.Errorf("open %s: another program has it: end that, or name another line in the setting serial", c.port)
			case serial.PermissionDenied:
				return nil, fmt.Errorf("open %s: not allowed: let the daemon's user use serial lines (on Linux: the line's group, such as dialout)", c.port)
			case serial.InvalidSpeed, serial.InvalidDataBits, serial.InvalidParity, serial.InvalidStopBits:
				return nil, fmt.Errorf("open %s: %w: set baud, data-bits, parity and stop-bits to what the line can", c.port, err)
			case serial.InvalidSerialPort, serial.PortNotFound, serial.ErrorEnumeratingPorts, serial.PortClosed, serial.FunctionNotImplemented, serial.InvalidTimeoutValue:
			}
		}
		return nil, fmt.Errorf("open %s: %w", c.port, err)
	}
	// What came before is about nothing that we have asked for. A port that cannot forget it is read instead.
	_ = port.ResetInputBuffer()
	return &wire{port: port, ready: wiresReady(c.flow, port.GetModemStatusBits)}, nil
}

// wiresReady says whether the device's wire lets bytes go.
func wiresReady(flow string, bits func() (*serial.ModemStatusBits, error)) func() (bool, error) {
	var wire func(*serial.ModemStatusBits) bool
	switch flow {
	case flowRTSCTS:
		wire = func(b *serial.ModemStatusBits) bool { return b.CTS }
	case flowDTRDSR:
		wire = func(b *serial.ModemStatusBits) bool { return b.DSR }
	default:
		return func() (bool, error) { return true, nil }
	}
	return func() (bool, error) {
		b, err := bits()
		if err != nil {
			return false, fmt.Errorf("read the line's wires: %w: if it has none, set flow to none or xon-xoff", err)
		}
		return wire(b), nil
	}
}
