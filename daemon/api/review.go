package api

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	"tandem/daemon/station"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// GetReview implements AdminService.
func (s *Server) GetReview(ctx context.Context, _ *tandemv1.GetReviewRequest) (*tandemv1.Review, error) {
	var out *tandemv1.Review
	err := s.engine.View(ctx, func(st engine.State) { out = reviewOf(st.Floor) })
	return out, err
}

func reviewOf(f *floor.Floor) *tandemv1.Review {
	out := &tandemv1.Review{}
	if t := f.RestoredFrom(); !t.IsZero() {
		out.BackupTime = timestamppb.New(t)
	}
	for _, u := range f.Unrecorded() {
		known := false
		if j, ok := f.Job(u.Job); ok {
			_, known = j.Step(u.Step)
		}
		out.Runs = append(out.Runs, &tandemv1.UnrecordedRun{
			Device: u.Device, Run: u.Run, State: u.State, PiecesGood: u.Good, PiecesSpoiled: u.Spoiled, Job: u.Job, Step: u.Step,
			StepKnown: known, FirstTime: timestamppb.New(u.First),
		})
	}
	for _, step := range f.ToReview() {
		out.Steps = append(out.Steps, &tandemv1.StepToReview{Job: step.Job.ID, Step: step.ID(), Operation: step.Operation(), PiecesLeft: step.Left()})
	}
	return out
}

var reviewOutcomes = map[tandemv1.ReviewWorkRequest_Outcome]floor.ReviewOutcome{
	tandemv1.ReviewWorkRequest_OUTCOME_NOT_DONE: floor.ReviewNotDone,
	tandemv1.ReviewWorkRequest_OUTCOME_DONE:     floor.ReviewDone,
	tandemv1.ReviewWorkRequest_OUTCOME_KEEP:     floor.ReviewKeep,
}

// ReviewWork implements AdminService.
func (s *Server) ReviewWork(ctx context.Context, req *tandemv1.ReviewWorkRequest) (*tandemv1.Review, error) {
	c, err := reviewCommand(req)
	if err != nil {
		return nil, err
	}
	var out *tandemv1.Review
	err = s.do(ctx, req, c, func(st engine.State) { out = reviewOf(st.Floor) })
	return out, err
}

func reviewCommand(req *tandemv1.ReviewWorkRequest) (floor.Command, error) {
	if err := plain("note", req.GetNote(), 2000); err != nil {
		return nil, err
	}
	outcome, said := reviewOutcomes[req.GetOutcome()]
	switch {
	case req.GetRun() != "" && (req.GetJob() != "" || req.GetStep() != ""):
		return nil, badField("run", "name a run or a step, not both")
	case req.GetRun() != "" && req.GetOutcome() != tandemv1.ReviewWorkRequest_OUTCOME_UNSPECIFIED:
		return nil, badField("outcome", "a person only takes note of a run; say what was done of its step")
	case req.GetRun() != "":
		return floor.NoteUnrecorded{Run: req.GetRun(), Note: req.GetNote()}, nil
	case req.GetJob() == "":
		return nil, badField("job", "name a job and its step, or an unrecorded run")
	case !said:
		return nil, badField("outcome", "say not done, done or keep")
	case outcome != floor.ReviewKeep && req.GetPiecesGood() != 0:
		return nil, badField("pieces_good", "give a number with keep only")
	}
	return floor.ReviewStep{
		Job: req.GetJob(), Step: req.GetStep(), Outcome: outcome, Good: req.GetPiecesGood(), Device: req.GetDevice(), Note: req.GetNote(),
	}, nil
}

// needsReview tells what may have been done without a record.
func needsReview(f *floor.Floor) []string {
	var out []string
	for _, u := range f.Unrecorded() {
		out = append(out, u.String()+": look, and say with `tandem review` what is true")
	}
	if n := len(f.ToReview()); n > 0 {
		when := ""
		if t := f.RestoredFrom(); !t.IsZero() {
			when = " of " + station.ShopTime(f, t).Format("Mon 2006-01-02 15:04 MST")
		}
		steps := fmt.Sprintf("%d steps", n)
		if n == 1 {
			steps = "1 step"
		}
		out = append(out, steps+" may have been done after the backup"+when+" was made: say with `tandem review` what is true")
	}
	return out
}
