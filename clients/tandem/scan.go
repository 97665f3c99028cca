package main

import (
	"context"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/celltext"
	"tandem/clients/dial"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// place is where scans come from.
type place struct{ station, device string }

func (a *app) placeFlags(cmd *cobra.Command, p *place) {
	cmd.Flags().StringVar(&p.station, "station", orElse(a.env("TANDEM_STATION"), stationID(a.host)), "id of this station (env TANDEM_STATION)")
	cmd.Flags().StringVar(&p.device, "device", "", "the device that the station stands at: then a panel's code alone is enough")
}

// stationID makes an id of the computer's name.
func stationID(host string) string {
	id := strings.Map(func(r rune) rune {
		switch {
		case 'a' <= r && r <= 'z', '0' <= r && r <= '9':
			return r
		default:
			return '-'
		}
	}, strings.ToLower(host))
	id = strings.Trim(id, "-")
	return orElse(id[:min(len(id), 63)], "station")
}

func (p *place) check() error {
	for _, f := range []struct {
		flag, id string
		required bool
	}{{"--station", p.station, true}, {"--device", p.device, false}} {
		if (f.required || f.id != "") && !tandemv1.ValidID(f.id) {
			return usagef("%s is %q: an id has 1 to 63 characters a-z, 0-9 and -, and does not begin with -", f.flag, f.id)
		}
	}
	return nil
}

func (a *app) scanCommand() *cobra.Command {
	var p place
	cmd := &cobra.Command{
		Use:   "scan CODE...",
		Short: "Hand in codes as if they had been scanned, one after another.",
		Example: `  tandem scan D3X P104K             a device, then a panel: start or finish there
  tandem scan --device cutter-1 P104K
  tandem scan J104K                 where is this job?`,
		Long: `It stops at the first code that is refused. A scan may let a machine start: hand in a device and a panel only where you
see the machine.`,
		Args: cobra.MinimumNArgs(1),
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		if err := p.check(); err != nil {
			return err
		}
		return a.scan(cmd.Context(), p, args)
	})
	a.placeFlags(cmd, &p)
	return cmd
}

// readable is a payload as it can be handed in: bytes that are no text, as a reader set wrongly sends them, are left to the
// daemon's answer, which says that it is no code.
func readable(payload string) string { return strings.ToValidUTF8(payload, "?") }

func (a *app) scan(ctx context.Context, p place, payloads []string) error {
	conn, err := a.connect()
	if err != nil {
		return err
	}
	client := tandemv1.NewScanServiceClient(conn)
	for _, payload := range payloads {
		reply, err := bounded(ctx, a, func(ctx context.Context) (*tandemv1.RecordScanResponse, error) {
			return client.RecordScan(ctx, &tandemv1.RecordScanRequest{
				Station: p.station, Device: p.device, Payload: readable(payload), ScanId: dial.NewKey(), ScanTime: timestamppb.New(a.now()),
			})
		})
		if err != nil {
			return &scanError{err}
		}
		a.scanned(payload, reply)
		if code := scanExit(reply.GetOutcome()); code != exitOK {
			return &told{code}
		}
	}
	return nil
}

// scanned answers one scan with one line, and with a bell if it was refused.
func (a *app) scanned(payload string, reply *tandemv1.RecordScanResponse) {
	if a.json {
		a.message(reply)
		return
	}
	word, style := scanWord(reply.GetOutcome())
	a.answer(style, word, payload, reply.GetMessage())
}

// answer prints the operator's line: a word, what was scanned, and what there is to know. A refusal rings the terminal's
// bell, for who looks at the work and not at the screen.
func (a *app) answer(style celltext.Style, word, payload, message string) {
	bell := ""
	if style == bad && a.outIsTerminal {
		bell = "\a"
	}
	a.write(bell + render([]span{{style, celltext.Pad(word, scanWordCells)}, {plain, "  "}, {strong, payload}, {plain, "  " + message}}, a.colour()))
}

// scanWordCells is the width of the longest word that scanWord and the station use.
const scanWordCells = len("WRONG PLACE")

// scanWord is what became of a scan in one word that can be read from afar, and whether that is good.
func scanWord(o tandemv1.RecordScanResponse_Outcome) (string, celltext.Style) {
	switch o {
	case tandemv1.RecordScanResponse_OUTCOME_NEXT_SCAN:
		return "NEXT", busy
	case tandemv1.RecordScanResponse_OUTCOME_STARTED:
		return "STARTED", good
	case tandemv1.RecordScanResponse_OUTCOME_FINISHED:
		return "FINISHED", good
	case tandemv1.RecordScanResponse_OUTCOME_MOVED:
		return "MOVED", good
	case tandemv1.RecordScanResponse_OUTCOME_LOADED:
		return "LOADED", good
	case tandemv1.RecordScanResponse_OUTCOME_SPOILED:
		return "SPOILED", good
	case tandemv1.RecordScanResponse_OUTCOME_REMADE:
		return "REMADE", good
	case tandemv1.RecordScanResponse_OUTCOME_UNDONE:
		return "UNDONE", good
	case tandemv1.RecordScanResponse_OUTCOME_NOT_UNDONE:
		return "NOT UNDONE", bad
	case tandemv1.RecordScanResponse_OUTCOME_SHOWN:
		return "INFO", plain
	case tandemv1.RecordScanResponse_OUTCOME_DUPLICATE:
		return "ALREADY", warned
	case tandemv1.RecordScanResponse_OUTCOME_WRONG_STATION:
		return "WRONG PLACE", bad
	case tandemv1.RecordScanResponse_OUTCOME_NOT_READY:
		return "NOT YET", bad
	case tandemv1.RecordScanResponse_OUTCOME_UNKNOWN_CODE:
		return "UNKNOWN", bad
	case tandemv1.RecordScanResponse_OUTCOME_CLEARED:
		return "CLEARED", plain
	default:
		return strings.ToUpper(wording.Outcome(o)), warned
	}
}

func scanExit(o tandemv1.RecordScanResponse_Outcome) int {
	switch o {
	case tandemv1.RecordScanResponse_OUTCOME_WRONG_STATION, tandemv1.RecordScanResponse_OUTCOME_NOT_READY, tandemv1.RecordScanResponse_OUTCOME_NOT_UNDONE:
		return exitConflict
	case tandemv1.RecordScanResponse_OUTCOME_UNKNOWN_CODE:
		return exitNotFound
	default:
		return exitOK
	}
}
