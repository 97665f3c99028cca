package ipp

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/OpenPrinting/goipp"

	"tandem/drivers"
	tandemv1 "tandem/proto/tandem/v1"
)

// standardPath is that of a printer's own IPP service (PWG 5100.14 section 4.2).
const standardPath = "/ipp/print"

// proposeAttributes are those that proposeSettings reads beside printerAttributes: RFC 8011 section 5.4, PWG 5100.7 for media
// collections, and marker-names and printer-type as print servers give them.
var proposeAttributes = []string{
	"printer-name", "printer-info", "printer-make-and-model", "printer-location", "printer-uri-supported", "uri-security-supported",
	"ipp-versions-supported", "document-format-supported", "print-quality-supported", "pages-per-minute", "finishings-supported",
	"media-supported", "media-size-supported", "media-col-database", "media-col-ready",
	"marker-names", "printer-supply-description",
}

// proposeSettings asks what is at an address by Get-Printer-Attributes, and where no printer is, by CUPS-Get-Printers.
func proposeSettings(ctx context.Context, t drivers.Target) (*drivers.Proposal, error) {
	uris := candidates(t)
	if len(uris) == 0 {
		return nil, drivers.ErrNotAsked
	}
	var errs []error
	for _, uri := range uris {
		p, err := proposeAt(ctx, t, uri)
		if err == nil || errors.Is(err, drivers.ErrAnswered) || ctx.Err() != nil {
			return p, err
		}
		errs = append(errs, err)
	}
	return nil, errors.Join(errs...)
}

// candidates are the URIs at which an address may have a printer. A port is only spoken to if it is one for IPP or HTTP:
// what is sent to a raw socket is printed, or moves a knife.
func candidates(t drivers.Target) []string {
	at := func(scheme, path string, port int) string {
		host := t.Host
		if port != 631 { // RFC 8010 section 4, RFC 7472 section 3
			host = net.JoinHostPort(host, strconv.Itoa(port))
		} else if strings.Contains(host, ":") {
			host = "[" + host + "]"
		}
		return (&url.URL{Scheme: scheme, Host: host, Path: path}).String()
	}
	switch t.Form {
	case drivers.FormURI:
		scheme, port := t.URI.Scheme, 631
		switch scheme {
		case "http":
			scheme, port = "ipp", 80
		case "https":
			scheme, port = "ipps", 443
		}
		if t.Port != 0 {
			port = t.Port
		}
		path := t.URI.Path
		if strings.Trim(path, "/") == "" {
			path = standardPath
		}
		return []string{at(scheme, path, port)}
	case drivers.FormHost:
		usual := at("ipp", standardPath, 631)
		switch t.Port {
		case 80:
			return []string{at("ipp", standardPath, 80), usual}
		case 443:
			return []string{at("ipps", standardPath, 443), usual}
		}
		return []string{usual}
	case drivers.FormLine, drivers.FormFolder:
	}
	return nil
}

// asker is a client for a target.
func asker(t drivers.Target, uri string) (*client, map[string]string, error) {
	given := map[string]string{"uri": uri}
	for name, value := range map[string]string{"user": t.User, "password-file": t.PasswordFile} {
		if value != "" {
			given[name] = value
		}
	}
	if strings.HasPrefix(uri, "ipps:") {
		for name, value := range map[string]string{"ca-file": t.CAFile, "server-name": t.ServerName} {
			if value != "" {
				given[name] = value
			}
		}
	}
	v := drivers.ReadSettings(known(), given)
	c := newClient(v)
	c.timeout = t.Timeout
	return c, given, v.Err()
}

func proposeAt(ctx context.Context, t drivers.Target, uri string) (*drivers.Proposal, error) {
	c, given, err := asker(t, uri)
	if err != nil {
		return nil, err
	}
	a, err := c.everything(ctx)
	if errors.Is(err, errEncrypt) && strings.HasPrefix(uri, "ipp:") { // it is there, and wants TLS
		return proposeAt(ctx, t, "ipps:"+strings.TrimPrefix(uri, "ipp:"))
	}
	var state *printer
	if err == nil {
		state, err = readPrinter(a)
	}
	if err != nil {
		return nil, c.explain(ctx, t, err)
	}
	p := &drivers.Proposal{
		Settings: given, Assumed: map[string]string{}, Named: t.Form == drivers.FormURI || t.Port != 0 && strings.Contains(c.url, ":"+strconv.Itoa(t.Port)+"/"),
		Asked: []drivers.Tried{{What: c.uri, Came: "Get-Printer-Attributes: it answers as a printer"}},
	}
	if p.Name = text(a, "printer-info"); p.Name == "" {
		p.Name = text(a, "printer-name")
	}
	state.facts(p, a)
	ability := drivers.ProposedAbility{Operation: "print"}
	if t.Operation != "" {
		ability.Operation = t.Operation
	} else {
		p.Assumed["operation"] = "IPP tells nothing of cutting along contours; a device that also cuts needs a second ability"
	}
	ability.Media, ability.MaxWidthUm = readMedia(a)
	p.Abilities = []drivers.ProposedAbility{ability}
	questions(p, a, uri, t)
	return p, nil
}

// everything asks for all that a proposal is made from (RFC 8011 section 4.2.5).
func (c *client) everything(ctx context.Context) (goipp.Attributes, error) {
	m := c.request(goipp.OpGetPrinterAttributes)
	c.named(m)
	add(&m.Operation, "requested-attributes", goipp.TagKeyword, slices.Concat(printerAttributes, proposeAttributes)...)
	answer, err := c.do(ctx, m)
	if err != nil {
		return nil, err
	}
	return answer.Printer, nil
}

// facts notes what the printer says of itself.
func (p *printer) facts(to *drivers.Proposal, a goipp.Attributes) {
	for _, f := range []struct{ name, attribute string }{
		{"name", "printer-info"}, {"queue or service", "printer-name"}, {"make and model", "printer-make-and-model"}, {"place", "printer-location"},
	} {
		to.Fact(f.name, text(a, f.attribute))
	}
	words := map[tandemv1.DeviceState]string{
		tandemv1.DeviceState_DEVICE_STATE_IDLE: "idle", tandemv1.DeviceState_DEVICE_STATE_PROCESSING: "processing", tandemv1.DeviceState_DEVICE_STATE_STOPPED: "stopped",
	}
	state := words[p.state]
	if !p.accepting {
		state += ", accepts no jobs"
	}
	to.Fact("state", state)
	to.Fact("reasons", strings.Join(p.reasons, ", "))
	to.Fact("IPP versions", strings.Join(texts(a, "ipp-versions-supported"), ", "))
	to.Fact("document formats", strings.Join(few(texts(a, "document-format-supported"), 8), ", "))
	var names []string
	for _, n := range numbers(a, "print-quality-supported") {
		for name, number := range qualities {
			if number == n {
				names = append(names, name)
			}
		}
	}
	to.Fact("print qualities", strings.Join(names, ", "))
	if n := number(a, "pages-per-minute"); n > 0 {
		to.Fact("pages per minute", fmt.Sprintf("%d, as its maker says of small sheets", n))
	}
	if !p.creates {
		to.Fact("jobs", "Print-Job only: one document for each")
	}
	names = texts(a, "marker-names")
	if len(markers(a)) == 0 || len(names) < len(p.supplies) {
		names = texts(a, "printer-supply-description")
	}
	for i, s := range p.supplies {
		name := "supply " + strconv.Itoa(i+1)
		if i < len(names) && len(names) == len(p.supplies) {
			name = names[i]
		}
		if s.waste {
			to.Fact("supply", fmt.Sprintf("%s: %d %% free", drivers.PlainLine(name), s.left))
		} else {
			to.Fact("supply", fmt.Sprintf("%s: %d %% left", drivers.PlainLine(name), s.left))
		}
	}
}

// few returns at most so many, and how many there are beside them.
func few(all []string, most int) []string {
	if len(all) <= most {
		return all
	}
	return append(slices.Clone(all[:most]), fmt.Sprintf("and %d more", len(all)-most))
}

// questions notes what a person must decide, and what to beware of.
func questions(p *drivers.Proposal, a goipp.Attributes, uri string, t drivers.Target) {
	var ready, other []string
	for _, m := range p.Abilities[0].Media {
		if m.Ready {
			ready = append(ready, m.Name)
		} else {
			other = append(other, m.Name)
		}
	}
	example := "NAME-AT-PRINTER"
	if len(ready) > 0 {
		example = ready[0]
	} else if len(other) > 0 {
		example = other[0]
	}
	p.Open = append(p.Open, drivers.Question{
		Text:    "Media: which of the shop's media is which of the printer's? Name the pairs, and the shop's own names in the ability. Until then no run waits for its media.",
		Setting: "media: " + strconv.Quote("YOUR-MEDIA="+drivers.PlainLine(example)), Ability: "media: [YOUR-MEDIA]",
	})
	p.Ask("Files: documents is the folder where the files of tickets lie; without it tickets name whole paths.", "documents: /srv/art")
	p.Ask("Pieces: do documents hold all pieces of a run (job), or one piece that is printed once for each (copy)?", "pieces-per: job")
	if formats := texts(a, "document-format-supported"); len(formats) > 0 && !slices.Contains(formats, "application/pdf") {
		p.Ask("Formats: it names no application/pdf. Documents must be in a format that it takes.", "")
	}
	if strings.HasPrefix(uri, "ipp:") {
		if i := slices.IndexFunc(texts(a, "printer-uri-supported"), func(s string) bool { return strings.HasPrefix(s, "ipps:") }); i >= 0 {
			p.Ask("Encryption: jobs go over the network in clear, and the printer offers "+drivers.PlainLine(texts(a, "printer-uri-supported")[i])+": propose again with ipps://, to see its certificate.", "")
		}
	}
	if u, err := url.Parse(uri); err == nil && (strings.HasPrefix(u.Path, "/printers/") || strings.HasPrefix(u.Path, "/classes/")) {
		p.Cautions = append(p.Cautions, "This is a queue of a print server: its state is the queue's. Keep the setting requesting-user, since a server may show a job's name to its owner only.")
	}
	if slices.Contains(numbers(a, "finishings-supported"), finishingTrim) {
		p.Cautions = append(p.Cautions, "It can cut off the web behind a job by itself (finishings trim): a blade moves in it.")
	}
}

const finishingTrim = 11 // PWG 5100.1

// errBeside says that an IPP service answers, and the person pointed to another port of the host.
var errBeside = errors.New("it answers")

// answered is how an error says that a printer or a print server is there: it ends the asking, unless the person pointed to a
// port that is not this one, where another kind of driver may be right.
func (c *client) answered(t drivers.Target) error {
	if t.Form == drivers.FormHost && t.Port != 0 && !strings.Contains(c.url, ":"+strconv.Itoa(t.Port)+"/") {
		return errBeside
	}
	return drivers.ErrAnswered
}

// explain says what to do about a printer that was not met.
func (c *client) explain(ctx context.Context, t drivers.Target, err error) error {
	asked := "ask " + c.uri + " by Get-Printer-Attributes"
	if bad, ok := errors.AsType[*certificateError](unknownCertificate(err, c.uri)); ok {
		return fmt.Errorf("%s: %w: %w", asked, c.answered(t), bad)
	}
	status, isRefusal := refused(err)
	switch {
	case errors.Is(err, errClear):
		return fmt.Errorf("%s: %w, and asks for the password in clear over a connection that is not encrypted: give an ipps:// address", asked, c.answered(t))
	case errors.Is(err, errLogin), isRefusal && slices.Contains([]goipp.Status{goipp.StatusErrorNotAuthenticated, goipp.StatusErrorNotAuthorized, goipp.StatusErrorForbidden}, status):
		if t.User == "" {
			return fmt.Errorf("%s: %w, and needs a login: give --user NAME and --password-file FILE (mode 0600, the password in its first line)", asked, c.answered(t))
		}
		return fmt.Errorf("%s: %w, and does not let %q in: check --user and --password-file, and whether this computer is allowed (%w)", asked, c.answered(t), t.User, err)
	case errors.Is(err, errNoPrinter), errors.Is(err, errNoState), isRefusal && status == goipp.StatusErrorNotFound:
		return c.noPrinter(ctx, t, asked)
	case isRefusal:
		return fmt.Errorf("%s: %w, with an error: %w", asked, c.answered(t), err)
	case errors.Is(err, errNoAnswer):
		return fmt.Errorf("%s: no answer in time, %s: check that the device is on and awake, its address, and firewalls; or give it longer with --timeout", asked, c.timeout)
	case errors.Is(err, errHTTP):
		return fmt.Errorf("%s: it speaks HTTP and not IPP: switch IPP on at the device, or give its IPP address (%w)", asked, err)
	}
	if u := drivers.Unreachable(err); u.Error() != err.Error() {
		return fmt.Errorf("%s: %w", asked, u)
	}
	return fmt.Errorf("%s: what is there does not speak IPP: switch IPP on at the device, or give its address (%w)", asked, err)
}

// noPrinter lists the queues of a print server, where one answers.
func (c *client) noPrinter(ctx context.Context, t drivers.Target, asked string) error {
	u, err := url.Parse(c.uri)
	if err != nil {
		return fmt.Errorf("%s: %w", asked, err)
	}
	path := u.Path
	u.Path = "/"
	queues, err := serverQueues(ctx, t, u)
	switch {
	case err != nil:
		return fmt.Errorf("%s: %w, and no printer has the path %s; it is no print server that lists its queues either: look at the device for the path of its IPP service, often %s", asked, c.answered(t), path, standardPath)
	case len(queues) == 0:
		return fmt.Errorf("%s: %w: it is a print server without a queue: make one there first", asked, c.answered(t))
	}
	return fmt.Errorf("%s: %w, and no printer has the path %s; it is a print server with these queues, give the URI of one:\n  %s", asked, c.answered(t), path, strings.Join(queues, "\n  "))
}

const mostQueues = 50

// serverQueues asks a print server for its queues (the operation CUPS-Get-Printers, as CUPS documents it).
func serverQueues(ctx context.Context, t drivers.Target, root *url.URL) ([]string, error) {
	c, _, err := asker(t, root.String())
	if err != nil {
		return nil, err
	}
	m := c.request(goipp.OpCupsGetPrinters)
	m.Operation = m.Operation[:2] // it is to the server, and no printer
	add(&m.Operation, "requested-attributes", goipp.TagKeyword, "printer-name", "printer-info", "printer-make-and-model")
	answer, err := c.do(ctx, m)
	if status, ok := refused(err); ok && status == goipp.StatusErrorNotFound {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var out []string
	for _, g := range answer.Groups {
		name := text(g.Attrs, "printer-name")
		if g.Tag != goipp.TagPrinterGroup || name == "" {
			continue
		}
		queue := *root
		queue.Path = "/printers/" + name
		line := []string{drivers.PlainLine(queue.String())}
		for _, more := range []string{text(g.Attrs, "printer-info"), text(g.Attrs, "printer-make-and-model")} {
			if more = drivers.PlainLine(more); more != "" && more != name {
				line = append(line, more)
			}
		}
		out = append(out, strings.Join(line, "  "))
	}
	slices.Sort(out)
	return few(out, mostQueues), nil
}
