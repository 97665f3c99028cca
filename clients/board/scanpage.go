package board

import (
	"context"
	"encoding/json"
	"errors"
	"mime"
	"net/http"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/dial"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// scanWithin bounds one attempt to hand a scan in.
const scanWithin = 5 * time.Second

// scanAnswer is what became of a scan, for the script on the scan page.
type scanAnswer struct {
	// Word says it so that it can be read from afar, Kind how it sounds and looks: good, next, plain, warn or bad.
	Word string `json:"word"`
	Kind string `json:"kind"`
	// Message is the daemon's line for people.
	Message string `json:"message"`
	// Job it was about, if it was about one.
	Job string `json:"job,omitempty"`
	// Later: it was not taken and may be handed in again, under the same id.
	Later bool `json:"later,omitempty"`
}

func (b *Board) serveScan(w http.ResponseWriter, r *http.Request) {
	station, device := r.URL.Query().Get("station"), r.URL.Query().Get("device")
	s, _ := b.mirror.snapshot()
	data := map[string]any{
		"Station": station, "Device": device, "Devices": s.devices, "Stations": b.Stations, "Now": b.now().UnixMilli(),
		"Marks": []string{"done", "work", "call", "fault", "wait", "free"},
	}
	problem := ""
	switch {
	case b.ReadOnly:
		problem = "This board only shows: it takes no scans."
	case station == "" && device == "":
	case !tandemv1.ValidID(station):
		problem = "The station's name does not fit: " + tandemv1.IDRule + "."
	case device != "" && !tandemv1.ValidID(device):
		problem = "The device's name does not fit: " + tandemv1.IDRule + "."
	case !b.takes(station):
		problem = "This board takes no scans of that station: choose another one."
	default:
		b.pages.serve(w, "scan", b.view("Scan at "+station, "scan", data))
		return
	}
	data["Problem"] = problem
	if device != "" && station == "" && problem != "" {
		data["Problem"] = "Give the station a name, such as the device's own."
	}
	code := http.StatusOK
	if problem != "" && !b.ReadOnly {
		code = http.StatusBadRequest
	}
	b.pages.serveStatus(w, code, "scan-choose", b.view("Scan", "scan", data))
}

// serveScanClock tells this computer's time, by which scans that had to wait are dated.
func (b *Board) serveScanClock(w http.ResponseWriter, _ *http.Request) {
	answer(w, http.StatusOK, map[string]int64{"now": b.now().UnixMilli()})
}

// takeScan hands one scan in. The browser repeats it under the same id until it has an answer.
func (b *Board) takeScan(w http.ResponseWriter, r *http.Request) {
	refuse := func(code int, message string) {
		answer(w, code, scanAnswer{Word: "REFUSED", Kind: "bad", Message: message})
	}
	if kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type")); kind != "application/json" {
		refuse(http.StatusUnsupportedMediaType, "a scan is handed in as application/json")
		return
	}
	var in struct {
		Station string `json:"station"`
		Device  string `json:"device"`
		Payload string `json:"payload"`
		ScanID  string `json:"scan_id"`
		Time    int64  `json:"time"` // milliseconds since 1970, by the board's clock
	}
	decode := json.NewDecoder(r.Body)
	decode.DisallowUnknownFields()
	if err := decode.Decode(&in); err != nil {
		if errors.As(err, new(*http.MaxBytesError)) {
			refuse(http.StatusRequestEntityTooLarge, "longer than any scan")
			return
		}
		refuse(http.StatusBadRequest, "not a scan: "+err.Error())
		return
	}
	switch {
	case !tandemv1.ValidID(in.Station):
		refuse(http.StatusBadRequest, "station: "+tandemv1.IDRule)
		return
	case in.Device != "" && !tandemv1.ValidID(in.Device):
		refuse(http.StatusBadRequest, "device: "+tandemv1.IDRule)
		return
	case in.ScanID == "" || len(in.ScanID) > 100:
		refuse(http.StatusBadRequest, "scan_id: 1 to 100 characters, another one for each scan")
		return
	case !b.takes(in.Station):
		refuse(http.StatusForbidden, "this board takes no scans of that station")
		return
	}
	at := time.UnixMilli(in.Time)
	if now := b.now(); in.Time <= 0 || at.After(now.Add(time.Minute)) {
		refuse(http.StatusBadRequest, "time: when it was scanned, in milliseconds since 1970")
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), scanWithin)
	defer cancel()
	reply, err := b.api.scans.RecordScan(ctx, &tandemv1.RecordScanRequest{
		Station: in.Station, Device: in.Device, Payload: in.Payload, ScanId: in.ScanID, ScanTime: timestamppb.New(at),
	})
	if err != nil {
		code := http.StatusUnprocessableEntity
		out := scanAnswer{Word: "REFUSED", Kind: "bad", Message: described(err)}
		if comesBack(err) {
			code, out.Later, out.Word, out.Kind = http.StatusServiceUnavailable, true, "WAITS", "warn"
		}
		answer(w, code, out)
		return
	}
	out := scanAnswer{Message: reply.GetMessage()}
	out.Word, out.Kind = scanWord(reply.GetOutcome())
	if id, ok := strings.CutPrefix(reply.GetSubject(), "jobs/"); ok && tandemv1.ValidID(id) {
		out.Job = id
	}
	answer(w, http.StatusOK, out)
}

func answer(w http.ResponseWriter, code int, v any) {
	data, err := json.Marshal(v)
	if err != nil {
		panic("encode an answer: " + err.Error()) // it holds nothing but text and numbers
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_, _ = w.Write(data)
}

// comesBack reports whether the same scan may be taken later. Until a disk that is nearly full has room again may take hours, and
// scans behind it, of work under way, are taken all the same.
func comesBack(err error) bool {
	switch status.Code(err) {
	case codes.Unavailable, codes.DeadlineExceeded, codes.ResourceExhausted, codes.Canceled:
		return !dial.WithoutSpace(err)
	default:
		return false
	}
}

// described is an error with what is wrong with each field and what to do about it.
func described(err error) string {
	parts := []string{brief(err)}
	for _, d := range status.Convert(err).Details() {
		switch d := d.(type) {
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				parts = append(parts, v.GetField()+": "+v.GetDescription())
			}
		case *errdetails.ErrorInfo:
			if remedy := d.GetMetadata()["remedy"]; remedy != "" {
				parts = append(parts, remedy)
			}
		}
	}
	return strings.Join(parts, "; ")
}

// scanWord is what became of a scan in one word, and how that looks and sounds.
func scanWord(o tandemv1.RecordScanResponse_Outcome) (word, kind string) {
	switch o {
	case tandemv1.RecordScanResponse_OUTCOME_NEXT_SCAN:
		return "NEXT", "next"
	case tandemv1.RecordScanResponse_OUTCOME_STARTED:
		return "STARTED", "good"
	case tandemv1.RecordScanResponse_OUTCOME_FINISHED:
		return "FINISHED", "good"
	case tandemv1.RecordScanResponse_OUTCOME_MOVED:
		return "MOVED", "good"
	case tandemv1.RecordScanResponse_OUTCOME_LOADED:
		return "LOADED", "good"
	case tandemv1.RecordScanResponse_OUTCOME_UNDONE:
		return "UNDONE", "good"
	case tandemv1.RecordScanResponse_OUTCOME_NOT_UNDONE:
		return "NOT UNDONE", "bad"
	case tandemv1.RecordScanResponse_OUTCOME_SPOILED:
		return "SPOILED", "good"
	case tandemv1.RecordScanResponse_OUTCOME_REMADE:
		return "REMADE", "good"
	case tandemv1.RecordScanResponse_OUTCOME_SHOWN:
		return "INFO", "plain"
	case tandemv1.RecordScanResponse_OUTCOME_CLEARED:
		return "CLEARED", "plain"
	case tandemv1.RecordScanResponse_OUTCOME_DUPLICATE:
		return "ALREADY", "warn"
	case tandemv1.RecordScanResponse_OUTCOME_WRONG_STATION:
		return "WRONG PLACE", "bad"
	case tandemv1.RecordScanResponse_OUTCOME_NOT_READY:
		return "NOT YET", "bad"
	case tandemv1.RecordScanResponse_OUTCOME_UNKNOWN_CODE:
		return "UNKNOWN", "bad"
	default:
		return strings.ToUpper(wording.Outcome(o)), "warn"
	}
}
