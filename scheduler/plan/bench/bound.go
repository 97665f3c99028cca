package main

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
)

// bounds of the objective, as published; upper 0: none.
type bounds struct{ lower, upper float64 }

// readBounds reads lines of "set,instance,jobs,machines,lb,ub,...", with a head line, into "set/instance".
func readBounds(r io.Reader) (map[string]bounds, error) {
	lines := csv.NewReader(r)
	rows, err := lines.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("reading bounds: %w", err)
	}
	known := make(map[string]bounds)
	for i, row := range rows {
		if i == 0 {
			continue
		}
		if len(row) < 6 {
			return nil, fmt.Errorf("bounds, line %d: %d columns, need set,instance,jobs,machines,lb,ub", i+1, len(row))
		}
		var b bounds
		for _, c := range []struct {
			name, text string
			to         *float64
		}{{"lb", row[4], &b.lower}, {"ub", row[5], &b.upper}} {
			if c.text == "" {
				continue
			}
			if *c.to, err = strconv.ParseFloat(c.text, 64); err != nil {
				return nil, fmt.Errorf("bounds, line %d, %s: %w", i+1, c.name, err)
			}
		}
		known[row[0]+"/"+row[1]] = b
	}
	return known, nil
}
