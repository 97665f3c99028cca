package backup

import (
	"context"
	"io"

	"tandem/daemon/audit"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// Report is what a backup that was read to its end holds.
type Report struct {
	Manifest Manifest
	Audit    *audit.Audit
	// Doubt is why the snapshot in it disagrees with the records, which count; nil if it does not.
	Doubt error
}

// Verify reads a backup, verifies all of it and replays it: the floor that its records make must keep its own rules. If each is not
// nil, it is called with each record once that has been applied, and may keep its stored form.
func Verify(ctx context.Context, r io.Reader, each func(stored []byte) error) (Report, error) {
	out := Report{Audit: new(audit.Audit)}
	var snap *ledgerv1.Snapshot
	manifest, err := Read(ctx, r, Visitor{
		Snapshot: func(s *ledgerv1.Snapshot) error {
			snap = s
			return nil
		},
		Record: func(rec *ledgerv1.Record, stored []byte) error {
			if err := out.Audit.Add(rec); err != nil {
				return err
			}
			if snap != nil && rec.GetRevision() == snap.GetRevision() {
				out.Doubt = out.Audit.Agrees(snap)
			}
			if each == nil {
				return nil
			}
			return each(stored)
		},
	})
	out.Manifest = manifest
	if err != nil {
		return out, err
	}
	return out, out.Audit.Finish()
}
