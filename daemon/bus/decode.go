package bus

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"unicode"

	"google.golang.org/protobuf/proto"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
)

// MaxBody is the greatest size of a message between daemon and driver, in bytes.
const MaxBody = drivers.MaxBody

const (
	// longestKeyword is the greatest length of a keyword, in bytes: RFC 8011 section 5.1.4.
	longestKeyword = 255
	// longestNote bounds what a driver can make people read, in bytes.
	longestNote = 500
)

// errTooLarge says that a body is larger than MaxBody.
var errTooLarge = fmt.Errorf("message is larger than %d bytes", MaxBody)

func encode(m proto.Message, binary bool) ([]byte, error) {
	return drivers.EncodeBody(m, binary)
}

func decode(body []byte, m proto.Message) error {
	if len(body) > MaxBody {
		return errTooLarge
	}
	return drivers.DecodeBody(body, m)
}

func decodeHello(body []byte) (*driverv1.Hello, error) {
	h := new(driverv1.Hello)
	if err := decode(body, h); err != nil {
		return nil, err
	}
	if h.GetKind() != "" && !drivers.ValidID(h.GetKind()) {
		return nil, fmt.Errorf("kind %s: %w", printable(h.GetKind()), errBadID)
	}
	for i, operation := range h.GetOperations() {
		if !drivers.ValidID(operation) {
			return nil, fmt.Errorf("operations[%d] %s: %w", i, printable(operation), errBadID)
		}
	}
	if h.GetStatus() == nil {
		return nil, errors.New("status is missing: say what is in hand, even if that is nothing")
	}
	if err := checkStatus(h.GetStatus()); err != nil {
		return nil, fmt.Errorf("status.%w", err)
	}
	return h, nil
}

func decodeStatus(body []byte) (*driverv1.Status, error) {
	s := new(driverv1.Status)
	if err := decode(body, s); err != nil {
		return nil, err
	}
	if err := checkStatus(s); err != nil {
		return nil, err
	}
	return s, nil
}

func decodeAnswer(body []byte) (*driverv1.Answer, error) {
	a := new(driverv1.Answer)
	if err := decode(body, a); err != nil {
		return nil, err
	}
	a.Refused = printable(a.GetRefused())
	return a, nil
}

var (
	errBadID     = errors.New("use 1 to 63 lower-case letters, digits and dashes, no dash first")
	errBadReason = fmt.Errorf("a reason is a keyword of 1 to %d printable ASCII characters without space", longestKeyword)
)

// checkStatus refuses what no later part should have to fear, names the field and the remedy, and brings fractions
// that rounding has pushed out of 0 to 1 back to it.
func checkStatus(s *driverv1.Status) error {
	if s.GetEpoch() == 0 {
		return errors.New("epoch is missing: choose a greater one at each start of the driver")
	}
	if err := checkReasons(s.GetStateReasons()); err != nil {
		return err
	}
	if err := checkWatched(s); err != nil {
		return err
	}
	for i, r := range s.GetRuns() {
		if err := checkRun(r); err != nil {
			return fmt.Errorf("runs[%d].%w", i, err)
		}
	}
	return nil
}

func checkRun(r *driverv1.RunStatus) error {
	switch {
	case !drivers.ValidID(r.GetRun()):
		return fmt.Errorf("run %s: %w", printable(r.GetRun()), errBadID)
	case r.GetPiecesGood() < 0:
		return fmt.Errorf("piecesGood is %d: count from 0", r.GetPiecesGood())
	case r.GetPiecesSpoiled() < 0:
		return fmt.Errorf("piecesSpoiled is %d: count from 0", r.GetPiecesSpoiled())
	case math.IsNaN(r.GetFraction()):
		return errors.New("fraction is not a number: leave it out if it is not known")
	}
	r.Fraction = min(max(r.GetFraction(), 0), 1)
	return checkReasons(r.GetStateReasons())
}

func checkReasons(reasons []string) error {
	for i, reason := range reasons {
		if !keyword(reason) {
			return fmt.Errorf("stateReasons[%d] %s: %w", i, printable(reason), errBadReason)
		}
	}
	return nil
}

// keyword is wider than RFC 8011 section 5.1.4 (lower-case letters, digits, and - _ .), because devices send vendors'
// words as they are and the truth about a device must not be lost for a capital letter.
func keyword(s string) bool {
	for i := range len(s) {
		if s[i] <= ' ' || s[i] > '~' {
			return false
		}
	}
	return s != "" && len(s) <= longestKeyword
}

// printable makes foreign text fit for logs and screens: no control or formatting characters, bounded length.
func printable(s string) string {
	if len(s) > longestNote {
		s = s[:longestNote]
	}
	return strings.Map(func(r rune) rune {
		if r == unicode.ReplacementChar || !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, s)
}
