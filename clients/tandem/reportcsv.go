package main

import (
	"encoding/csv"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// csvFile is a table for spreadsheets. Numbers have a point and no unit, times their zone; a cell is empty where nobody knows.
type csvFile struct {
	head []string
	rows [][]string
}

// csvCell is what a cell is made of: text that may be foreign, or what cannot be.
func csvCell(v any) string {
	switch v := v.(type) {
	case string:
		return csvText(v)
	case int32:
		return strconv.FormatInt(int64(v), 10)
	case int64:
		return strconv.FormatInt(v, 10)
	case bool:
		return strconv.FormatBool(v)
	case float64:
		return strconv.FormatFloat(v, 'f', -1, 64)
	case *tandemv1.Indicator:
		if v.Value == nil {
			return ""
		}
		return strconv.FormatFloat(v.GetValue(), 'f', -1, 64)
	case *durationpb.Duration:
		if v == nil {
			return ""
		}
		return strconv.FormatFloat(v.AsDuration().Seconds(), 'f', -1, 64)
	case time.Time:
		return v.Format(time.RFC3339)
	case nil:
		return ""
	}
	panic(fmt.Sprintf("a cell of %T", v))
}

// add adds a row of as many cells as there are heads.
func (c *csvFile) add(cells ...any) {
	row := make([]string, len(cells))
	for i, v := range cells {
		row[i] = csvCell(v)
	}
	c.rows = append(c.rows, row)
}

// export writes comma-separated values, RFC 4180 but for the line ends, which are those of the other data.
func (r *reporting) export(c *csvFile) error {
	var b strings.Builder
	w := csv.NewWriter(&b)
	_ = w.Write(c.head)
	_ = w.WriteAll(c.rows)
	if err := w.Error(); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	if r.csv == "-" {
		r.write(b.String())
		return nil
	}
	if err := os.WriteFile(r.csv, []byte(b.String()), 0o644); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	r.say("%s: %s", r.csv, wording.Count(len(c.rows), "line"))
	return nil
}

// csvTime is a time of the shop's clock; nil where there is none.
func csvTime(t *timestamppb.Timestamp, zone *time.Location) any {
	if t == nil {
		return nil
	}
	return t.AsTime().In(zone)
}

func underscored(s string) string { return strings.ReplaceAll(s, "-", "_") }

func devicesCSV(m *tandemv1.DeviceReport) *csvFile {
	zone := sourceZone(m.GetSource())
	c := &csvFile{}
	var rows []map[string]any // by head
	for _, d := range m.GetPeriods() {
		row := map[string]any{}
		add := func(head string, v any) {
			if !slices.Contains(c.head, head) {
				c.head = append(c.head, head)
			}
			row[head] = v
		}
		add("device", d.GetDevice())
		add("from", csvTime(d.GetPeriod().GetFromTime(), zone))
		add("to", csvTime(d.GetPeriod().GetToTime(), zone))
		add("shift", d.GetShift())
		for _, k := range d.GetClasses() {
			add(underscored(k.GetClass())+"_planned_seconds", k.GetPlanned())
			add(underscored(k.GetClass())+"_outside_seconds", k.GetOutside())
		}
		t := d.GetTimes()
		add("pot_seconds", t.GetPlannedOperation())
		add("pbt_seconds", t.GetPlannedBusy())
		add("aubt_seconds", t.GetUnitBusy())
		add("aupt_seconds", t.GetUnitProcessing())
		add("apt_seconds", t.GetProduction())
		add("asut_seconds", t.GetSetup())
		add("adet_seconds", t.GetDelay())
		add("adot_seconds", t.GetDown())
		add("silence_seconds", t.GetSilence())
		for _, i := range d.GetIndicators() {
			add(underscored(i.GetId()), i)
		}
		add("runs", d.GetRuns())
		add("runs_failed", d.GetRunsFailed())
		add("pieces", d.GetPieces())
		add("pieces_good", d.GetPiecesGood())
		add("pieces_spoiled", d.GetPiecesSpoiled())
		add("pieces_remade", d.GetPiecesRemade())
		add("square_metres", d.GetSquareMetres())
		o := d.GetChangeovers()
		add("changeovers", o.GetRuns())
		add("changeovers_media", o.GetMedia())
		add("changeovers_film", o.GetFilm())
		add("changeovers_mode", o.GetMode())
		add("changeovers_blade", o.GetBlade())
		add("loads", o.GetLoads())
		add("run_stops", d.GetRunStops())
		rows = append(rows, row)
	}
	for _, row := range rows {
		var cells []any
		for _, head := range c.head {
			cells = append(cells, row[head])
		}
		c.add(cells...)
	}
	return c
}

func jobsCSV(m *tandemv1.JobReport) *csvFile {
	zone := sourceZone(m.GetSource())
	c := &csvFile{head: []string{
		"from", "to", "shift", "accepted", "completed", "canceled", "aborted", "open", "pieces_good", "pieces_spoiled", "square_metres",
		"flow_mean_seconds", "flow_p50_seconds", "flow_p90_seconds", "due", "on_time",
	}}
	for n, p := range m.GetPeriods() {
		f := p.GetFlow()
		cells := []any{
			csvTime(p.GetPeriod().GetFromTime(), zone), csvTime(p.GetPeriod().GetToTime(), zone), p.GetShift(), p.GetAccepted(), p.GetCompleted(), p.GetCanceled(),
			p.GetAborted(), p.GetOpen(), p.GetPiecesGood(), p.GetPiecesSpoiled(), p.GetSquareMetres(), f.GetMean(), f.GetP50(), f.GetP90(), p.GetDue(), p.GetOnTime(),
		}
		for _, i := range p.GetIndicators() {
			if n == 0 {
				c.head = append(c.head, underscored(i.GetId()))
			}
			cells = append(cells, i)
		}
		c.add(cells...)
	}
	return c
}

func wasteCSV(m *tandemv1.WasteReport) *csvFile {
	zone := sourceZone(m.GetSource())
	c := &csvFile{head: []string{
		"kind", "from", "to", "shift", "operation", "device", "cause", "by_person", "times", "pieces", "square_metres",
		"media", "width_mm", "lots_received", "received_m", "runs", "runs_without_lot", "used_m", "laid_m", "spoiled_m", "lost_m", "piece_square_metres", "piece_web_square_metres",
	}}
	for _, p := range m.GetPeriods() {
		from, to := csvTime(p.GetPeriod().GetFromTime(), zone), csvTime(p.GetPeriod().GetToTime(), zone)
		for _, list := range []struct {
			kind  string
			items []*tandemv1.Spoilage
		}{{"spoiled", p.GetSpoiled()}, {"remade", p.GetRemade()}} {
			for _, s := range list.items {
				c.add(list.kind, from, to, p.GetShift(), s.GetOperation(), s.GetDevice(), s.GetCause(), s.GetByPerson(), s.GetTimes(), s.GetPieces(), s.GetSquareMetres(),
					nil, nil, nil, nil, nil, nil, nil, nil, nil, nil, nil, nil)
			}
		}
		for _, u := range p.GetMedia() {
			metres := func(um int64) float64 { return float64(um) / 1e6 }
			c.add("media", from, to, p.GetShift(), nil, nil, nil, nil, nil, nil, nil,
				u.GetMedia(), float64(u.GetWidthUm())/1000, u.GetLotsReceived(), metres(u.GetReceivedUm()), u.GetRuns(), u.GetRunsWithoutLot(),
				metres(u.GetUsedUm()), metres(u.GetLaidUm()), metres(u.GetSpoiledUm()), metres(u.GetLostUm()), u.GetPieceSquareMetres(), u.GetPieceWebSquareMetres())
		}
	}
	return c
}

func nightCSV(m *tandemv1.NightReport) *csvFile {
	zone := sourceZone(m.GetSource())
	c := &csvFile{head: []string{
		"kind", "device", "job", "step", "panel", "from", "to", "class", "text", "state", "runs_completed", "runs_failed", "pieces_good", "pieces_spoiled", "square_metres",
	}}
	at := func(t *timestamppb.Timestamp) any { return csvTime(t, zone) }
	for _, d := range m.GetDevices() {
		c.add("device", d.GetDevice(), nil, nil, nil, nil, at(d.GetLastWorkTime()), nil, nil, nil, d.GetRunsCompleted(), d.GetRunsFailed(), d.GetPiecesGood(), d.GetPiecesSpoiled(), d.GetSquareMetres())
	}
	for _, s := range m.GetStandstills() {
		to := at(s.GetPeriod().GetToTime())
		if s.GetOpen() {
			to = nil
		}
		c.add("standstill", s.GetDevice(), s.GetJob(), s.GetStep(), nil, at(s.GetPeriod().GetFromTime()), to, s.GetClass(), s.GetReason(), nil, nil, nil, nil, nil, nil)
	}
	for _, j := range m.GetJobs() {
		c.add("job", nil, j.GetJob(), nil, nil, nil, at(j.GetEndTime()), nil, j.GetDisplayName(), wording.JobState(j.GetState()), nil, nil, j.GetPiecesGood(), nil, nil)
	}
	for _, w := range m.GetWaiting() {
		c.add("waiting", w.GetDevice(), w.GetJob(), w.GetStep(), nil, at(w.GetSinceTime()), nil, nil, w.GetWhat(), nil, nil, nil, nil, nil, nil)
	}
	for _, d := range m.GetDrying() {
		kind := "drying"
		if d.GetDry() {
			kind = "dry"
		}
		c.add(kind, d.GetPlace(), d.GetJob(), nil, d.GetPanelCode(), nil, at(d.GetDryTime()), nil, strings.Join(d.GetNext(), " "), nil, nil, nil, nil, nil, nil)
	}
	return c
}
