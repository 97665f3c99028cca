package drivers

import (
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"unicode"
)

var (
	// ErrNotAsked is what Propose returns, perhaps wrapped, for an address that its kind does not speak to.
	ErrNotAsked = errors.New("not asked")
	// ErrAnswered is wrapped by the error of a Propose that has found a device of its kind, and needs something from the
	// person before it can propose settings. Nothing else is asked then.
	ErrAnswered = errors.New("it answers")
)

// A Proposal is what a kind of driver or of watcher found at an address, as settings for a person to look through. What
// comes from the device is text of others: it may hold anything.
type Proposal struct {
	// Name is what the device calls itself; empty: it did not say.
	Name string
	// Settings are those that differ from their defaults.
	Settings map[string]string
	// Assumed says of a setting, or of "operation", why it is a guess.
	Assumed map[string]string
	// Abilities are what it seems to be for. A watcher proposes none.
	Abilities []ProposedAbility
	// Asked says what was asked, and what came of it.
	Asked []Tried
	// Facts are what the device said of itself.
	Facts []Fact
	// Open are what a person must decide.
	Open []Question
	// Cautions are what can hurt somebody, or spoil something.
	Cautions []string
	// Named is whether it answers at the very port that was named, and not at its kind's usual one.
	Named bool
}

// ProposedAbility is an operation.
type ProposedAbility struct {
	Operation  string
	MaxWidthUm int64 // 0: not known
	Media      []ProposedMedia
}

// ProposedMedia is a media as the device calls it. The floor file has names of its own.
type ProposedMedia struct {
	Name     string
	WidthUm  int64 // greatest; 0: not known
	LengthUm int64 // greatest; 0: not known
	Ready    bool  // it is loaded
}

// Tried is an address or a part of it that was asked, and what came of it.
type Tried struct{ What, Came string }

// Fact is something that a device said, or that was seen of it.
type Fact struct{ Name, Value string }

// Question is something that a person must decide.
type Question struct {
	Text string
	// Setting is a line as it could stand among the driver's settings, and Ability one among those of the ability; empty: none.
	Setting, Ability string
}

// Fact notes a fact. A value is made one line of plain text, and an empty one is left out.
func (p *Proposal) Fact(name, value string) {
	if value = PlainLine(value); value != "" {
		p.Facts = append(p.Facts, Fact{name, value})
	}
}

// Ask notes a question, with a line of settings that could answer it.
func (p *Proposal) Ask(text, setting string) {
	p.Open = append(p.Open, Question{Text: text, Setting: setting})
}

// ExamplePath makes an absolute path of this system of one with slashes, such as /srv/tandem/cut.
func ExamplePath(slashed string) string {
	if runtime.GOOS == "windows" {
		return "C:" + filepath.FromSlash(slashed)
	}
	return slashed
}

const longestLine = 300 // bytes of what a device says

// PlainLine makes one line of plain text of what a device says: no control characters, no broken text, not too long.
func PlainLine(s string) string {
	if s = PlainText(s); len(s) > longestLine {
		return strings.ToValidUTF8(s[:longestLine], "") + "..."
	}
	return s
}

// PlainText does the same with a text of any length.
func PlainText(s string) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, ""))
	return strings.Join(strings.Fields(s), " ")
}

// explained is an error in words for a person.
type explained struct {
	text string
	err  error
}

func (e *explained) Error() string { return e.text }
func (e *explained) Unwrap() error { return e.err }

// Unreachable says in a person's words why a connection failed, and the remedy. What it does not know it returns as it is.
func Unreachable(err error) error {
	dns, unknown := errors.AsType[*net.DNSError](err)
	netErr, ok := errors.AsType[net.Error](err)
	switch {
	case unknown && !dns.IsTimeout:
		return &explained{fmt.Sprintf("no address is known for the name %q: check how it is written, or give the device's IP address", dns.Name), err}
	case errors.Is(err, syscall.ECONNREFUSED):
		return &explained{"the connection is refused: the address answers and nothing listens at this port: switch the service on at the device, or give another port", err}
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		return &explained{"there is no way to it: check the address, the cable, and that the device is on and in this network", err}
	case errors.Is(err, syscall.ECONNRESET):
		return &explained{"the connection is reset: something is there that does not speak this, or lets only known computers in", err}
	case ok && netErr.Timeout():
		return &explained{"no answer in time: check that the device is on and awake, its address, and firewalls; or give it longer with --timeout", err}
	}
	return err
}
