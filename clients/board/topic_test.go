package board

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

// paper is a page that a test writes.
type paper struct {
	mu    sync.Mutex
	lists []list
}

func (p *paper) set(rows ...string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	var out []row
	for i := 0; i+1 < len(rows); i += 2 {
		out = append(out, row{rows[i], template.HTML(rows[i+1])})
	}
	p.lists = []list{{"a", out}}
}

func (p *paper) render() []list {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.lists
}

// show plays frames upon a page as the script does: key to HTML, and the order.
func show(t *testing.T, page map[string]string, order *[]string, frames [][]byte) {
	t.Helper()
	for _, data := range frames {
		var f frame
		if err := json.Unmarshal(data, &f); err != nil {
			t.Fatal(err)
		}
		if f.All {
			clear(page)
		}
		for _, s := range f.Sets {
			page[s[1]] = s[2]
		}
		if keys, ok := f.Orders["a"]; ok {
			*order = keys
			for key := range page {
				if !strings.Contains(" "+strings.Join(keys, " ")+" ", " "+key+" ") {
					delete(page, key)
				}
			}
		}
	}
}

func TestTopicSendsWhatChanged(t *testing.T) {
	p := &paper{}
	topic := newTopic("e", p.render)
	p.set("x", "1", "y", "1")
	topic.update()
	page, order := map[string]string{}, []string{}
	frames, at, _ := topic.since("")
	show(t, page, &order, frames)
	if fmt.Sprint(page, order) != "map[x:1 y:1] [x y]" {
		t.Fatalf("shown %v %v", page, order)
	}
	steps := []struct {
		rows  []string
		frame string // empty: nothing is sent
	}{
		{[]string{"x", "1", "y", "2"}, `{"sets":[["a","y","2"]]}`},
		{[]string{"x", "1", "y", "2"}, ""},
		{[]string{"y", "2", "x", "1"}, `{"orders":{"a":["y","x"]}}`},
		{[]string{"y", "2", "z", "</script>"}, `{"sets":[["a","z","</script>"]],"orders":{"a":["y","z"]}}`},
		{nil, `{"orders":{"a":[]}}`},
	}
	first := at
	for _, s := range steps {
		p.set(s.rows...)
		topic.update()
		var frames [][]byte
		frames, at, _ = topic.since(at)
		got := ""
		for _, f := range frames {
			got += string(f)
		}
		if got != s.frame {
			t.Errorf("sent %s, want %s", got, s.frame)
		}
	}
	// Who was away gets what was missed, and then has the same page.
	p.set("q", "9")
	topic.update()
	frames, _, _ = topic.since(first)
	show(t, page, &order, frames)
	if len(frames) != 5 || fmt.Sprint(page, order) != "map[q:9] [q]" {
		t.Errorf("after %d frames shown %v %v", len(frames), page, order)
	}
	for i := range mostFrames + 1 {
		p.set("q", fmt.Sprint(i))
		topic.update()
	}
	for _, position := range []string{first, "other.3", "e.99999", "e.-1", "nonsense", ""} {
		frames, now, _ := topic.since(position)
		if len(frames) != 1 || !strings.Contains(string(frames[0]), `"all":true`) || now != topic.position() {
			t.Errorf("from %q: %d frames, %s", position, len(frames), now)
		}
	}
}

// stuck is a browser that reads nothing: a write ends at its deadline.
type stuck struct {
	http.ResponseWriter
	deadline time.Time
}

func (s *stuck) SetWriteDeadline(t time.Time) error { s.deadline = t; return nil }
func (s *stuck) FlushError() error                  { return nil }

func (s *stuck) Write([]byte) (int, error) {
	time.Sleep(time.Until(s.deadline))
	return 0, os.ErrDeadlineExceeded
}

// A browser that does not read is cut, and neither the page nor other browsers wait for it.
func TestSlowBrowserIsCut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &paper{}
		p.set("x", "1")
		topic := newTopic("e", p.render)
		r := httptest.NewRequest(http.MethodGet, "/live/floor", nil).WithContext(t.Context())
		began := time.Now()
		cut := make(chan time.Duration)
		go func() {
			topic.serve(&stuck{ResponseWriter: httptest.NewRecorder()}, r, nil, time.Now)
			cut <- time.Since(began)
		}()
		synctest.Wait()
		for i := range 50 {
			p.set("x", fmt.Sprint(i))
			topic.update()
		}
		if waited := time.Since(began); waited != 0 {
			t.Errorf("the page waited %v for it", waited)
		}
		if after := <-cut; after != writeWithin {
			t.Errorf("cut after %v, want %v", after, writeWithin)
		}
		if topic.watchers != 0 {
			t.Errorf("%d watch still", topic.watchers)
		}
	})
}

// serving runs a board until the context ends, and serves it once it knows the floor.
func serving(ctx context.Context, t *testing.T, b *Board) (*httptest.Server, <-chan error) {
	t.Helper()
	ended := make(chan error)
	go func() { ended <- b.Run(ctx) }()
	until(t, "the board knows the floor", func() bool { s, _ := b.mirror.snapshot(); return s.complete && s.awaySince.IsZero() })
	return httptest.NewServer(b.Handler()), ended
}

// However many browsers there are, the daemon is watched once, and asked for devices as often as for one.
func TestManyBrowsersAreOneWatch(t *testing.T) {
	d := newFakeDaemon()
	j, device := sample("gulls")
	d.put([]*tandemv1.Job{j}, device)
	b := newFakeBoard(t, d, Config{})
	b.now, b.mirror.wall = time.Now, time.Now
	ctx, cancel := context.WithCancel(t.Context())
	server, ended := serving(ctx, t, b)
	defer server.Close()
	const browsers = 100
	got := make(chan string, browsers)
	var reading sync.WaitGroup
	for range browsers {
		request, err := http.NewRequestWithContext(ctx, http.MethodGet, server.URL+"/live/floor", nil)
		if err != nil {
			t.Fatal(err)
		}
		reading.Go(func() {
			reply, err := http.DefaultClient.Do(request)
			if err != nil {
				t.Error(err)
				return
			}
			defer reply.Body.Close()
			lines := bufio.NewScanner(reply.Body)
			lines.Buffer(nil, 1<<20)
			told := false
			for lines.Scan() {
				if !told && strings.Contains(lines.Text(), "lantern-labels") {
					got <- lines.Text()
					told = true
				}
			}
		})
	}
	until(t, "all browsers watch", func() bool { b.floor.mu.Lock(); defer b.floor.mu.Unlock(); return b.floor.watchers == browsers })
	another, _ := sample("lantern-labels")
	d.put([]*tandemv1.Job{another})
	for i := range browsers {
		select {
		case <-got:
		case <-time.After(20 * time.Second):
			t.Fatalf("%d of %d browsers got the new job", i, browsers)
		}
	}
	if n := d.count("WatchEvents"); n != 1 {
		t.Errorf("the daemon is watched %d times", n)
	}
	if n := d.count("GetJob"); n != 1 {
		t.Errorf("one changed job was asked for %d times", n)
	}
	cancel()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Errorf("ended with %v", err)
	}
	reading.Wait()
}

// The mirror says since when it is out of date, keeps what it knows, and is whole again afterwards.
func TestMirrorOutlivesTheDaemon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newFakeDaemon()
		j, device := sample("gulls")
		d.put([]*tandemv1.Job{j}, device)
		b := newFakeBoard(t, d, Config{})
		b.now, b.mirror.wall = time.Now, time.Now
		ctx, cancel := context.WithCancel(t.Context())
		go func() { _ = b.mirror.run(ctx) }()
		pass := func(d time.Duration) *snapshot {
			time.Sleep(d)
			synctest.Wait()
			s, _ := b.mirror.snapshot()
			return s
		}
		if s := pass(time.Second); !s.complete || len(s.jobs) != 1 || !s.awaySince.IsZero() {
			t.Fatalf("at first: %d jobs, away %v", len(s.jobs), s.awaySince)
		}
		lost := time.Now()
		d.mu.Lock()
		d.watches[0] <- nil // the stream ends
		d.mu.Unlock()
		if s := pass(100 * time.Millisecond); len(s.jobs) != 1 || s.awaySince.Sub(lost) > 300*time.Millisecond {
			t.Errorf("while away: %d jobs, away since %v, want %v", len(s.jobs), s.awaySince, lost)
		}
		changed := proto.CloneOf(j)
		changed.State, changed.EndTime = tandemv1.JobState_JOB_STATE_COMPLETED, j.GetDueTime()
		another, _ := sample("lantern-labels")
		d.put([]*tandemv1.Job{changed, another})
		if s := pass(30 * time.Second); len(s.jobs) != 2 || !s.awaySince.IsZero() || s.job("gulls").GetState() != tandemv1.JobState_JOB_STATE_COMPLETED {
			t.Errorf("back: %d jobs, away %v", len(s.jobs), s.awaySince)
		}
		cancel()
		synctest.Wait()
	})
}
