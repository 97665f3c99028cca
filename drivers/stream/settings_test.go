package stream

import (
	"strings"
	"testing"

	"go.bug.st/serial"

	"tandem/drivers"
)

func TestSettingsAreRefusedWithARemedy(t *testing.T) {
	for _, test := range []struct {
		want  string
		given map[string]string
	}{
		{`setting address is "": name the device's socket as host:port`, map[string]string{"files": "/srv"}},
		{`setting address is "10.0.0.7": write host:port`, map[string]string{"address": "10.0.0.7", "files": "/srv"}},
		{`setting address is "10.0.0.7:0": write host:port`, map[string]string{"address": "10.0.0.7:0", "files": "/srv"}},
		{`setting address is ":9100": write host:port`, map[string]string{"address": ":9100", "files": "/srv"}},
		{`setting serial is "/dev/ttyS0": the device has an address as well`, map[string]string{"address": "a:1", "serial": "/dev/ttyS0", "files": "/srv"}},
		{`setting files is "": name the folder`, map[string]string{"address": "a:1"}},
		{`setting baud is "fast": write a whole number`, map[string]string{"serial": "COM3", "files": "/srv", "baud": "fast"}},
		{`setting data-bits is "9": write a whole number from 5 to 8`, map[string]string{"serial": "COM3", "files": "/srv", "data-bits": "9"}},
		{`setting parity is "both": write none, odd, even, mark or space`, map[string]string{"serial": "COM3", "files": "/srv", "parity": "both"}},
		{`setting stop-bits is "3": write 1, 1.5 or 2`, map[string]string{"serial": "COM3", "files": "/srv", "stop-bits": "3"}},
		{`setting flow is "wires": write none, rts-cts, dtr-dsr or xon-xoff`, map[string]string{"serial": "COM3", "files": "/srv", "flow": "wires"}},
		{`setting flow is "rts-cts": a socket has no such wires`, map[string]string{"address": "a:1", "files": "/srv", "flow": "rts-cts"}},
		{`setting pace is "-1": write a number`, map[string]string{"address": "a:1", "files": "/srv", "pace": "-1"}},
		{`setting chunk is "0": write a whole number from 1`, map[string]string{"address": "a:1", "files": "/srv", "chunk": "0"}},
		{`setting several is "both": write refuse or in-order`, map[string]string{"address": "a:1", "files": "/srv", "several": "both"}},
		{`setting keep-open is "perhaps": write true or false`, map[string]string{"address": "a:1", "files": "/srv", "keep-open": "perhaps"}},
		{`setting keep-open is "false": done is closed`, map[string]string{"address": "a:1", "files": "/srv", "keep-open": "false", "done": "closed"}},
		{`setting keep-open is "false": a serial line has no connection`, map[string]string{"serial": "COM3", "files": "/srv", "keep-open": "false"}},
		{`setting done is "closed": a serial line is never closed`, map[string]string{"serial": "COM3", "files": "/srv", "done": "closed"}},
		{`setting done is "soon": write time, answer, closed or sent`, map[string]string{"address": "a:1", "files": "/srv", "done": "soon"}},
		{`setting done-answer is "": done is answer`, map[string]string{"address": "a:1", "files": "/srv", "done": "answer"}},
		{`setting done-answer is "(": write a regular expression`, map[string]string{"address": "a:1", "files": "/srv", "done-answer": "("}},
		{`setting answer-end is "": say at which bytes`, map[string]string{"address": "a:1", "files": "/srv", "answer-end": ""}},
		{`setting send-last is "\\q": write at most 4096 bytes`, map[string]string{"address": "a:1", "files": "/srv", "send-last": `\q`}},
		{`setting send-last is "": it begins or ends with a blank`, map[string]string{"address": "a:1", "files": "/srv", "send-last": "\r\n"}},
		{`setting resume-answer is "": resume-ask and resume-answer go together`, map[string]string{"address": "a:1", "files": "/srv", "resume-ask": "?"}},
		{`setting resume-answer is "AT": put the number of bytes in one group`, map[string]string{"address": "a:1", "files": "/srv", "resume-ask": "?", "resume-answer": "AT"}},
		{`setting resume-within is "1h": write a duration from 1s to 1m0s`, map[string]string{"address": "a:1", "files": "/srv", "resume-within": "1h"}},
		{`setting resume-ask is "?": keep-open is false`, map[string]string{"address": "a:1", "files": "/srv", "resume-ask": "?", "resume-answer": "(.)", "keep-open": "false"}},
		{`setting lost-after is "1s": write a duration from 2s`, map[string]string{"address": "a:1", "files": "/srv", "lost-after": "1s"}},
		{`setting factor is "0": write a number from 0.01 to 100`, map[string]string{"address": "a:1", "files": "/srv", "factor": "0"}},
		{`setting progress is "guess": write least or bytes`, map[string]string{"address": "a:1", "files": "/srv", "progress": "guess"}},
	} {
		_, err := drivers.NewHost(Kind(), drivers.Env{Device: "cutter-1", Operations: []string{"cut"}}, test.given)
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%v: error %v, want %q", test.given, err, test.want)
		}
	}
	_, err := drivers.NewHost(Kind(), drivers.Env{Device: "cutter-1", Operations: []string{"cut"}, Capacity: 2}, Kind().Example)
	if err == nil || !strings.Contains(err.Error(), "capacity is 2") {
		t.Errorf("two runs at once: error %v", err)
	}
}

func TestLineRate(t *testing.T) {
	// Start bit, data bits, parity, stop bits: 10 bits at 8N1, 11 at 7E2, 7.5 at 5N1.5. From memory; any text on
	// asynchronous lines has them.
	for _, test := range []struct {
		mode serial.Mode
		want float64
	}{
		{serial.Mode{BaudRate: 9600, DataBits: 8}, 960},
		{serial.Mode{BaudRate: 1100, DataBits: 7, Parity: serial.EvenParity, StopBits: serial.TwoStopBits}, 100},
		{serial.Mode{BaudRate: 75, DataBits: 5, StopBits: serial.OnePointFiveStopBits}, 10},
	} {
		if got := lineRate(test.mode); got != test.want {
			t.Errorf("%+v: %g bytes a second, want %g", test.mode, got, test.want)
		}
	}
	c, err := readSettings(map[string]string{"serial": "COM3", "files": "/srv", "pace": "5000"})
	if err != nil || c.pace != 960 {
		t.Errorf("the pace of a line of 9600 baud is %g, %v", c.pace, err)
	}
}
