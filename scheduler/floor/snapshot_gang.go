package floor

import (
	"fmt"
	"slices"
	"strings"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

func (h *share) snapshot() *ledgerv1.Share {
	return &ledgerv1.Share{
		Panel: h.panel.ID, Content: int32(h.content), Member: h.own.Job.ID, MemberPanel: h.own.ID, MemberContent: int32(h.ownContent),
		Pieces: h.pieces, PiecesSpoiled: h.spoiled,
	}
}

// restoreGang connects a job of a snapshot with the gang runs that do its steps, and with what it shares as a gang run. All
// jobs are there by now.
func (f *Floor) restoreGang(js *ledgerv1.JobSnapshot) error {
	j := f.byJob[js.GetJob().GetId()]
	for _, id := range js.GetJob().GetMembers() {
		m, ok := f.byJob[id]
		if !ok {
			return fmt.Errorf("restore floor: gang run %s has the member %q, which is not there", j.ID, id)
		}
		j.Members = append(j.Members, m)
		m.gang = j
	}
	for i, v := range js.GetJob().GetSteps() {
		if v.GetCarriedBy() == "" {
			continue
		}
		gang, step, _ := strings.Cut(v.GetCarriedBy(), "/")
		_, c, err := f.needStep(gang, step)
		if err != nil {
			return fmt.Errorf("restore floor: step %s of %s is carried by %s: %w", v.GetId(), j.ID, v.GetCarriedBy(), err)
		}
		j.Steps[i].Carrier = c
		c.carries = append(c.carries, j.Steps[i])
	}
	if len(js.GetShares()) == 0 {
		return nil
	}
	var shares []*share
	for _, v := range js.GetShares() {
		p, ok := j.Panel(v.GetPanel())
		if !ok {
			return fmt.Errorf("restore floor: gang run %s has no panel %q", j.ID, v.GetPanel())
		}
		m, ok := f.byJob[v.GetMember()]
		if !ok {
			return fmt.Errorf("restore floor: gang run %s holds pieces of %q, which is not there", j.ID, v.GetMember())
		}
		own, ok := m.Panel(v.GetMemberPanel())
		if !ok {
			return fmt.Errorf("restore floor: gang run %s holds pieces of panel %q of %s, which is not there", j.ID, v.GetMemberPanel(), m.ID)
		}
		if v.GetContent() < 0 || int(v.GetContent()) >= len(p.Spec.GetContents()) || v.GetMemberContent() < 0 || int(v.GetMemberContent()) >= len(own.Spec.GetContents()) {
			return fmt.Errorf("restore floor: gang run %s names contents that panel %s or %s of %s has not", j.ID, p.ID, own.ID, m.ID)
		}
		shares = append(shares, &share{
			panel: p, content: int(v.GetContent()), own: own, ownContent: int(v.GetMemberContent()),
			pieces: v.GetPieces(), spoiled: v.GetPiecesSpoiled(),
		})
	}
	j.take(shares)
	for i, s := range j.Steps {
		extra := js.GetSteps()[i]
		if len(extra.GetShareDone()) != len(shares) || len(extra.GetShareGiven()) != len(shares) {
			return fmt.Errorf("restore floor: step %s of gang run %s does not tell of each of its %d shares", s.ID(), j.ID, len(shares))
		}
		s.done, s.given = slices.Clone(extra.GetShareDone()), slices.Clone(extra.GetShareGiven())
	}
	return nil
}
