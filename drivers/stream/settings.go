package stream

import (
	"fmt"
	"net"
	"regexp"
	"strconv"
	"strings"
	"time"

	"go.bug.st/serial"

	"tandem/drivers"
	"tandem/drivers/filejob"
)

const rehearsal = "rehearsal"

func settings() []drivers.Setting {
	out := []drivers.Setting{
		{Name: "address", Help: "host:port of the device's socket, such as 10.0.0.7:9100; or rehearsal: nothing is sent and nothing moves"},
		{Name: "serial", Help: "serial line instead of an address, such as /dev/ttyUSB0 or COM3"},
		{Name: "baud", Default: "9600", Help: "speed of the serial line, in bits a second: 50 to 4000000"},
		{Name: "data-bits", Default: "8", Help: "of the serial line: 5 to 8"},
		{Name: "parity", Default: "none", Help: "of the serial line: none, odd, even, mark or space"},
		{Name: "stop-bits", Default: "1", Help: "of the serial line: 1, 1.5 or 2"},
		{Name: "flow", Default: "none", Help: "how the device holds the line back: none, rts-cts, dtr-dsr (serial lines only) or xon-xoff"},
	}
	out = append(out, filejob.FileSettings()...)
	out = append(out,
		drivers.Setting{Name: "several", Default: "refuse", Help: "a run with more than one file: refuse, or in-order to send one behind the other"},
		drivers.Setting{Name: "pace", Default: "0", Help: "greatest speed of sending, in bytes a second; 0: as fast as the device takes them, on a serial line as fast as it is"},
		drivers.Setting{Name: "chunk", Default: "1024", Help: "greatest number of bytes sent at once: 1 to 65536; a stop waits for so many"},
		drivers.Setting{Name: "send-first", Help: `bytes before the file, with \r, \n, \x1b and so on`},
		drivers.Setting{Name: "send-last", Help: "bytes behind the file"},
		drivers.Setting{Name: "keep-open", Default: "true", Help: "whether the connection stays open until the run is over; false: it is closed behind the last byte, and the device goes on alone"},
		drivers.Setting{Name: "done", Default: "time", Help: "how the end is known: time (as long as it takes), answer (done-answer comes), closed (the device closes the connection), sent (the last byte is taken)"},
		drivers.Setting{Name: "progress", Default: "least", Help: "what the share done is told by: bytes, or least of bytes and time"},
		drivers.Setting{Name: "answer-end", Default: `\n`, Help: "bytes at which each of the device's answers ends"},
		drivers.Setting{Name: "done-answer", Help: "regular expression (RE2) for the answer that the run is over"},
		drivers.Setting{Name: "fail-answer", Help: "for the answer that the device has given the run up"},
		drivers.Setting{Name: "cancel-answer", Help: "for the answer that somebody has ended the run at the device"},
		drivers.Setting{Name: "hold-answer", Help: "for the answer that the device stands still in the run"},
		drivers.Setting{Name: "go-answer", Help: "for the answer that it goes on"},
		drivers.Setting{Name: "boot-answer", Help: "for what the device says when it has been switched on and has forgotten its work"},
		drivers.Setting{Name: "stop-send", Help: "bytes that end a run early at the device; empty: no more bytes are sent, and what the device has it does"},
		drivers.Setting{Name: "stop-takes", Default: "10s", Help: "how long after the last byte of a stopped run the device surely stands: 0s to 1h"},
		drivers.Setting{Name: "stall-after", Default: "5m", Help: "how long the device may take no byte until the run counts as standing still; 0s: for ever"},
		drivers.Setting{Name: "lost-after", Default: "30s", Help: "how long a silent network may last until the connection counts as lost: 2s to 10m"},
		drivers.Setting{Name: "check", Default: "1m", Help: "how often an idle device is asked whether it is there, by a connection that is closed again; 0s: never"},
		drivers.Setting{Name: "resume-ask", Help: "bytes that ask the device, on a new connection, how many bytes of the run it has; only for devices that say so"},
		drivers.Setting{Name: "resume-answer", Help: `for its answer, with the number in a group, such as ^AT (\d+)$`},
		drivers.Setting{Name: "resume-within", Default: "10s", Help: "how long after a lost connection the rest may be sent: 1s to 1m. Caution: the device moves on without a new start"},
	)
	return append(out, filejob.TimingSettings()...)
}

// How the end of a run is known.
const (
	doneTime   = "time"
	doneAnswer = "answer"
	doneClosed = "closed"
	doneSent   = "sent"
)

// How a device holds the line back.
const (
	flowNone   = "none"
	flowRTSCTS = "rts-cts"
	flowDTRDSR = "dtr-dsr"
	flowXON    = "xon-xoff"
)

// config is the settings as they are used.
type config struct {
	address string // host:port; empty: a serial line, or a rehearsal
	port    string // of the serial line
	mode    serial.Mode
	flow    string

	pace                  float64 // bytes a second; 0: no limit
	chunk                 int
	first, last           []byte
	keepOpen              bool
	done                  string
	answers               answers
	stopSend              []byte
	stopTakes, stallAfter time.Duration
	lostAfter, check      time.Duration
	resumeAsk             []byte
	resumeAnswer          *regexp.Regexp
	resumeWithin          time.Duration
	fileSettings          filejob.Files
	timing                filejob.Timing
}

func readSettings(given map[string]string) (config, error) {
	v := drivers.ReadSettings(settings(), given)
	c := config{
		pace: v.Float("pace", 0, 1e9), chunk: int(v.Int("chunk", 1, 1<<16)), keepOpen: v.Bool("keep-open"),
		first: escaped(v, given, "send-first"), last: escaped(v, given, "send-last"), stopSend: escaped(v, given, "stop-send"),
		stopTakes: v.Duration("stop-takes", 0, time.Hour), stallAfter: v.Duration("stall-after", 0, 24*time.Hour),
		lostAfter: v.Duration("lost-after", 2*time.Second, 10*time.Minute), check: v.Duration("check", 0, 24*time.Hour),
		resumeAsk: escaped(v, given, "resume-ask"), resumeAnswer: pattern(v, "resume-answer"), resumeWithin: v.Duration("resume-within", time.Second, time.Minute),
		done:   choice(v, "done", doneTime, doneAnswer, doneClosed, doneSent),
		flow:   choice(v, "flow", flowNone, flowRTSCTS, flowDTRDSR, flowXON),
		timing: filejob.ReadTiming(v),
	}
	c.timing.ByBytes = choice(v, "progress", "least", "bytes") == "bytes"
	c.place(v)
	c.fileSettings = filejob.ReadFiles(v, c.rehearses())
	c.fileSettings.Several = choice(v, "several", "refuse", "in-order") == "in-order"
	c.readAnswers(v, given)
	c.agree(v)
	return c, v.Err()
}

func (c *config) rehearses() bool { return c.address == rehearsal }

// place reads where the device is.
func (c *config) place(v *drivers.Values) {
	c.address, c.port = v.String("address"), v.String("serial")
	switch {
	case c.address == "" && c.port == "":
		v.Fail("address", "name the device's socket as host:port, such as 10.0.0.7:9100, or its line in the setting serial; rehearsal tries a floor out without a device")
	case c.address != "" && c.port != "":
		v.Fail("serial", "the device has an address as well; leave one of them out")
	case c.address != "" && !c.rehearses():
		host, port, err := net.SplitHostPort(c.address)
		if n, bad := strconv.ParseUint(port, 10, 16); err != nil || host == "" || bad != nil || n == 0 {
			v.Fail("address", "write host:port with a port from 1 to 65535, such as 10.0.0.7:9100 or [fd00::7]:9100")
		}
	}
	c.mode = serial.Mode{BaudRate: int(v.Int("baud", 50, 4_000_000)), DataBits: int(v.Int("data-bits", 5, 8))}
	switch choice(v, "parity", "none", "odd", "even", "mark", "space") {
	case "odd":
		c.mode.Parity = serial.OddParity
	case "even":
		c.mode.Parity = serial.EvenParity
	case "mark":
		c.mode.Parity = serial.MarkParity
	case "space":
		c.mode.Parity = serial.SpaceParity
	}
	switch choice(v, "stop-bits", "1", "1.5", "2") {
	case "1.5":
		c.mode.StopBits = serial.OnePointFiveStopBits
	case "2":
		c.mode.StopBits = serial.TwoStopBits
	}
	if rate := lineRate(c.mode); c.port != "" && (c.pace == 0 || c.pace > rate) {
		c.pace = rate
	}
}

// lineRate is how many bytes a second an asynchronous line carries: each takes a start bit, its data bits, a parity bit if
// there is one, and its stop bits.
func lineRate(m serial.Mode) float64 {
	bits := 1 + float64(m.DataBits) + 1
	if m.Parity != serial.NoParity {
		bits++
	}
	switch m.StopBits {
	case serial.TwoStopBits:
		bits++
	case serial.OnePointFiveStopBits:
		bits += 0.5
	case serial.OneStopBit:
	}
	return float64(m.BaudRate) / bits
}

func (c *config) readAnswers(v *drivers.Values, given map[string]string) {
	c.answers = answers{end: escaped(v, given, "answer-end")}
	for _, a := range []struct {
		name string
		word word
	}{
		{"done-answer", wordDone},
		{"fail-answer", wordFailed},
		{"cancel-answer", wordCanceled},
		{"hold-answer", wordHeld},
		{"go-answer", wordGoesOn},
		{"boot-answer", wordBooted},
	} {
		if re := pattern(v, a.name); re != nil {
			c.answers.patterns = append(c.answers.patterns, answer{re, a.word})
		}
	}
	if len(c.answers.end) == 0 {
		v.Fail("answer-end", `say at which bytes an answer ends, such as \n or \r`)
	}
}

// agree refuses settings that do not go together.
func (c *config) agree(v *drivers.Values) {
	if c.done == doneAnswer && !c.answers.knows(wordDone) {
		v.Fail("done-answer", "done is answer, so say what the device answers when a run is over, or choose another done")
	}
	if !c.keepOpen && (c.done == doneAnswer || c.done == doneClosed) {
		v.Fail("keep-open", "done is "+c.done+", which is heard on the open connection: leave keep-open true, or choose another done")
	}
	if c.port != "" {
		if c.done == doneClosed {
			v.Fail("done", "a serial line is never closed by the device: use time, answer or sent")
		}
		if !c.keepOpen {
			v.Fail("keep-open", "a serial line has no connection to close: leave it out")
		}
	} else if c.flow == flowRTSCTS || c.flow == flowDTRDSR {
		v.Fail("flow", "a socket has no such wires: use none or xon-xoff")
	}
	if (len(c.resumeAsk) > 0) != (c.resumeAnswer != nil) {
		v.Fail("resume-answer", "resume-ask and resume-answer go together: set both, or neither")
	} else if c.resumeAnswer != nil && c.resumeAnswer.NumSubexp() != 1 {
		v.Fail("resume-answer", `put the number of bytes in one group, such as ^AT (\d+)$`)
	}
	if c.resumeAnswer != nil && !c.keepOpen {
		v.Fail("resume-ask", "keep-open is false, so a lost connection is no loss behind the last byte; leave keep-open true to resume")
	}
}

// escaped reads bytes written with Go's escapes.
func escaped(v *drivers.Values, given map[string]string, name string) []byte {
	if strings.TrimSpace(given[name]) != given[name] {
		v.Fail(name, `it begins or ends with a blank or a line end, which would be lost: write those as \x20, \r and \n, in a floor file between single quotes`)
		return nil
	}
	text, err := strconv.Unquote(`"` + v.String(name) + `"`)
	if err != nil || len(text) > 4096 {
		v.Fail(name, `write at most 4096 bytes, those that cannot be typed as \r, \n, \t or \x1b, a backslash as \\ and a quotation mark as \"`)
		return nil
	}
	return []byte(text)
}

func pattern(v *drivers.Values, name string) *regexp.Regexp {
	text := v.String(name)
	if text == "" {
		return nil
	}
	re, err := regexp.Compile(text)
	if err != nil {
		v.Fail(name, fmt.Sprintf("write a regular expression (RE2): %v", err))
		return nil
	}
	return re
}

func choice(v *drivers.Values, name string, words ...string) string {
	value := v.String(name)
	for _, w := range words {
		if value == w {
			return w
		}
	}
	v.Fail(name, "write "+strings.Join(words[:len(words)-1], ", ")+" or "+words[len(words)-1])
	return words[0]
}
