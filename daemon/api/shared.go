package api

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"sync"

	"google.golang.org/protobuf/proto"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// shared is a record as clients see it, worked out once for all of them.
type shared struct {
	rec    *ledgerv1.Record
	mark   uint64
	events []*tandemv1.Event // with nil where an event is only of use inside
	any    bool              // some are not nil

	mu    sync.Mutex
	bytes map[choice]encoded // messages made so far; nil in place of one that has no events
}

// choice is what a watch asks for. Either may be empty.
type choice struct{ job, device string }

func share(rec *ledgerv1.Record) *shared {
	s := &shared{rec: rec, mark: markOf(rec), bytes: map[choice]encoded{}}
	for _, e := range rec.GetEvents() {
		v := eventOf(e)
		s.events = append(s.events, v)
		s.any = s.any || v != nil
	}
	return s
}

// markOf tells a record from another one of the same number in a ledger with another history: by the hash of the record
// before it and by when and by which leader it was written. A ledger that goes on from a backup does so in a new term.
func markOf(rec *ledgerv1.Record) uint64 {
	var own [28]byte
	binary.BigEndian.PutUint64(own[0:], rec.GetRevision())
	binary.BigEndian.PutUint64(own[8:], rec.GetTerm())
	binary.BigEndian.PutUint64(own[16:], uint64(rec.GetCommitTime().GetSeconds()))
	binary.BigEndian.PutUint32(own[24:], uint32(rec.GetCommitTime().GetNanos()))
	h := sha256.New()
	h.Write(rec.GetPreviousHash())
	h.Write(own[:])
	return max(1, binary.BigEndian.Uint64(h.Sum(nil)))
}

// message returns the record with the events that concern a job and device, or nil if there are none.
func (s *shared) message(a *about) *tandemv1.WatchEventsResponse {
	c := &tandemv1.Commit{CommitTime: s.rec.GetCommitTime()}
	for _, v := range s.events {
		if v != nil && a.concerned(v) {
			c.Events = append(c.Events, v)
		}
	}
	if len(c.GetEvents()) == 0 {
		return nil
	}
	return &tandemv1.WatchEventsResponse{
		Revision: s.rec.GetRevision(), Mark: s.mark, Payload: &tandemv1.WatchEventsResponse_Commit{Commit: c},
	}
}

// encode returns what message returns in its wire form. Watchers that ask for the same share the bytes.
func (s *shared) encode(a *about) (encoded, error) {
	if len(a.gangs) > 0 { // what concerns them depends on more than their choice
		return encode(s.message(a))
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	data, ok := s.bytes[a.choice]
	if !ok {
		var err error
		if data, err = encode(s.message(a)); err != nil {
			return nil, err
		}
		s.bytes[a.choice] = data
	}
	return data, nil
}

// encode returns nil for nil.
func encode(m *tandemv1.WatchEventsResponse) (encoded, error) {
	if m == nil {
		return nil, nil
	}
	data, err := proto.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("encode revision %d: %w", m.GetRevision(), err)
	}
	return data, nil
}
