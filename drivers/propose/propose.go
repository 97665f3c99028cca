// Package propose puts together what kinds of drivers and of watchers find at one address, and writes it as a device of a
// floor file for a person to look through. It asks at no other address than the one it is given, never searches a network, and
// proposes no start without a person.
package propose

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"tandem/drivers"
)

// byHand is the kind of driver that is proposed where only a watcher was answered: people report what the device does.
const byHand = "operator"

// Device is what is proposed for one device.
type Device struct {
	ID       string
	Address  string // as it was given
	Kind     drivers.Kind
	Proposal *drivers.Proposal
	Watch    []Watch
	// Asked says what was asked, what came of it, and what was left out.
	Asked []drivers.Tried
	// Also are other ways to drive it.
	Also []string
}

// Watch is a watcher.
type Watch struct {
	Kind     drivers.Kind
	Proposal *drivers.Proposal
}

// answer is what one kind found.
type answer struct {
	kind     drivers.Kind
	proposal *drivers.Proposal
}

// Ask asks each of the kinds, in their order, what is at an address. An id that is not given is made of what the device calls
// itself. Its error says everything that was tried, and what to do.
func Ask(ctx context.Context, kinds []drivers.Kind, t drivers.Target, id string) (*Device, error) {
	d := &Device{Address: t.Address}
	var answers []answer
	var errs []error
	for _, kind := range kinds {
		if kind.Propose == nil {
			continue
		}
		p, err := kind.Propose(ctx, t)
		switch {
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case errors.Is(err, drivers.ErrNotAsked):
			continue
		case errors.Is(err, drivers.ErrAnswered):
			return nil, fmt.Errorf("%s: %w", kind.Name, err)
		case err != nil:
			errs = append(errs, fmt.Errorf("  %s: %w", kind.Name, err))
			d.Asked = append(d.Asked, drivers.Tried{What: kind.Name, Came: drivers.PlainText(err.Error())})
			continue
		}
		d.Asked = append(d.Asked, p.Asked...)
		if kind.New == nil {
			d.Watch = append(d.Watch, Watch{kind, p})
			continue
		}
		answers = append(answers, answer{kind, p})
		t.Answered = true
	}
	if err := d.choose(kinds, t, answers, errs); err != nil {
		return nil, err
	}
	if t.Community == "" && t.Credentials == "" && t.Host != "" {
		d.Asked = append(d.Asked, drivers.Tried{What: "SNMP", Came: "not asked, since no --community or --snmp-credentials was given"})
	}
	return d, d.name(id, t)
}

// choose takes the driver that answers where the person pointed, else the first.
func (d *Device) choose(kinds []drivers.Kind, t drivers.Target, answers []answer, errs []error) error {
	at := max(slices.IndexFunc(answers, func(a answer) bool { return a.proposal.Named }), 0)
	for i, a := range answers {
		if i != at {
			d.Also = append(d.Also, a.kind.Name+" answers as well, and was not chosen since another answers at the port that was named: its settings would be "+line(a.kind, a.proposal.Settings))
		}
	}
	switch {
	case len(answers) > 0:
		d.Kind, d.Proposal = answers[at].kind, answers[at].proposal
	case len(d.Watch) > 0:
		i := slices.IndexFunc(kinds, func(k drivers.Kind) bool { return k.Name == byHand })
		if i < 0 {
			return fmt.Errorf("only a watcher answers at %s, and there is no kind of driver for work that people report", t.Address)
		}
		operation := t.Operation
		if operation == "" {
			operation = "print"
		}
		d.Kind = kinds[i]
		d.Proposal = &drivers.Proposal{
			Name: d.Watch[0].Proposal.Name, Abilities: []drivers.ProposedAbility{{Operation: operation}},
			Assumed: map[string]string{"operation": "only a watcher answers, which knows nothing of jobs: people report the work"},
		}
	case len(errs) == 0:
		return fmt.Errorf("no kind of driver asks at such an address: %s", t.Address)
	default:
		return fmt.Errorf("nothing at %s can be proposed; tried\n%w", t.Address, errors.Join(errs...))
	}
	return nil
}

// name gives the device its id.
func (d *Device) name(id string, t drivers.Target) error {
	if id != "" {
		if !drivers.ValidID(id) {
			return fmt.Errorf("--id: %q is no id: use 1 to 63 lower-case letters, digits and dashes, no dash first", id)
		}
		d.ID = id
		return nil
	}
	from := []string{d.Proposal.Name}
	for _, w := range d.Watch {
		from = append(from, w.Proposal.Name)
	}
	at := t.Host
	if at == "" {
		at = filepath.Base(t.Address)
	}
	operation := d.Proposal.Abilities[0].Operation
	if operation == "print" || operation == "cut" {
		operation = map[string]string{"print": "printer", "cut": "cutter"}[operation]
	}
	from = append(from, operation+"-"+at, d.Kind.Name)
	for _, name := range from {
		if d.ID = IDFrom(name); d.ID != "" {
			break
		}
	}
	return nil
}

// line writes settings in one line.
func line(kind drivers.Kind, settings map[string]string) string {
	var out []string
	for _, s := range kind.Settings {
		if value, ok := settings[s.Name]; ok {
			out = append(out, s.Name+": "+strconv.Quote(drivers.PlainLine(value)))
		}
	}
	return strings.Join(out, ", ")
}
