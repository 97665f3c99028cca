package main

import (
	"bufio"
	"errors"
	"io"
	"strings"
)

// maxPayload is the longest scan that the daemon takes, in bytes.
const maxPayload = 512

// errTooLong is a line longer than any scan.
var errTooLong = errors.New("longer than any code: a scan has at most 512 characters")

// wedge reads what a barcode reader types: codes, each ended by CR, LF or both. Empty lines are passed over, so CR LF
// counts once, and no read waits to see whether an LF follows.
type wedge struct{ r *bufio.Reader }

func newWedge(r io.Reader) *wedge { return &wedge{bufio.NewReader(r)} }

// next returns the next code, io.EOF after the last one, or errTooLong for a line that it has passed over.
func (w *wedge) next() (string, error) {
	var line []byte
	long := false
	for {
		c, err := w.r.ReadByte()
		switch {
		case err != nil && len(line) == 0 && !long:
			return "", err
		case err != nil || c == '\r' || c == '\n':
			if long {
				return "", errTooLong
			}
			// Readers may be set to send a tab or a space before the end of the line.
			if payload := strings.TrimSpace(string(line)); payload != "" {
				return payload, nil
			}
			line = line[:0]
		case len(line) == maxPayload:
			long = true
		default:
			line = append(line, c)
		}
	}
}
