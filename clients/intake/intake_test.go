package intake

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
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

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

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
			if r.daemon.calls > 0 {
				r.Fatalf("asked after %q", whole[:i+1])
			}
		}
		seconds(1.9)
		if r.daemon.calls > 0 {
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
		if r.daemon.calls != 1 {
			r.Errorf("asked %d times", r.daemon.calls)
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

var errDown = status.Error(codes.Unavailable, `connection error: desc = "transport: Error while dialing: dial tcp 127.0.0.1:7431: connect: connection refused"`)

func TestDaemonAway(t *testing.T) {
	inBubble(func(r *rig) {
		r.daemon.fail = func(*tandemv1.CreateJobRequest) error { return errDown }
		stop := r.watch()
		r.put("a.yaml", ticket("a"))
		r.put("b.yaml", ticket("b"))
		r.put("bad.yaml", "colour: red\n")
		seconds(600)
		r.wantTree("a.yaml b.yaml refused/bad.yaml refused/bad.yaml.reason.txt") // what needs no daemon goes on
		if n := r.daemon.calls; n < 20 || n > 40 {
			r.Errorf("asked %d times in 10 minutes, want with growing gaps up to 30 s", n)
		}
		r.daemon.fail = nil
		seconds(31)
		r.wantTree("done/a.yaml done/b.yaml refused/bad.yaml refused/bad.yaml.reason.txt")
		r.wantJobs("a", "b")
		sum := stop()
		r.wantTold("started, lost, refused bad.yaml, back, taken a.yaml, taken b.yaml, stopped")
		if sum.Lost != nil || sum.Left != 0 {
			r.Errorf("summary %+v", sum)
		}
		if text := r.events[1].Text; !strings.Contains(text, "connection refused") || strings.Contains(text, "transport") {
			r.Errorf("told %q", text)
		}
	})(t)
	for code, kind := range map[codes.Code]Kind{
		codes.Unavailable: Lost, codes.DeadlineExceeded: Lost, codes.ResourceExhausted: Lost, codes.PermissionDenied: Lost,
		codes.Unauthenticated: Lost, codes.Unimplemented: Lost, codes.Canceled: Lost,
		codes.InvalidArgument: Refused, codes.OutOfRange: Refused, codes.FailedPrecondition: Refused, codes.NotFound: Refused, codes.AlreadyExists: Refused,
		codes.Internal: Waiting, codes.Unknown: Waiting, codes.DataLoss: Waiting, codes.Aborted: Waiting,
	} {
		t.Run("once, "+code.String(), inBubble(func(r *rig) {
			r.daemon.fail = func(*tandemv1.CreateJobRequest) error { return status.Error(code, "no luck") }
			r.put("a.yaml", ticket("a"))
			sum := r.once()
			if lost := kind == Lost; (sum.Lost != nil) != lost || (sum.Left == 1) != lost || (sum.Refused == 1) == lost {
				r.Errorf("summary %+v", sum)
			}
			if e := r.events[0]; e.Kind != kind {
				r.Errorf("told %+v", e)
			}
			if kind == Waiting && (r.daemon.calls != maxAttempts || r.events[1].Kind != Refused) {
				r.Errorf("asked %d times, told %s", r.daemon.calls, r.told())
			}
		}))
	}
	t.Run("no answer in time", inBubble(func(r *rig) {
		r.daemon.during = func() { time.Sleep(time.Minute) }
		r.put("a.yaml", ticket("a"))
		if sum := r.once(); sum.Lost == nil || sum.Left != 1 {
			r.Errorf("summary %+v", sum)
		}
	}))
}

func TestViolations(t *testing.T) {
	inBubble(func(r *rig) {
		r.daemon.fail = func(*tandemv1.CreateJobRequest) error {
			st, err := status.New(codes.InvalidArgument, "the job cannot be made").WithDetails(&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
				{Field: "job.items[0].media", Description: "there is no media foil-navy in the floor file"},
				{Field: "job.items[0].quantity", Description: "5 is not between 6 and 7"},
			}})
			if err != nil {
				panic(err)
			}
			return st.Err()
		}
		r.put("cut.svg", "<svg/>")
		r.put("a.yaml", itemTicket("order", "cut.svg", ""))
		r.once()
		r.wantTree("cut.svg refused/a.yaml refused/a.yaml.reason.txt")
		r.has("refused/a.yaml.reason.txt", "- line 7, items[0].media: there is no media foil-navy in the floor file\n- line 6, items[0].quantity: 5 is")
	})(t)
}

func TestCutFiles(t *testing.T) {
	const svg = `<svg xmlns="http://www.w3.org/2000/svg"/>`
	sum := sha256.Sum256([]byte(svg))
	hash := hex.EncodeToString(sum[:])
	for _, tt := range []struct {
		name, uri, hash string
		sent            bool
		reason, note    string // one of them, if anything is said
	}{
		{"beside", "gull.svg", "", true, "", ""},
		{"in a folder", "cut/gull wing.svg", hash, true, "", ""},
		{"escaped", "cut/gull%20wing.svg", strings.ToUpper(hash), true, "", ""},
		{"relative file uri", "file:gull.svg", "", true, "", ""},
		{"absolute", "DIR/gull.svg", "", true, "", ""},
		{"file uri", "file://DIR/cut/gull%20wing.svg", "", true, "", ""},
		{"file uri with this host", "file://localhostDIR/gull.svg", "", true, "", ""},
		{"in the further folder", "tern.svg", "", true, "", ""},
		{"file uri in the further folder", "file://ROOT/tern.svg", "", true, "", ""},
		{"wrong hash", "gull.svg", strings.Repeat("0", 64), false, "items[0].cut.sha256: is \"000", ""},
		{"upwards", "../outside.svg", "", false, "items[0].cut.uri: \"../outside.svg\" leads out of the folder", ""},
		{"upwards, escaped", "cut/%2e%2e/%2e%2e/outside.svg", "", false, "leads out of the folder", ""},
		{"a link outwards", "link.svg", "", false, "leads out of the folder by a link", ""},
		{"a folder behind a link", "up/outside.svg", "", false, "leads out of the folder by a link", ""},
		{"a link within", "within.svg", "", true, "", ""},
		{"absolute, outside", "file:///outside.svg", "", false, "", "lies elsewhere, outside of the folders"},
		{"outside by a detour", "file://DIR/../outside.svg", "", false, "", "lies elsewhere, outside of the folders"},
		{"the web", "http://127.0.0.1:1/gull.svg", "", false, "", "lies elsewhere, by the scheme http"},
		{"another computer", "file://elsewhere/gull.svg", "", false, "", "lies elsewhere, on the computer"},
		{"a folder", "cut", "", false, "is not a file", ""},
		{"nowhere", "auk.svg", "", false, "\"auk.svg\" is not there: put the file where the ticket names it", ""},
		{"empty", "empty.svg", "", false, "\"empty.svg\" is not there", ""},
		{"large", "large.svg", "", false, "has 3145729 bytes, at most 3145728 are taken", ""},
	} {
		t.Run(tt.name, inBubble(func(r *rig) {
			if runtime.GOOS == "windows" {
				r.Skip("the names are those of other systems")
			}
			root := r.TempDir()
			r.config.CutRoots = []string{root}
			for path, data := range map[string]string{
				r.dir + "/gull.svg": svg, r.dir + "/cut/gull wing.svg": svg, r.dir + "/empty.svg": "", r.dir + "/large.svg": strings.Repeat(" ", 3<<20+1),
				root + "/tern.svg": svg, filepath.Dir(r.dir) + "/outside.svg": svg,
			} {
				if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o777), os.WriteFile(path, []byte(data), 0o666)); err != nil {
					r.Fatal(err)
				}
			}
			for name, to := range map[string]string{"link.svg": "../outside.svg", "up": "..", "within.svg": "cut/gull wing.svg"} {
				if err := os.Symlink(to, filepath.Join(r.dir, name)); err != nil {
					r.Fatal(err)
				}
			}
			uri := strings.NewReplacer("DIR", r.dir, "ROOT", root).Replace(tt.uri)
			r.put("a.yaml", itemTicket("order", uri, tt.hash))
			sum := r.once()
			if tt.reason != "" {
				if sum != (Summary{Refused: 1}) || r.daemon.calls > 0 {
					r.Errorf("summary %+v, asked %d times", sum, r.daemon.calls)
				}
				r.has("refused/a.yaml.reason.txt", tt.reason)
				return
			}
			if sum != (Summary{Taken: 1}) {
				r.Fatalf("summary %+v: %+v", sum, r.events)
			}
			if tt.note != "" {
				r.has("done/a.yaml.note.txt", tt.note)
			}
			files := r.daemon.requests[0].GetCutFiles()
			if !tt.sent && len(files) > 0 || tt.sent && (len(files) != 1 || files[0].GetUri() != uri || string(files[0].GetContent()) != svg) {
				r.Errorf("sent %v", files)
			}
		}))
	}
	t.Run("comes later, in pieces", inBubble(func(r *rig) {
		stop := r.watch()
		r.put("a.yaml", itemTicket("order", "gull.svg", hash))
		seconds(20)
		r.wantTold("started, waiting a.yaml")
		r.put("gull.svg", svg[:20])
		seconds(1.5)
		r.append("gull.svg", svg[20:])
		seconds(6)
		r.wantTree("done/a.yaml gull.svg")
		stop()
		if files := r.daemon.requests[0].GetCutFiles(); string(files[0].GetContent()) != svg {
			r.Errorf("sent %v", files)
		}
	}))
	t.Run("other contour, other content", inBubble(func(r *rig) {
		r.put("gull.svg", svg)
		r.put("a.yaml", itemTicket("order", "gull.svg", ""))
		r.once()
		r.put("gull.svg", svg+"<!-- moved -->")
		r.put("a.yaml", itemTicket("order", "gull.svg", ""))
		if sum := r.once(); sum.Refused != 1 {
			r.Errorf("summary %+v", sum)
		}
		r.has("refused/a.yaml.reason.txt", "with other content")
	}))
	t.Run("too much together", inBubble(func(r *rig) {
		items := "id: order\nitems:\n"
		for i := range 3 {
			r.put(fmt.Sprintf("%d.svg", i), strings.Repeat(" ", 3<<19))
			items += fmt.Sprintf("  - {id: i%d, width_mm: 9, height_mm: 9, quantity: 1, media: m, cut_kind: kiss, cut: {uri: %d.svg}}\n", i, i)
		}
		r.put("a.yaml", items)
		r.once()
		r.has("refused/a.yaml.reason.txt", "cut files of more than 3145728 bytes together")
	}))
	t.Run("too large a request", inBubble(func(r *rig) {
		r.put("a.svg", strings.Repeat(" ", 3<<20))
		r.put("a.yaml", itemTicket("order", "a.svg", "")+"labels: {text: "+strings.Repeat("x", 3<<19)+"}\n")
		r.once()
		r.has("refused/a.yaml.reason.txt", "makes a request of 4718")
	}))
}

// TestChangedMeanwhile holds that what is written into a file after it was read is not moved away as if it had been read.
func TestChangedMeanwhile(t *testing.T) {
	inBubble(func(r *rig) {
		r.put("a.yaml", ticket("order"))
		r.daemon.during = func() { r.append("a.yaml", "priority: 70\n") }
		stop := r.watch()
		seconds(3)
		r.daemon.mu.Lock()
		r.daemon.during = nil
		r.daemon.mu.Unlock()
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
		if !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), "process "+strconv.Itoa(os.Getpid())+" watches") {
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
