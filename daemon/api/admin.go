package api

import (
	"cmp"
	"context"
	"encoding/hex"
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	"tandem/daemon/station"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
	"tandem/scheduler/floor"
)

// GetStatus implements AdminService.
func (s *Server) GetStatus(ctx context.Context, _ *tandemv1.GetStatusRequest) (*tandemv1.Status, error) {
	out := &tandemv1.Status{
		Version: s.opt.Version, TimeScale: s.scale(), StartTime: timestamppb.New(s.opt.Start), DataDir: s.opt.DataDir, BusUrl: s.opt.BusURL,
	}
	if s.opt.Dropped != nil {
		out.ReportsDropped = s.opt.Dropped()
	}
	if s.opt.Attention != nil {
		out.Reasons = s.opt.Attention()
	}
	err := s.engine.View(ctx, func(st engine.State) {
		out.Term, out.Revision, out.LedgerHead = st.Floor.Term, st.Head.Revision, hex.EncodeToString(st.Head.Hash)
		out.Now = timestamppb.New(st.Now)
		who := attendance(st, 1)
		out.Operators, out.OperatorsChangeTime = who.Operators, who.GetChangeTime()
		for _, d := range st.Floor.Devices {
			if d.Link == tandemv1.Link_LINK_ONLINE {
				out.DevicesOnline++
			} else {
				out.DevicesNotOnline++
			}
			for _, r := range d.Live {
				if d.Retired && !r.Unknown() { // what is unknown is told of with its job
					if !endsByItself(r) {
						out.Reasons = append(out.Reasons, fmt.Sprintf("%s/%s is on %s, which is no longer in the floor file: put it back into the file, or see to it and resolve %s",
							r.Step.Job.ID, r.Step.ID(), d.ID, r.ID))
					}
					continue
				}
				if why, since := r.Overdue(st.Now); why != "" {
					out.Reasons = append(out.Reasons, fmt.Sprintf("%s/%s on %s: %s since %s", r.Step.Job.ID, r.Step.ID(), d.ID, overdue[why],
						station.ShopTime(st.Floor, since).Format("Mon 15:04")))
				}
			}
			for _, r := range st.Floor.Disputed(d) {
				out.Reasons = append(out.Reasons, fmt.Sprintf("%s says that %s is completed, which has ended otherwise (%s/%s): look at what it has made, it is in no count",
					d.ID, r.ID, r.Step.Job.ID, r.Step.ID()))
			}
		}
		for _, j := range st.Floor.Jobs {
			if j.End.IsZero() {
				out.JobsOpen++
				out.Reasons = append(out.Reasons, needsPerson(j)...)
			}
		}
		out.Reasons = append(out.Reasons, needsReview(st.Floor)...)
	})
	return out, err
}

// endsByItself says whether a run's device is at it, and tells when it has ended.
func endsByItself(r *floor.Run) bool {
	return r.State == tandemv1.JobState_JOB_STATE_PROCESSING && r.Device.Link == tandemv1.Link_LINK_ONLINE && !r.Device.Manual()
}

// overdue says in words what [floor.Run.Overdue] does.
var overdue = map[string]string{
	floor.ReasonStartOverdue: "nobody has started it, it waits",
	floor.ReasonOverdue:      "should have ended, over its time",
	floor.ReasonNotSeen:      "its panel was not scanned in the rack, missing",
}

// needsPerson names the steps of a job that stand still until somebody decides.
func needsPerson(j *floor.Job) []string {
	var out []string
	for _, s := range j.Steps {
		switch {
		case s.Blocked != "":
			out = append(out, fmt.Sprintf("%s/%s ended early (%s): resolve %s", j.ID, s.ID(), s.Blocked, s.Runs[len(s.Runs)-1].ID))
		case s.Live != nil && s.Live.Unknown():
			out = append(out, fmt.Sprintf("%s/%s: outcome on %s unknown: resolve %s", j.ID, s.ID(), s.Live.Device.ID, s.Live.ID))
		}
	}
	return out
}

// GetFloor implements AdminService.
func (s *Server) GetFloor(ctx context.Context, _ *tandemv1.GetFloorRequest) (*tandemv1.FloorFile, error) {
	var out *tandemv1.FloorFile
	err := s.engine.View(ctx, func(st engine.State) { out = st.Floor.File() })
	return out, err
}

// ListCodes implements AdminService.
func (s *Server) ListCodes(ctx context.Context, _ *tandemv1.ListCodesRequest) (*tandemv1.ListCodesResponse, error) {
	out := &tandemv1.ListCodesResponse{}
	var file *tandemv1.FloorFile
	slotCode := map[string]string{}
	err := s.engine.View(ctx, func(st engine.State) {
		file = st.Floor.File()
		for _, d := range file.GetDevices() {
			for _, slot := range d.GetSlots() {
				slotCode[d.GetId()+"/"+slot] = st.Floor.SlotCode(d.GetId(), slot)
			}
		}
	})
	if err != nil {
		return nil, err
	}
	add := func(kind code.Kind, id, payload, name string) {
		out.Codes = append(out.Codes, &tandemv1.FloorCode{Kind: kind.String(), Id: id, Code: payload, DisplayName: name})
	}
	for _, d := range file.GetDevices() {
		add(code.Device, d.GetId(), d.GetCode(), d.GetDisplayName())
	}
	for _, d := range file.GetDevices() {
		for _, slot := range d.GetSlots() {
			id := d.GetId() + "/" + slot
			add(code.Slot, id, slotCode[id], fmt.Sprintf("slot %s of %s", slot, cmp.Or(d.GetDisplayName(), d.GetId())))
		}
	}
	for _, p := range file.GetPeople() {
		add(code.Person, p.GetId(), p.GetCode(), p.GetDisplayName())
	}
	for _, v := range code.Verbs() {
		add(code.Command, v.String(), v.Code().String(), commandMeaning[v])
	}
	return out, nil
}

var commandMeaning = map[code.Verb]string{
	code.Start:   "start the run of the panel at the device, scanned next",
	code.Done:    "end the run of the panel at the device, scanned next",
	code.Spoiled: "book spoiled pieces: key how many, then scan the panel",
	code.Remake:  "make spoiled pieces again: key how many, then scan the panel",
	code.Where:   "show where a panel, job or device is, scanned next",
	code.Clear:   "forget the half-finished entry",
	code.Undo:    "take back the last change of this station, within 5 minutes",
}
