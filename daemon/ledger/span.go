package ledger

// span is the range of revisions that a ledger holds. An empty one has last = first-1.
type span struct{ first, last uint64 }

// resume returns where to read from, and the chain to verify what is read, to replay the records after a revision. It
// begins with the record at that revision if it is held, because the next one has to name its hash.
func (s span) resume(after uint64) (from uint64, links chain, err error) {
	switch {
	case after > s.last:
		return 0, chain{}, corrupt(s.last+1, "the ledger ends at revision %d, but revision %d was known", s.last, after)
	case after+1 < s.first:
		return 0, chain{}, &CompactedError{After: after, Oldest: s.first}
	case after < s.first: // nothing before is held
		return s.first, chain{head: Head{Revision: after}, loose: after > 0}, nil
	default:
		return after, chain{head: Head{Revision: after - 1}, loose: after > 1}, nil
	}
}

// end returns where a replay up to and including a revision ends; 0 stands for the last one held.
func (s span) end(through uint64) (uint64, error) {
	switch {
	case through == 0:
		return s.last, nil
	case through > s.last:
		return 0, corrupt(s.last+1, "the ledger ends at revision %d, but revision %d was known", s.last, through)
	}
	return through, nil
}
