package board

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

const (
	// mostFrames is how many changes of a page are kept for browsers that come back; who missed more gets the whole page.
	mostFrames = 240
	// mostFrameBytes bounds them together.
	mostFrameBytes = 2 << 20
	// beat is how often a stream says that it is alive; a browser that hears nothing for three of them says so.
	beat = 10 * time.Second
	// writeWithin is how long a browser may take for one message before it is cut; it resumes when it can.
	writeWithin = 10 * time.Second
	// linger is how long a page nobody looks at is still kept up.
	linger = 30 * time.Second
)

// row is a part of a page that changes as a whole.
type row struct {
	Key  string
	HTML template.HTML
}

// list is a part of a page that holds rows in an order.
type list struct {
	Name string
	Rows []row
}

// frame is what has changed on a page since the frame before, as the script on the page reads it.
type frame struct {
	// All: the browser's page is void, and Sets holds all of it.
	All bool `json:"all,omitempty"`
	// Sets are new or changed rows: list, key, HTML.
	Sets [][3]string `json:"sets,omitempty"`
	// Orders are the keys of lists whose rows have come, gone or moved.
	Orders map[string][]string `json:"orders,omitempty"`
}

// topic is a page that many browsers watch: what is on it is worked out once for all of them. Each browser reads the frames at
// its own pace.
type topic struct {
	epoch  string // of this process: numbers of another one mean nothing
	render func() []list

	mu       sync.Mutex
	lists    []list
	frames   [][]byte // encoded, the newest last
	bytes    int
	number   uint64        // of the newest frame
	wake     chan struct{} // closed at the next frame
	watchers int
	usedAt   time.Time
}

func newTopic(epoch string, render func() []list) *topic {
	return &topic{epoch: epoch, render: render, wake: make(chan struct{})}
}

// update works the page out anew and keeps a frame of what has changed. It reports how many bytes that was.
func (t *topic) update() int {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.updateLocked()
}

func (t *topic) updateLocked() int {
	lists := t.render()
	f := difference(t.lists, lists)
	t.lists = lists
	if f == nil {
		return 0
	}
	data := encode(f)
	t.frames = append(t.frames, data)
	t.bytes += len(data)
	for len(t.frames) > mostFrames || t.bytes > mostFrameBytes && len(t.frames) > 1 {
		t.bytes -= len(t.frames[0])
		t.frames = t.frames[1:]
	}
	t.number++
	close(t.wake)
	t.wake = make(chan struct{})
	return len(data)
}

// page returns all that is on the page now, and the position to watch it from.
func (t *topic) page(now time.Time) (lists map[string][]row, position string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.usedAt = now
	if t.watchers == 0 {
		t.updateLocked()
	}
	lists = map[string][]row{}
	for _, l := range t.lists {
		lists[l.Name] = l.Rows
	}
	return lists, t.position()
}

func (t *topic) position() string { return t.epoch + "." + strconv.FormatUint(t.number, 10) }

// watched reports whether the page has to be kept up.
func (t *topic) watched(now time.Time) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.watchers > 0 || now.Sub(t.usedAt) < linger
}

// since returns the frames after a position, where the reader is then, and what to wait for. What cannot go on from that
// position gets the whole page in one frame.
func (t *topic) since(position string) (frames [][]byte, now string, wake <-chan struct{}) {
	t.mu.Lock()
	defer t.mu.Unlock()
	epoch, number, _ := strings.Cut(position, ".")
	n, err := strconv.ParseUint(number, 10, 64)
	missed := t.number - n
	if err != nil || epoch != t.epoch || n > t.number || missed > uint64(len(t.frames)) {
		return [][]byte{encode(whole(t.lists))}, t.position(), t.wake
	}
	return slices.Clone(t.frames[uint64(len(t.frames))-missed:]), t.position(), t.wake
}

func encode(f *frame) []byte {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false) // it is read as JSON, never as a part of a page
	if err := e.Encode(f); err != nil {
		panic("encode a frame: " + err.Error()) // it holds nothing but text
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n"))
}

func whole(lists []list) *frame {
	f := &frame{All: true, Orders: map[string][]string{}}
	for _, l := range lists {
		f.Orders[l.Name] = []string{}
		for _, r := range l.Rows {
			f.Sets = append(f.Sets, [3]string{l.Name, r.Key, string(r.HTML)})
			f.Orders[l.Name] = append(f.Orders[l.Name], r.Key)
		}
	}
	return f
}

// difference returns what makes the page before into the page after; nil if they are the same.
func difference(before, after []list) *frame {
	f := &frame{}
	old := map[string][]row{}
	for _, l := range before {
		old[l.Name] = l.Rows
	}
	for _, l := range after {
		rows := map[string]template.HTML{}
		for _, r := range old[l.Name] {
			rows[r.Key] = r.HTML
		}
		for _, r := range l.Rows {
			if was, known := rows[r.Key]; !known || was != r.HTML {
				f.Sets = append(f.Sets, [3]string{l.Name, r.Key, string(r.HTML)})
			}
		}
		if !slices.EqualFunc(old[l.Name], l.Rows, func(a, b row) bool { return a.Key == b.Key }) {
			if f.Orders == nil {
				f.Orders = map[string][]string{}
			}
			keys := []string{}
			for _, r := range l.Rows {
				keys = append(keys, r.Key)
			}
			f.Orders[l.Name] = keys
		}
	}
	if len(f.Sets) == 0 && len(f.Orders) == 0 {
		return nil
	}
	return f
}

// serve streams the page's changes to one browser (server-sent events of the HTML standard, section 9.2) until it goes, is
// too slow, or the board stops.
func (t *topic) serve(w http.ResponseWriter, r *http.Request, stop <-chan struct{}, now func() time.Time) {
	position := r.URL.Query().Get("after")
	if last := r.Header.Get("Last-Event-ID"); last != "" {
		position = last
	}
	t.mu.Lock()
	if t.watchers == 0 {
		t.updateLocked()
	}
	t.watchers++
	t.mu.Unlock()
	defer func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		t.watchers--
		t.usedAt = now()
	}()
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Accel-Buffering", "no") // read by proxies that would hold it back
	control := http.NewResponseController(w)
	// The request is read; what bounds its reading would end the stream. A test's writer has no deadlines to lift.
	_ = control.SetReadDeadline(time.Time{})
	send := func(text []byte) bool {
		if control.SetWriteDeadline(time.Now().Add(writeWithin)) != nil {
			return false
		}
		if _, err := w.Write(text); err != nil {
			return false
		}
		return control.Flush() == nil
	}
	if !send([]byte("retry: 1000\n\n")) {
		return
	}
	ticker := time.NewTicker(beat)
	defer ticker.Stop()
	for {
		frames, at, wake := t.since(position)
		if len(frames) > 0 {
			var b bytes.Buffer
			for i, data := range frames {
				if i == len(frames)-1 { // whoever is cut before has seen none of these
					fmt.Fprintf(&b, "id: %s\n", at)
				}
				fmt.Fprintf(&b, "data: %s\n\n", data)
			}
			if !send(b.Bytes()) {
				return
			}
		}
		position = at
		select {
		case <-wake:
		case <-ticker.C:
			if !send([]byte("event: beat\ndata: 1\n\n")) {
				return
			}
		case <-r.Context().Done():
			return
		case <-stop:
			return
		}
	}
}
