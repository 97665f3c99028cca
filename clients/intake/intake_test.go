package intake

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	tandemv1 "tandem/proto/tandem/v1"
)

func testdata(t testing.TB, name string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("../../testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func TestFormats(t *testing.T) {
	inBubble(func(r *rig) {
		r.put("a.yaml", ticket("yaml-job"))
		r.put("b.YML", ticket("yml-job"))
		r.put("c.json", `{"id":"json-job","pieces":1,"steps":[{"id":"cut","operation":"cut"}]}`)
		r.put("d.xjdf", testdata(r, "xjdf/tide-stickers.xjdf"))
		r.put("e.xml", testdata(r, "xjdf/hull-foreign.xjdf"))
		r.put("page.xml", "<html/>")
		r.put("drawing.svg", "<svg/>")
		r.put(".hidden.yaml", "x")
		r.put("~lock.yaml", "x")
		r.put("f.yaml.tmp", "x")
		r.put("g.yaml.part", "x")
		r.put("h.yaml.crdownload", "x")
		r.put("i.yaml~", "x")
		sum := r.once()
		if sum != (Summary{Taken: 5}) {
			r.Errorf("summary %+v", sum)
		}
		r.wantJobs("yaml-job", "yml-job", "json-job", "tide-stickers", "hull-names")
		r.wantTree(".hidden.yaml done/a.yaml done/b.YML done/c.json done/d.xjdf done/e.xml done/e.xml.note.txt " +
			"drawing.svg f.yaml.tmp g.yaml.part h.yaml.crdownload i.yaml~ page.xml ~lock.yaml")
		r.has("done/e.xml.note.txt", "e.xml was taken in as the job hull-names, code J104, 0 steps.\n")
		r.has("done/e.xml.note.txt", "Not used:\n- XJDF/@Category\n- XJDF/@berth (namespace \"urn:example:yard\")\n")
		r.has("done/e.xml.note.txt", "Assumed, or changed:\n- XJDF: says no depth")
		if !strings.Contains(r.told(), "left page.xml") {
			r.Errorf("told %s", r.told())
		}
		request := r.daemon.requests[0]
		if request.GetActor() != "hot-folder" || request.GetValidateOnly() || request.GetJob().GetHold() || len(request.GetRequestId()) > 128 ||
			len(request.GetJob().GetLabels()[contentLabel]) != 64 {
			r.Errorf("request %v", request)
		}
		// A file that is no ticket is told once, however often the folder is read.
		r.events = nil
		stop := r.watch()
		seconds(60)
		stop()
		r.wantTold("started, left page.xml, stopped")
	})(t)
}

// TestPieces writes files as slow programs and copies over a network do.
func TestPieces(t *testing.T) {
	inBubble(func(r *rig) {
		stop := r.watch()
		whole := ticket("slow")
		r.put("slow.yaml", "")
		for i := range whole {
			seconds(1.5)
			r.append("slow.yaml", whole[i:i+1])
			if r.daemon.asked() > 0 {
				r.Fatalf("asked after %q", whole[:i+1])
			}
		}
		seconds(1.9)
		if r.daemon.asked() > 0 {
			r.Error("asked before the file had been still")
		}
		seconds(2)
		r.wantJobs("slow")
		r.wantTree("done/slow.yaml")
		stop()
	})(t)
	for name, half := range map[string]string{
		"empty.yaml": "", "zeros.yaml": ticket("x") + "\x00\x00\x00", "open.json": `{"id":"x","pieces":`, "tail.yaml": "id: x\npieces: 3\nste",
		"list.yaml": "id: x\nsteps: [{id: cut\n", "open.xjdf": `<XJDF xmlns="http://www.CIP4.org/JDFSchema_2_0" JobID="x"`, "open.xml": "<?xml version", "blank.json": " \n",
	} {
		t.Run(name, inBubble(func(r *rig) {
			stop := r.watch()
			r.put(name, half)
			seconds(29)
			r.wantTree(name)
			r.wantTold("started, waiting " + name)
			seconds(4)
			r.wantTree("refused/" + name + " refused/" + name + ".reason.txt")
			r.wantTold("started, waiting " + name + ", refused " + name)
			r.wantJobs()
			stop()
		}))
	}
	t.Run("completed late", inBubble(func(r *rig) {
		stop := r.watch()
		r.put("late.json", `{"id":"late",`)
		seconds(20)
		r.append("late.json", `"pieces":1,`)
		seconds(20)
		r.append("late.json", `"steps":[{"id":"cut","operation":"cut"}]}`)
		seconds(5)
		r.wantTree("done/late.json")
		stop()
	}))
	t.Run("refused at once", inBubble(func(r *rig) {
		stop := r.watch()
		r.put("a.yaml", "id: x\ncolour: red\n")
		r.put("b.json", `{"colour":1}`)
		r.put("c.xjdf", testdata(r, "xjdf/bad/amount-absent.xjdf"))
		seconds(4)
		r.wantTree("refused/a.yaml refused/a.yaml.reason.txt refused/b.json refused/b.json.reason.txt refused/c.xjdf refused/c.xjdf.reason.txt")
		r.has("refused/a.yaml.reason.txt", "- line 2, \"colour\": unknown key")
		r.has("refused/c.xjdf.reason.txt", "XJDF/ResourceSet[5]/Resource: has no AmountPool/PartAmount/@Amount: say how many")
		stop()
	}))
}

func TestRenamedIn(t *testing.T) {
	inBubble(func(r *rig) {
		stop := r.watch()
		r.put("order.yaml.tmp", ticket("order"))
		seconds(60)
		r.wantTree("order.yaml.tmp")
		if err := os.Rename(filepath.Join(r.dir, "order.yaml.tmp"), filepath.Join(r.dir, "order.yaml")); err != nil {
			r.Fatal(err)
		}
		seconds(4)
		r.wantTree("done/order.yaml")
		if sum := stop(); sum.Taken != 1 {
			r.Errorf("summary %+v", sum)
		}
	})(t)
}

func TestDuplicates(t *testing.T) {
	inBubble(func(r *rig) {
		r.put("a.yaml", ticket("order"))
		r.once()
		r.put("again.yaml", ticket("order"))
		r.put("other.yaml", ticket("order")+"priority: 60\n")
		sum := r.once()
		if sum != (Summary{Same: 1, Refused: 1}) {
			r.Errorf("summary %+v", sum)
		}
		r.put("a.yaml", ticket("order"))
		r.once()
		r.wantJobs("order")
		r.wantTree("done/a-2.yaml done/a-2.yaml.note.txt done/a.yaml done/again.yaml done/again.yaml.note.txt refused/other.yaml refused/other.yaml.reason.txt")
		r.has("done/again.yaml.note.txt", "again.yaml is the same as done/a.yaml: the job order, code J100. Nothing was made twice.")
		r.has("done/a-2.yaml.note.txt", "the same as done/a.yaml")
		r.has("refused/other.yaml.reason.txt", "- line 1, id: order was handed in before with other content (code J100, pending): give this one an id of its own")
		for _, q := range r.daemon.requests[1:] {
			if same := q.GetRequestId() == r.daemon.requests[0].GetRequestId(); same != (q.GetJob().GetPriority() == 0) {
				r.Errorf("request id %s for %v", q.GetRequestId(), q.GetJob())
			}
		}
		// What the job of another door was made from nobody knows.
		r.daemon.set(func(d *daemon) {
			d.jobs["typed-in"] = &tandemv1.Job{Id: "typed-in", Code: "J200", State: tandemv1.JobState_JOB_STATE_PROCESSING}
		})
		r.put("typed.yaml", ticket("typed-in"))
		r.once()
		r.has("refused/typed.yaml.reason.txt", "- line 1, id: there is a job typed-in already, which came by another way than a watched folder (code J200, processing): "+
			"if it is the same order, leave it at that; else give this one an id of its own")
	})(t)
	t.Run("the daemon has forgotten the request", inBubble(func(r *rig) {
		r.put("a.yaml", ticket("order"))
		r.once()
		clear(r.daemon.answers)
		if err := os.RemoveAll(filepath.Join(r.dir, stateFolder)); err != nil {
			r.Fatal(err)
		}
		r.put("b.yaml", ticket("order"))
		if sum := r.once(); sum.Same != 1 {
			r.Errorf("summary %+v", sum)
		}
		r.has("done/b.yaml.note.txt", "b.yaml is the same as the job order, taken in before")
	}))
	t.Run("asked by another", inBubble(func(r *rig) {
		r.put("a.yaml", ticket("order"))
		r.crash("asked")
		r.config.Actor = "night-shift"
		if sum := r.once(); sum.Taken+sum.Same != 1 {
			r.Errorf("summary %+v", sum)
		}
		r.wantTree("done/a.yaml done/a.yaml.note.txt")
		r.wantJobs("order")
	}))
	t.Run("a new daemon knows nothing", inBubble(func(r *rig) {
		r.put("a.yaml", ticket("order"))
		r.once()
		r.daemon = newDaemon()
		r.config.Jobs = r.daemon
		r.put("a.yaml", ticket("order"))
		r.once()
		r.wantJobs("order") // never told to be done without a job
	}))
}

func TestNothingIsOverwritten(t *testing.T) {
	inBubble(func(r *rig) {
		r.put("done/a.yaml", "kept")
		r.put("done/a-2.yaml.note.txt", "kept")
		r.put("refused/b.yaml.reason.txt", "kept")
		r.put("a.yaml", ticket("order"))
		r.put("b.yaml", "colour: red\n")
		r.once()
		r.wantTree("done/a-2.yaml.note.txt done/a-3.yaml done/a.yaml refused/b-2.yaml refused/b-2.yaml.reason.txt refused/b.yaml.reason.txt")
		for _, name := range []string{"done/a.yaml", "done/a-2.yaml.note.txt", "refused/b.yaml.reason.txt"} {
			if r.get(name) != "kept" {
				r.Errorf("%s was overwritten", name)
			}
		}
	})(t)
}

func TestNames(t *testing.T) {
	inBubble(func(r *rig) {
		long := strings.Repeat("ß", 120) + ".yaml"
		r.put(long, "colour: red\n")
		if runtime.GOOS == "linux" {
			r.put("b\xff\x1b[2J.yaml", "colour: red\n")
		}
		if sum := r.once(); sum.Left != 0 || sum.Refused == 0 {
			r.Errorf("summary %+v", sum)
		}
		for name := range strings.SplitSeq(r.tree(), " ") {
			if text := r.get(name); strings.HasSuffix(name, reasonEnd) && (strings.Contains(text, "\x1b") || !utf8.ValidString(text)) {
				r.Errorf("the reason holds what a terminal obeys: %q", text)
			}
		}
	})(t)
}

// TestCannotMove holds that a job is handed in once even if its file cannot be moved for a while.
func TestCannotMove(t *testing.T) {
	inBubble(func(r *rig) {
		stop := r.watch()
		seconds(1)
		if err := os.Remove(filepath.Join(r.dir, DoneFolder)); err != nil {
			r.Fatal(err)
		}
		r.put(DoneFolder, "a file where a folder should be")
		r.put("a.yaml", ticket("order"))
		seconds(100)
		r.wantTree("a.yaml done")
		r.wantTold("started, stuck a.yaml")
		if r.daemon.asked() != 1 {
			r.Errorf("asked %d times", r.daemon.asked())
		}
		if err := os.Remove(filepath.Join(r.dir, DoneFolder)); err != nil {
			r.Fatal(err)
		}
		if err := os.Mkdir(filepath.Join(r.dir, DoneFolder), 0o777); err != nil {
			r.Fatal(err)
		}
		seconds(31)
		r.wantTree("done/a.yaml")
		stop()
		r.wantTold("started, stuck a.yaml, taken a.yaml, stopped")
	})(t)
}

// TestCannotRead needs a user whom permissions bind; the superuser reads everything.
func TestCannotRead(t *testing.T) {
	inBubble(func(r *rig) {
		r.put("a.yaml", ticket("order"))
		path := filepath.Join(r.dir, "a.yaml")
		if err := os.Chmod(path, 0); err != nil {
			r.Fatal(err)
		}
		f, err := os.Open(path)
		bound := err != nil
		if !bound {
			_ = f.Close()
		}
		sum := r.once()
		if bound && sum != (Summary{Left: 1}) || !bound && sum != (Summary{Taken: 1}) {
			r.Errorf("summary %+v", sum)
		}
		if bound {
			r.wantTold("stuck a.yaml")
			r.wantTree("a.yaml")
		}
	})(t)
}

// TestHarmful holds that files made to harm end as refused ones.
func TestHarmful(t *testing.T) {
	inBubble(func(r *rig) {
		r.put("alias.yaml", testdata(r, "tickets-bad/alias-bomb.yaml"))
		r.put("entities.xjdf", testdata(r, "xjdf/bad/entity-bomb.xjdf"))
		r.put("file.xjdf", testdata(r, "xjdf/bad/entity-file.xjdf"))
		r.put("nested.xjdf", testdata(r, "xjdf/bad/nested-deep.xjdf"))
		r.put("nested.json", strings.Repeat("[", 100_000)+strings.Repeat("]", 100_000))
		r.put("latin1.yaml", "id: order\ndisplay_name: \"\xe4\xf6\xfc\"\n")
		r.put("large.yaml", strings.Repeat("#", 5<<20))
		r.put("large.xjdf", strings.Repeat(" ", 5<<20))
		if sum := r.once(); sum != (Summary{Refused: 8}) {
			r.Errorf("summary %+v, %s", sum, r.told())
		}
		r.wantJobs()
		r.has("refused/large.yaml.reason.txt", "has 5242880 bytes, at most 4194304 are read: split it")
		r.has("refused/entities.xjdf.reason.txt", "document type declaration")
	})(t)
}

func TestLinksStay(t *testing.T) {
	inBubble(func(r *rig) {
		outside := filepath.Join(filepath.Dir(r.dir), "outside.yaml")
		if err := os.WriteFile(outside, []byte(ticket("outside")), 0o666); err != nil {
			r.Fatal(err)
		}
		if err := os.Symlink(outside, filepath.Join(r.dir, "link.yaml")); err != nil {
			r.Skip("links cannot be made here: ", err)
		}
		if err := os.Mkdir(filepath.Join(r.dir, "folder.yaml"), 0o777); err != nil {
			r.Fatal(err)
		}
		stop := r.watch()
		seconds(60)
		stop()
		r.wantJobs()
		r.wantTold("started, left link.yaml, stopped")
	})(t)
}

// TestChangedMeanwhile holds that what is written into a file after it was read is not moved away as if it had been read.
func TestChangedMeanwhile(t *testing.T) {
	inBubble(func(r *rig) {
		r.put("a.yaml", ticket("order"))
		r.daemon.during = func() { r.append("a.yaml", "priority: 70\n") }
		stop := r.watch()
		seconds(3)
		r.daemon.set(func(d *daemon) { d.during = nil })
		seconds(5)
		stop()
		r.wantTree("refused/a.yaml refused/a.yaml.reason.txt")
		r.wantTold("started, taken a.yaml, refused a.yaml, stopped")
		r.has("refused/a.yaml", "priority: 70")
		r.has("refused/a.yaml.reason.txt", "with other content")
	})(t)
}

func TestInterruptedWhileAsking(t *testing.T) {
	inBubble(func(r *rig) {
		ctx, cancel := context.WithCancel(r.Context())
		r.daemon.during = cancel
		r.put("a.yaml", ticket("order"))
		if sum, err := Run(ctx, r.config); err != nil || sum != (Summary{Left: 1}) {
			r.Errorf("summary %+v, error %v", sum, err)
		}
		r.wantTree("a.yaml")
		r.daemon.during = nil
		r.once()
		r.wantTree("done/a.yaml")
		r.wantJobs("order")
	})(t)
}

func TestOneProcess(t *testing.T) {
	inBubble(func(r *rig) {
		stop := r.watch()
		seconds(1)
		_, err := Run(r.Context(), r.config)
		if !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), "held by process "+strconv.Itoa(os.Getpid())) {
			r.Errorf("error %v", err)
		}
		stop()
		// What a dead process has left locks nobody out.
		r.put(stateFolder+"/lock", "999999\n")
		r.put("a.yaml", ticket("order"))
		if sum := r.once(); sum.Taken != 1 {
			r.Errorf("summary %+v", sum)
		}
	})(t)
}

func TestCannotBegin(t *testing.T) {
	inBubble(func(r *rig) {
		r.put("file", "")
		for _, c := range []Config{{Dir: r.dir + "/nowhere"}, {Dir: r.dir + "/file"}, {Dir: r.dir, CutRoots: []string{r.dir + "/nowhere"}}} {
			if _, err := Run(r.Context(), c); err == nil || !strings.Contains(err.Error(), "folder") {
				r.Errorf("error %v", err)
			}
		}
		// The failures have let the folder go.
		r.once()
	})(t)
}

// TestFolderGone takes the folder away under the program, as happens with shares.
func TestFolderGone(t *testing.T) {
	inBubble(func(r *rig) {
		stop := r.watch()
		seconds(1)
		if err := os.RemoveAll(r.dir); err != nil {
			r.Skip("a folder in use cannot be removed here: ", err)
		}
		seconds(100)
		r.put("a.yaml", ticket("order"))
		seconds(40)
		stop()
		r.wantTree("done/a.yaml")
		r.wantTold("started, gone, found, taken a.yaml, stopped")
	})(t)
}

func TestManyFiles(t *testing.T) {
	inBubble(func(r *rig) {
		const n = maxPerScan + 50
		var ids []string
		for i := range n {
			id := fmt.Sprintf("job-%04d", i)
			ids = append(ids, id)
			r.put(id+".yaml", ticket(id))
		}
		if sum := r.once(); sum != (Summary{Taken: n}) {
			r.Errorf("summary %+v", sum)
		}
		r.wantJobs(ids...)
	})(t)
}

func TestJournal(t *testing.T) {
	inBubble(func(r *rig) {
		r.put("a.yaml", ticket("a"))
		r.once()
		path := stateFolder + "/" + journalName
		r.append(path, "no entry\n"+strings.Repeat("x", 3*maxEntry)+"\n"+`{"sha256":"torn`)
		r.put("b.yaml", ticket("b"))
		r.once()
		r.put("c.yaml", ticket("a"))
		r.put("d.yaml", ticket("b"))
		if sum := r.once(); sum.Same != 2 {
			r.Errorf("summary %+v", sum)
		}
		r.has("done/d.yaml.note.txt", "the same as done/b.yaml")
		// It does not grow for ever.
		var b strings.Builder
		for i := range maxEntries + 10 {
			fmt.Fprintf(&b, "{\"sha256\":\"%064d\",\"job\":\"j\",\"file\":\"f\",\"to\":\"f\"}\n", i)
		}
		r.put(path, b.String())
		r.once()
		if lines := strings.Count(r.get(path), "\n"); lines != maxEntries {
			r.Errorf("%d lines are left", lines)
		}
	})(t)
}

// TestNotified holds that the system's notifications hasten what polling would find in an hour. It runs by the true clock.
func TestNotified(t *testing.T) {
	r := newRig(t)
	r.config.PollOnly = false
	r.config.Poll, r.config.Settle = time.Hour, time.Millisecond
	told := make(chan Event, 16)
	r.config.Tell = func(e Event) { told <- e }
	stop := r.watch()
	defer stop()
	deadline := time.After(30 * time.Second)
	for {
		select {
		case e := <-told:
			switch e.Kind {
			case Started: // the system's watch is set by now
				r.put("a.yaml", ticket("order"))
			case Taken:
				return
			default:
				t.Errorf("told %+v", e)
			}
		case <-deadline:
			t.Fatal("nothing was noticed")
		}
	}
}
