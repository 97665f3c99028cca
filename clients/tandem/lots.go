package main

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) material() (tandemv1.MaterialServiceClient, error) {
	conn, err := a.connect()
	return tandemv1.NewMaterialServiceClient(conn), err
}

func (a *app) lotsCommand() *cobra.Command {
	var media string
	var all bool
	cmd := &cobra.Command{
		Use:   "lots",
		Short: "List rolls and stacks, with what is left of each and where it is.",
		Example: `  tandem lots
  tandem lots --media vinyl-white
  tandem lots --all                                 those with nothing left, too
  tandem lots receive vinyl-white --length 50m      take a new roll in; its code is for the label
  tandem lots measure lot-7 4.2m --note "remnant"   correct what is left
  tandem lots measure lot-7 0m                      empty, or out of use`,
		Long: `What runs take is booked by itself once a roll is on its device: scan the device and the code on the roll there, or use
'tandem load DEVICE --lot LOT'. A lot may be named by its id or by its code.`,
		Args: cobra.NoArgs,
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, _ []string) error { return a.lots(cmd.Context(), media, all) })
	cmd.Flags().StringVar(&media, "media", "", "only those of this media or film")
	cmd.Flags().BoolVar(&all, "all", false, "those with nothing left, too")
	cmd.AddCommand(a.receiveCommand(), a.measureCommand())
	return cmd
}

func (a *app) lots(ctx context.Context, media string, all bool) error {
	list, err := a.allLots(ctx, media, all)
	if err != nil {
		return err
	}
	switch {
	case a.json:
		a.message(list)
		return nil
	case a.quiet:
		for _, l := range list.GetLots() {
			a.text("%s", l.GetId())
		}
		return nil
	case len(list.GetLots()) == 0:
		a.say("no lots: 'tandem lots receive' takes them in")
		return nil
	}
	clock := a.clock(ctx)
	t := table{head: []string{"LOT", "CODE", "MEDIA", "LEFT", "RESERVED", "OF", "ON", "RECEIVED", "REMARKS"}}
	for _, l := range list.GetLots() {
		reserved := "-"
		if l.GetReservedUm() != 0 {
			reserved = wording.Metres(l.GetReservedUm())
		}
		left := span{plain, wording.Metres(l.GetRemainingUm())}
		if len(l.GetStateReasons()) > 0 {
			left.Style = warned
		}
		remarks := reasons(l.GetStateReasons())
		if remarks == "-" {
			remarks = ""
		}
		t.add(span{strong, l.GetId()}, span{plain, orDash(l.GetCode())}, span{plain, l.GetMedia()}, left, span{plain, reserved},
			span{plain, wording.Metres(l.GetLengthUm())}, span{plain, orDash(l.GetDevice())}, span{plain, clock.At(l.GetReceiveTime())},
			span{plain, words(", ", remarks, l.GetNote())})
	}
	t.print(a.printer)
	return nil
}

// allLots collects every page. The revision is that of the first.
func (a *app) allLots(ctx context.Context, media string, all bool) (*tandemv1.ListLotsResponse, error) {
	client, err := a.material()
	if err != nil {
		return nil, err
	}
	out := &tandemv1.ListLotsResponse{}
	for token := ""; ; {
		page, err := bounded(ctx, a, func(ctx context.Context) (*tandemv1.ListLotsResponse, error) {
			return client.ListLots(ctx, &tandemv1.ListLotsRequest{Media: media, IncludeEmpty: all, PageToken: token})
		})
		if err != nil {
			return nil, err
		}
		if token == "" {
			out.Revision = page.GetRevision()
		}
		out.Lots = append(out.Lots, page.GetLots()...)
		if token = page.GetNextPageToken(); token == "" {
			return out, nil
		}
	}
}

func (a *app) receiveCommand() *cobra.Command {
	var id, length string
	c := &change{app: a}
	cmd := &cobra.Command{
		Use:   "receive MEDIA",
		Short: "Take a roll or stack into account. It gets a code, to be printed and stuck on it.",
		Example: `  tandem lots receive vinyl-white                  as long as a new roll, by the floor file
  tandem lots receive vinyl-white --length 12.5m   a remnant
  tandem lots receive film-gloss --note "batch 7"`,
		Args: cobra.ExactArgs(1),
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		lot := &tandemv1.Lot{Id: id, Media: args[0], Note: c.note}
		if length != "" {
			var err error
			if lot.LengthUm, err = lengthOf("--length", length); err != nil {
				return err
			}
		}
		client, err := a.material()
		if err != nil {
			return err
		}
		return c.ask(cmd.Context(), func(ctx context.Context, key string) (proto.Message, error) {
			return client.ReceiveLot(ctx, &tandemv1.ReceiveLotRequest{Lot: lot, RequestId: key, Actor: c.actor})
		})
	})
	cmd.Flags().StringVar(&id, "id", "", "id of the lot (default: lot-N)")
	cmd.Flags().StringVar(&length, "length", "", "its length, such as 50m or 4200mm (default: that of a new roll, by the floor file)")
	c.noteFlag(cmd, "the maker's batch, or anything else that belongs to it")
	c.keyFlag(cmd)
	return cmd
}

// longer is the share of its length by which a roll may well be longer than it was received with: a maker gives a little more than the
// label says (common practice, no source).
const longer = 10

func (a *app) measureCommand() *cobra.Command {
	c := &change{app: a}
	cmd := &cobra.Command{
		Use:   "measure LOT LENGTH",
		Short: "Record what is left of a lot, as measured. 0m takes it out of use.",
		Example: `  tandem lots measure lot-7 4.2m
  tandem lots measure M0074 0m --note "creased"`,
		Args: cobra.ExactArgs(2),
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		um, err := lengthOf("LENGTH", args[1])
		if err != nil {
			return err
		}
		client, err := a.material()
		if err != nil {
			return err
		}
		var lot *tandemv1.Lot
		err = c.ask(cmd.Context(), func(ctx context.Context, key string) (proto.Message, error) {
			lot, err = client.MeasureLot(ctx, &tandemv1.MeasureLotRequest{Id: args[0], RemainingUm: um, Note: c.note, RequestId: key, Actor: c.actor})
			return lot, err
		})
		if err != nil {
			return err
		}
		if received := lot.GetLengthUm(); received > 0 && um > received+received/longer {
			c.warn("%s was received with %s: if %s is a slip, measure it again", lot.GetId(), wording.Metres(received), wording.Metres(um))
		}
		return nil
	})
	c.noteFlag(cmd, "why, shown in the audit trail")
	c.keyFlag(cmd)
	return cmd
}

// lengthOf reads a length with its unit, and returns micrometres.
func lengthOf(name, text string) (int64, error) {
	for _, unit := range []struct {
		suffix string
		um     float64
	}{{"mm", 1e3}, {"m", 1e6}} {
		number, ok := strings.CutSuffix(text, unit.suffix)
		if !ok {
			continue
		}
		v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
		if um := math.Round(v * unit.um); err == nil && um >= 0 && um <= 1e15 {
			return int64(um), nil
		}
		break
	}
	return 0, usagef("%s is %q: give a length with its unit, such as 50m or 4200mm", name, text)
}

func lotHeadline(l *tandemv1.Lot) []span {
	left := span{plain, wording.Metres(l.GetRemainingUm())}
	if len(l.GetStateReasons()) > 0 {
		left.Style = warned
	}
	return []span{left, {plain, fmt.Sprintf(" of %s left%s%s%s", l.GetMedia(), reasonsBehind(l.GetStateReasons()),
		before(", code ", l.GetCode()), before(", on ", l.GetDevice()))}}
}

// materials shows what a job's runs took of which roll, and what was let begin with other media than asked for.
func (a *app) materials(j *tandemv1.Job) {
	t := table{head: []string{"MATERIAL", "STEP", "LOT", "LENGTH", "PIECES"}}
	var said []span
	for _, s := range j.GetSteps() {
		for _, r := range s.GetRuns() {
			rest := r.GetPieces()
			for _, u := range r.GetEarlierLots() {
				rest -= u.GetPieces()
				if u.GetLot() != "" {
					t.add(span{strong, r.GetId()}, span{plain, s.GetId()}, span{plain, u.GetLot()}, span{plain, wording.Metres(u.GetLengthUm())}, count(u.GetPieces()))
				}
			}
			if r.GetLot() != "" {
				made := count(r.GetPiecesGood() + r.GetPiecesSpoiled() - (r.GetPieces() - rest))
				if !wording.Ended(r.GetState()) {
					made = span{plain, fmt.Sprintf("%d to make", rest)}
				}
				t.add(span{strong, r.GetId()}, span{plain, s.GetId()}, span{plain, r.GetLot()}, span{plain, wording.Metres(r.GetLotLengthUm())}, made)
			}
			if r.GetOverrideNote() != "" {
				said = append(said, span{warned, r.GetId() + ", let begin with what was on " + r.GetDevice() + " by "}, span{plain, r.GetOverrideNote()})
			}
		}
	}
	if len(t.rows) > 0 {
		a.line()
	}
	t.print(a.printer)
	for i := 0; i < len(said); i += 2 {
		a.line(said[i], said[i+1])
	}
}
