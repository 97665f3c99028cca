package intake

import (
	"fmt"
	"strings"

	"tandem/clients/celltext"
	"tandem/clients/ticketfile"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// reasonText is what stands beside a refused file. It holds no time, so that the same file gets the same text.
func reasonText(name string, problems []ticketfile.Problem) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s was not taken in:\n\n", celltext.Clean(name))
	for _, p := range problems {
		fmt.Fprintf(&b, "- %s\n", celltext.Clean(p.String()))
	}
	b.WriteString("\nCorrect the file and put it into the watched folder again.\n")
	return b.String()
}

// noteText is what stands beside a file that was taken in, if there is something to say.
func noteText(name string, e Event, o order, job *tandemv1.Job) string {
	var b strings.Builder
	list := func(head string, lines []string) {
		if len(lines) == 0 {
			return
		}
		fmt.Fprintf(&b, "\n%s\n", head)
		for _, line := range lines {
			fmt.Fprintf(&b, "- %s\n", celltext.Clean(line))
		}
	}
	if report := o.ticket.Report; report != nil {
		list("Assumed, or changed:", report.Assumptions)
		var ignored []string
		for _, g := range report.Ignored {
			ignored = append(ignored, g.String())
		}
		if report.MoreIgnored > 0 {
			ignored = append(ignored, fmt.Sprintf("and %d more", report.MoreIgnored))
		}
		list("Not used:", ignored)
	}
	list("Cut files:", o.found.Notes)
	var steps []string
	for _, s := range job.GetSteps() {
		for _, reason := range s.GetStateReasons() {
			if reason == "resources-are-not-supported" {
				steps = append(steps, s.GetId()+": no device of the floor can do it as the ticket asks")
			}
		}
	}
	list("Steps:", steps)
	rest := b.String()
	if rest == "" && e.Kind == Taken {
		return ""
	}
	head := fmt.Sprintf("%s was taken in as the job %s, code %s, %s.\n", celltext.Clean(name), e.Job, e.Code, wording.Count(e.Steps, "step"))
	if e.Kind == Same {
		head = fmt.Sprintf("%s is %s: the job %s, code %s. Nothing was made twice.\n"+
			"To order it again, hand it in under another id.\n", celltext.Clean(name), celltext.Clean(e.Text), e.Job, e.Code)
	}
	return head + rest
}
