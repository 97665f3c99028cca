package main

import (
	"fmt"
	"strconv"

	"github.com/spf13/cobra"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) statusCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "status",
		Short:   "Show how the daemon is and what needs attention.",
		Example: "  tandem status\n  tandem status --json",
		Args:    cobra.NoArgs,
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, _ []string) error {
		status, err := a.status(cmd.Context())
		if err != nil {
			return err
		}
		if a.json {
			a.message(status)
			return nil
		}
		a.showStatus(status)
		return nil
	})
	return cmd
}

func (a *app) showStatus(s *tandemv1.Status) {
	clock := wording.Clock{Now: s.GetNow().AsTime(), Zone: a.zone}
	var f facts
	f.add("daemon", fmt.Sprintf("%s at %s, term %d", s.GetVersion(), a.address, s.GetTerm()))
	if s.GetStartTime() != nil {
		f.add("serving since", clock.When(s.GetStartTime()))
	}
	pace := ""
	if scale := s.GetTimeScale(); scale != 0 && scale != 1 {
		pace = fmt.Sprintf(", runs %s times as fast as the wall's: a simulated floor", strconv.FormatFloat(scale, 'g', -1, 64))
	}
	f.add("floor's clock", clock.Now.In(a.zone).Format("2006-01-02 15:04:05")+pace)
	f.add("devices", fmt.Sprintf("%d online", s.GetDevicesOnline()))
	f.style("", warned, orNothing(s.GetDevicesNotOnline() > 0, fmt.Sprintf("%d not online", s.GetDevicesNotOnline())))
	f.add("jobs", fmt.Sprintf("%d open", s.GetJobsOpen()))
	f.add("people", people(clock, s.Operators != nil, s.GetOperators(), s.GetOperatorsChangeTime()))
	f.add("ledger", fmt.Sprintf("revision %d", s.GetRevision()))
	f.add("ledger head", s.GetLedgerHead())
	f.add("data", s.GetDataDir())
	f.add("bus", orElse(s.GetBusUrl(), "no drivers of other processes"))
	f.add("reports dropped", strconv.FormatUint(s.GetReportsDropped(), 10))
	for _, r := range s.GetReasons() {
		f.style("attention", warned, r)
	}
	f.print(a.printer)
}
