package bus

import (
	"errors"
	"fmt"

	driverv1 "tandem/proto/tandem/driver/v1"
)

// oldError says that a word is not new.
type oldError struct {
	cause cause // causeEpoch or causeSequence
	text  string
}

func (e *oldError) Error() string { return e.text }

// Ear tells a device's new words from old ones, which the bus may bring late or twice: by epoch, then by sequence. It is not
// safe for concurrent use.
type Ear struct {
	Device string // its id, for errors

	heard           bool
	epoch, sequence uint64
	last            *driverv1.Status
}

// Status takes a status, or says why it is not newer than the last word.
func (e *Ear) Status(s *driverv1.Status) error {
	if err := e.stale(s, false); err != nil {
		return err
	}
	e.note(s)
	return nil
}

// Hello returns the status that counts for a hello with s, or says why it is too old. It is taken with Welcomed.
func (e *Ear) Hello(s *driverv1.Status) (*driverv1.Status, error) {
	err := e.stale(s, true)
	if causeOf(err) == causeSequence && e.last != nil {
		// A status that was sent after the hello has overtaken it: the driver is no older, and the status is truer.
		return e.last, nil
	}
	return s, err
}

// Welcomed takes the status of a hello whose driver has been accepted. One that is not welcome shall not shut out the one
// that is.
func (e *Ear) Welcomed(s *driverv1.Status) { e.note(s) }

func (e *Ear) note(s *driverv1.Status) {
	e.heard, e.epoch, e.sequence, e.last = true, s.GetEpoch(), s.GetSequence(), s
}

// stale says why a status is not newer than the last one. A hello may repeat the last status, since its answer may
// have been lost.
func (e *Ear) stale(s *driverv1.Status, hello bool) error {
	switch {
	case !e.heard || s.GetEpoch() > e.epoch:
		return nil
	case s.GetEpoch() < e.epoch:
		return &oldError{causeEpoch, fmt.Sprintf("epoch %d is older than %d, with which a driver of %s has spoken since: stop one of "+
			"the two, or start the driver again with a greater epoch", s.GetEpoch(), e.epoch, e.Device)}
	case s.GetSequence() > e.sequence, hello && s.GetSequence() == e.sequence:
		return nil
	}
	return &oldError{causeSequence, fmt.Sprintf("sequence %d does not follow %d: let it grow with each status and hello", s.GetSequence(), e.sequence)}
}

// causeOf returns the cause of an error of an Ear; below 0: it is none.
func causeOf(err error) cause {
	if old, ok := errors.AsType[*oldError](err); ok {
		return old.cause
	}
	return -1
}
