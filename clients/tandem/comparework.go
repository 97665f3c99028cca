package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"tandem/clients/ticketfile"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/xjdf"
	"tandem/proto/yamlfile"
)

// source is the file from which a part of a request came: of all fields that begin so.
type source struct {
	prefix string
	file   string
	lines  yamlfile.Lines
}

// readFloor reads a floor file.
func readFloor(file string) (*tandemv1.FloorFile, yamlfile.Lines, error) {
	floor := &tandemv1.FloorFile{}
	lines, err := yamlfile.ReadLines(file, floor)
	if err == nil && len(floor.GetDevices()) == 0 {
		err = &yamlfile.Error{File: file, Field: "devices", Problem: "are missing: a floor has one at least"}
	}
	return floor, lines, err
}

// floorName is the name of a floor: that of its file, with its number if another file has the same.
func floorName(files []string, i int) string {
	stem := func(file string) string {
		base := filepath.Base(file)
		return strings.TrimSuffix(base, filepath.Ext(base))
	}
	name := stem(files[i])
	for j, other := range files {
		if j != i && stem(other) == name {
			return fmt.Sprintf("%s (%d)", name, i+1)
		}
	}
	return name
}

// work reads the jobs that are played: tickets, or a mix.
func (c *comparing) work(r *tandemv1.CompareFloorsRequest) ([]source, error) {
	if c.mix != "" {
		return c.readMix(r)
	}
	files, err := ticketFiles(c.tickets)
	if err != nil {
		return nil, err
	}
	tickets, err := readTickets(files, c.cutRoots, c.xjdf)
	if err != nil {
		return nil, err
	}
	var sources []source
	for i, t := range tickets {
		for _, note := range t.notes {
			c.say("%s: %s", t.file, note)
		}
		r.Jobs = append(r.Jobs, &tandemv1.HandedIn{Job: t.job, Time: t.job.GetReleaseTime(), CutFiles: t.cuts})
		sources = append(sources, source{fmt.Sprintf("jobs[%d].job.", i), t.file, t.lines})
	}
	return sources, nil
}

// ticketFiles lists the tickets of folders by name, and single ones as they are given.
func ticketFiles(names []string) ([]string, error) {
	var files []string
	for _, name := range names {
		info, err := os.Stat(name)
		if err != nil {
			return nil, fmt.Errorf("tickets: %w", err)
		}
		if !info.IsDir() {
			files = append(files, name)
			continue
		}
		entries, err := os.ReadDir(name)
		if err != nil {
			return nil, fmt.Errorf("tickets: %w", err)
		}
		n := len(files)
		for _, e := range entries {
			file := filepath.Join(name, e.Name())
			if e.IsDir() || strings.HasPrefix(e.Name(), ".") || ticketfile.FormatOf(file) == ticketfile.None {
				continue
			}
			if ticketfile.FormatOf(file) == ticketfile.XML && !isTicket(file) {
				continue
			}
			files = append(files, file)
		}
		if len(files) == n {
			return nil, fmt.Errorf("%s: holds no ticket: a ticket's name ends in .yaml, .yml, .json or .xjdf", name)
		}
	}
	return files, nil
}

// isTicket reports whether a file named like XML is a ticket, or may be one: what is wrong with it is told later.
func isTicket(file string) bool {
	data, err := ticketfile.ReadCapped(file)
	if err != nil {
		return true
	}
	ours, err := xjdf.IsXJDF(data)
	return ours || err != nil
}

// readMix reads a mix, and the cut files that its jobs name.
func (c *comparing) readMix(r *tandemv1.CompareFloorsRequest) ([]source, error) {
	mix := &tandemv1.Mix{}
	lines, err := yamlfile.ReadLines(c.mix, mix)
	if err != nil {
		return nil, err
	}
	if len(mix.GetEntries()) == 0 {
		return nil, &yamlfile.Error{File: c.mix, Field: "entries", Problem: "are missing: a mix has one kind of job at least"}
	}
	r.Mix = mix
	roots, err := ticketfile.OpenRoots(append([]string{filepath.Dir(c.mix)}, c.cutRoots...)...)
	if err != nil {
		return nil, err
	}
	var problems []error
	for i, e := range mix.GetEntries() {
		field := fmt.Sprintf("entries[%d].job", i)
		if e.GetJob() == nil {
			problems = append(problems, &yamlfile.Error{File: c.mix, Line: lines.At(field), Field: field, Problem: "is missing: give the job that this kind is made like"})
			continue
		}
		found, err := roots.CutFiles(e.GetJob())
		e.CutFiles = append(e.CutFiles, found.Files...)
		for _, note := range found.Notes {
			c.say("%s: %s.%s", c.mix, field, note)
		}
		if err == nil {
			continue
		}
		for _, p := range ticketfile.Problems(err) {
			p.Field = field + "." + p.Field
			problems = append(problems, &yamlfile.Error{File: c.mix, Line: lines.At(p.Field), Field: p.Field, Problem: p.Problem})
		}
	}
	if err := errors.Join(append(problems, roots.Close())...); err != nil {
		return nil, err
	}
	return []source{{"mix.", c.mix, lines}}, nil
}

// investments puts what --invest says at its floors.
func (c *comparing) investments(floors []*tandemv1.FloorVariant) error {
	for _, text := range c.invest {
		number, amount, numbered := strings.Cut(text, "=")
		n := 2
		if !numbered {
			amount = number
			if len(floors) != 2 {
				return usagef("--invest %s: there are %d floors: say which one is meant by its number, such as 2=%s", text, len(floors), amount)
			}
		} else {
			var err error
			if n, err = strconv.Atoi(number); err != nil || n < 2 || n > len(floors) {
				if len(floors) < 2 {
					return usagef("--invest %s: there is one floor only: nothing is bought to get there", text)
				}
				return usagef("--invest %s: %q is not the number of a floor to get to: use 2 to %d, %s", text, number, len(floors), numbers(floors))
			}
		}
		value, err := strconv.ParseFloat(amount, 64)
		if err != nil || !(value > 0) || value > 1e15 {
			return usagef("--invest %s: %q is not an amount above zero, such as 48000", text, amount)
		}
		floors[n-1].Invest = value
	}
	return nil
}

// numbers lists the floors that others are compared with the first.
func numbers(floors []*tandemv1.FloorVariant) string {
	var all []string
	for i, f := range floors[1:] {
		all = append(all, fmt.Sprintf("%d for %q", i+2, f.GetName()))
	}
	return strings.Join(all, ", ")
}
