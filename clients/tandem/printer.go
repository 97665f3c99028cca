package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"sync"
	"unicode"
	"unicode/utf16"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"tandem/clients/celltext"
)

const (
	plain  = celltext.Plain
	strong = celltext.Strong
	faint  = celltext.Faint
	good   = celltext.Good
	busy   = celltext.Busy
	warned = celltext.Warn
	bad    = celltext.Bad
)

// span is a piece of a line with its style; its text may be foreign.
type span struct {
	Style celltext.Style
	Text  string
}

// printer writes data to standard output and talk to standard error. Every text passes through celltext.Clean on its
// way, so no command can forget to. It may be used by several goroutines.
type printer struct {
	json    bool
	quiet   bool
	noColor bool

	mu        sync.Mutex
	out       *bufio.Writer
	err       io.Writer
	outColour bool
	errColour bool
	failed    error // the first error of writing data
}

func newPrinter(s system) *printer {
	// NO_COLOR counts when it is present and not empty: no-color.org.
	allowed := s.env("NO_COLOR") == "" && s.env("TERM") != "dumb"
	return &printer{
		out:       bufio.NewWriter(s.stdout),
		err:       s.stderr,
		outColour: s.outIsTerminal && allowed,
		errColour: s.errIsTerminal && allowed,
	}
}

// colour reports whether data may be coloured.
func (p *printer) colour() bool { return p.outColour && !p.noColor }

// line prints one line of data.
func (p *printer) line(spans ...span) {
	p.write(render(spans, p.colour()))
}

// text prints one line of data without style.
func (p *printer) text(format string, args ...any) {
	p.line(span{plain, fmt.Sprintf(format, args...)})
}

// message prints a message as one line of JSON.
func (p *printer) message(m proto.Message) {
	p.write(jsonLine(m))
}

// write puts text that is clean already.
func (p *printer) write(text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if _, err := p.out.WriteString(text); err != nil && p.failed == nil {
		p.failed = err
	}
}

// flush hands everything over and returns the first error of writing.
func (p *printer) flush() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.out.Flush(); err != nil && p.failed == nil {
		p.failed = err
	}
	if p.failed != nil {
		return fmt.Errorf("write standard output: %w", p.failed)
	}
	return nil
}

// say talks to the person; quiet keeps it still.
func (p *printer) say(format string, args ...any) {
	if !p.quiet {
		p.talk(plain, fmt.Sprintf(format, args...))
	}
}

// warn talks to the person even if quiet: what must not be missed.
func (p *printer) warn(format string, args ...any) {
	p.talk(warned, fmt.Sprintf(format, args...))
}

func (p *printer) talk(style celltext.Style, text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	// Data that was printed before comes first on a terminal too. Its error is kept by the writer for flush.
	_ = p.out.Flush()
	// There is nobody left to tell if standard error fails.
	_, _ = io.WriteString(p.err, render([]span{{style, text}}, p.errColour && !p.noColor))
}

// progress is a line of talk on a terminal that is written over again and again.
type progress struct {
	*printer
	on    bool
	shown bool
}

// show writes over what was shown before.
func (p *progress) show(text string) {
	if p.on {
		p.shown = true
		p.overwrite(celltext.Clean(text))
	}
}

// clear takes the line away.
func (p *progress) clear() {
	if p.shown {
		p.overwrite("")
	}
}

func (p *progress) overwrite(text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	_, _ = io.WriteString(p.err, "\r"+text+eraseLine)
}

func render(spans []span, colour bool) string {
	line := make(celltext.Line, len(spans))
	for i, s := range spans {
		line[i] = celltext.Span(s)
	}
	var b strings.Builder
	line.Write(&b, 0, colour)
	return b.String()
}

// jsonLine encodes a message as protobuf JSON on one line, the same bytes each time. Characters that a terminal might
// obey and JSON allows unescaped are escaped too, which changes nothing for who decodes it.
func jsonLine(m proto.Message) string {
	data, err := protojson.Marshal(m)
	if err != nil {
		// Only text that is not UTF-8 cannot be encoded, and such a message cannot have been received.
		panic("encode " + string(m.ProtoReflect().Descriptor().FullName()) + ": " + err.Error())
	}
	var compact bytes.Buffer
	if err := json.Compact(&compact, data); err != nil {
		panic("compact JSON: " + err.Error())
	}
	var b strings.Builder
	for _, r := range compact.String() {
		switch {
		case unicode.IsPrint(r):
			b.WriteRune(r)
		case r > 0xffff:
			high, low := utf16.EncodeRune(r)
			fmt.Fprintf(&b, `\u%04x\u%04x`, high, low)
		default:
			fmt.Fprintf(&b, `\u%04x`, r)
		}
	}
	b.WriteByte('\n')
	return b.String()
}
