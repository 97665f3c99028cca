package snmp

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/gosnmp/gosnmp"

	tandemv1 "tandem/proto/tandem/v1"
)

const (
	askAgain     = 2  // times, of a request without an answer
	mostRows     = 64 // of a table; more are left out
	mostSupplies = 32
	mostLines    = 8 // of a display
)

// agent is the SNMP agent of one printer.
type agent struct {
	client *gosnmp.GoSNMP
	index  int // hrDeviceIndex
}

// dial opens a socket; nothing is sent before the first request, except by SNMPv3, which asks the agent who it is.
func (w *watcher) dial(ctx context.Context) (*agent, error) {
	secret, err := w.secrets()
	if err != nil {
		return nil, err
	}
	client := &gosnmp.GoSNMP{
		Context: ctx, Target: w.host, Port: w.port, Transport: "udp",
		Timeout: w.patience, Retries: askAgain, MaxOids: 20, MaxRepetitions: 16,
		Version: gosnmp.Version2c, Community: secret.community,
	}
	if secret.user != nil {
		client.Version, client.SecurityModel = gosnmp.Version3, gosnmp.UserSecurityModel
		client.MsgFlags, client.SecurityParameters = secret.level, secret.user
	}
	if err := client.Connect(); err != nil {
		return nil, fmt.Errorf("reach %s: %w", w.address(), err)
	}
	return &agent{client: client, index: w.index}, nil
}

func (a *agent) close() { _ = a.client.Conn.Close() } // a datagram socket has nothing to lose

// find looks for the first printer among the agent's devices. An agent that lists none is taken for a printer that is its
// only device.
func (a *agent) find() error {
	if a.index > 0 {
		return nil
	}
	rows, err := a.column(hrDeviceType)
	if err != nil {
		return fmt.Errorf("read hrDeviceType: %w", err)
	}
	a.index = 1
	for _, row := range rows {
		if oid, ok := row.value.(string); ok && oid == hrDevicePrinter {
			if n, err := strconv.Atoi(row.row); err == nil {
				a.index = n
				return nil
			}
		}
	}
	return nil
}

// read asks for state, alerts and display, and for supplies too if wanted.
func (a *agent) read(supplies bool) (reading, error) {
	var r reading
	suffix := "." + strconv.Itoa(a.index)
	packet, err := a.client.Get([]string{hrDeviceStatus + suffix, hrPrinterStatus + suffix, hrPrinterDetectedErrorState + suffix})
	if err != nil {
		return r, fmt.Errorf("read hrPrinterStatus: %w", err)
	}
	if packet.Error != gosnmp.NoError {
		return r, fmt.Errorf("read hrPrinterStatus: the agent answers %s", packet.Error)
	}
	for _, v := range packet.Variables {
		switch strings.TrimSuffix(v.Name, suffix) {
		case hrDeviceStatus:
			r.device = number(v.Value)
		case hrPrinterStatus:
			r.printer = number(v.Value)
		case hrPrinterDetectedErrorState:
			r.detected, _ = v.Value.([]byte)
		}
	}
	if r.device == 0 && r.printer == 0 {
		return r, fmt.Errorf("the agent has no printer with hrDeviceIndex %d: set device-index to one for which it tells hrPrinterStatus", a.index)
	}
	if r.alerts, err = a.alerts(suffix); err != nil {
		return r, err
	}
	if r.console, err = a.console(suffix); err != nil {
		return r, err
	}
	if supplies {
		r.supplies, err = a.supplies(suffix)
	}
	return r, err
}

func (a *agent) alerts(suffix string) ([]alert, error) {
	t, err := a.table(suffix, prtAlertCode, prtAlertSeverityLevel, prtAlertGroup, prtAlertDescription)
	if err != nil {
		return nil, fmt.Errorf("read prtAlertTable: %w", err)
	}
	var out []alert
	for _, row := range t.rows {
		out = append(out, alert{
			severity: t.number(prtAlertSeverityLevel, row), group: t.number(prtAlertGroup, row), code: t.number(prtAlertCode, row),
			description: t.text(prtAlertDescription, row),
		})
	}
	return out, nil
}

func (a *agent) console(suffix string) ([]string, error) {
	t, err := a.table(suffix, prtConsoleDisplayBufferText)
	if err != nil {
		return nil, fmt.Errorf("read prtConsoleDisplayBufferText: %w", err)
	}
	var out []string
	for _, row := range t.rows[:min(len(t.rows), mostLines)] {
		out = append(out, t.text(prtConsoleDisplayBufferText, row))
	}
	return out, nil
}

// supplies reads what is used up and filled, and then the media.
func (a *agent) supplies(suffix string) ([]*tandemv1.Supply, error) {
	t, err := a.table(suffix, prtMarkerSuppliesDescription, prtMarkerSuppliesClass, prtMarkerSuppliesType,
		prtMarkerSuppliesSupplyUnit, prtMarkerSuppliesMaxCapacity, prtMarkerSuppliesLevel)
	if err != nil {
		return nil, fmt.Errorf("read prtMarkerSuppliesTable: %w", err)
	}
	var out []*tandemv1.Supply
	for _, row := range t.rows {
		s := &tandemv1.Supply{
			DisplayName: t.text(prtMarkerSuppliesDescription, row), Kind: supplyKind(t.number(prtMarkerSuppliesType, row)),
			Receptacle: t.number(prtMarkerSuppliesClass, row) == receptacleThatIsFilled,
		}
		t.level(s, row, prtMarkerSuppliesLevel, prtMarkerSuppliesMaxCapacity, prtMarkerSuppliesSupplyUnit)
		out = append(out, s)
	}
	t, err = a.table(suffix, prtInputCurrentLevel, prtInputMaxCapacity, prtInputCapacityUnit, prtInputMediaName, prtInputName)
	if err != nil {
		return nil, fmt.Errorf("read prtInputTable: %w", err)
	}
	for _, row := range t.rows {
		name, media := t.text(prtInputName, row), t.text(prtInputMediaName, row)
		if media != "" {
			name = strings.TrimSpace(name + " (" + media + ")")
		}
		if name == "" {
			name = "input " + row
		}
		s := &tandemv1.Supply{DisplayName: name, Kind: "media"}
		t.level(s, row, prtInputCurrentLevel, prtInputMaxCapacity, prtInputCapacityUnit)
		out = append(out, s)
	}
	return out[:min(len(out), mostSupplies)], nil
}

// table is some columns of a table, for one device.
type table struct {
	rows  []string // as the first column has them
	cells map[string]map[string]any
}

func (a *agent) table(suffix string, columns ...string) (table, error) {
	t := table{cells: map[string]map[string]any{}}
	for i, column := range columns {
		cells, err := a.column(column + suffix)
		if err != nil {
			return t, err
		}
		if i == 0 && len(cells) == 0 {
			return t, nil // most printers leave out a table or two
		}
		t.cells[column] = map[string]any{}
		for _, c := range cells {
			if i == 0 {
				t.rows = append(t.rows, c.row)
			}
			t.cells[column][c.row] = c.value
		}
	}
	return t, nil
}

func (t table) number(column, row string) int { return number(t.cells[column][row]) }

func (t table) text(column, row string) string {
	b, _ := t.cells[column][row].([]byte)
	return strings.TrimSpace(strings.ToValidUTF8(strings.Trim(string(b), "\x00"), ""))
}

// level sets a supply's level where the printer tells one.
func (t table) level(s *tandemv1.Supply, row, level, capacity, unit string) {
	if _, told := t.cells[level][row]; told {
		setLevel(s, t.number(level, row), t.number(capacity, row), t.number(unit, row))
	}
}

type cell struct {
	row   string
	value any
}

var errEnough = errors.New("enough rows")

// column reads the cells below an object in the agent's order.
func (a *agent) column(object string) ([]cell, error) {
	var out []cell
	err := a.client.BulkWalk(object, func(v gosnmp.SnmpPDU) error {
		if len(out) >= mostRows {
			return errEnough
		}
		if row, below := strings.CutPrefix(v.Name, object+"."); below && v.Type != gosnmp.NoSuchInstance && v.Type != gosnmp.NoSuchObject {
			out = append(out, cell{row: row, value: v.Value})
		}
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return out, err
}

// number returns an INTEGER, 0 for anything else.
func number(v any) int {
	switch n := v.(type) {
	case int:
		return n
	case uint:
		return int(min(n, 1<<31-1))
	case uint32:
		return int(min(n, 1<<31-1))
	}
	return 0
}
