package intake

import (
	"strings"
	"testing"
)

// TestCrashes ends the program between any two steps and starts it again: one job, one file, no rest.
func TestCrashes(t *testing.T) {
	for _, step := range []string{"asked", "reserved", "noted", "written", "moved"} {
		t.Run(step, inBubble(func(r *rig) {
			r.put("a.xml", testdata(r, "xjdf/hull-foreign.xjdf")) // it gets a note
			r.crash(step)
			if step != "moved" && !strings.HasPrefix(r.tree(), "a.xml") {
				r.Errorf("before the move the file is not there: %s", r.tree())
			}
			r.once()
			r.wantTree("done/a.xml done/a.xml.note.txt")
			r.wantJobs("hull-names")
			if r.get("done/a.xml") != testdata(r, "xjdf/hull-foreign.xjdf") {
				r.Error("the file has changed")
			}
			r.has("done/a.xml.note.txt", "a.xml was taken in as the job hull-names, code J100")
			for _, q := range r.daemon.requests {
				if q.GetRequestId() != r.daemon.requests[0].GetRequestId() {
					r.Errorf("asked under %s and %s", r.daemon.requests[0].GetRequestId(), q.GetRequestId())
				}
			}
			// The next file of that content is known.
			r.put("b.xml", testdata(r, "xjdf/hull-foreign.xjdf"))
			if sum := r.once(); sum.Same != 1 {
				r.Errorf("summary %+v", sum)
			}
		}))
	}
	for _, step := range []string{"reserved", "written", "moved"} {
		t.Run("refused, "+step, inBubble(func(r *rig) {
			r.put("a.yaml", "colour: red\n")
			r.crash(step)
			r.once()
			r.wantTree("refused/a.yaml refused/a.yaml.reason.txt")
			r.has("refused/a.yaml", "colour: red")
			r.has("refused/a.yaml.reason.txt", "colour")
		}))
	}
	t.Run("again and again", inBubble(func(r *rig) {
		r.put("a.xml", testdata(r, "xjdf/hull-foreign.xjdf"))
		for _, step := range []string{"asked", "reserved", "asked", "noted", "reserved", "written", "asked"} {
			r.crash(step)
		}
		r.once()
		r.wantTree("done/a.xml done/a.xml.note.txt")
		r.wantJobs("hull-names")
	}))
}
