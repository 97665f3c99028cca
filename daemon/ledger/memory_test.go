package ledger_test

import (
	"testing"

	"tandem/daemon/ledger"
	"tandem/daemon/ledger/ledgertest"
)

func TestMemory(t *testing.T) {
	ledgertest.Run(t, func(*testing.T) ledger.Ledger { return ledger.NewMemory() })
}

func TestMemoryCompaction(t *testing.T) {
	ledgertest.RunCompaction(t, ledger.NewMemory())
}

func TestMemoryHead(t *testing.T) {
	m := ledger.NewMemory()
	if h := m.Head(); h.Revision != 0 || h.Hash != nil {
		t.Errorf("empty ledger has head %+v", h)
	}
	_, want := ledgertest.Fill(t, m, ledger.Head{}, 3, 1)
	if got := m.Head(); got.Revision != 3 || string(got.Hash) != string(want.Hash) {
		t.Errorf("got head %+v, want %+v", got, want)
	}
}
