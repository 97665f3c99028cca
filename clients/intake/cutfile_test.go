package intake

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

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
				if sum != (Summary{Refused: 1}) || r.daemon.asked() > 0 {
					r.Errorf("summary %+v, asked %d times", sum, r.daemon.asked())
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
