package board

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"
)

//go:embed web
var web embed.FS

// pages are the templates and what they load.
type pages struct {
	templates *template.Template
	assets    map[string]asset // by name
}

type asset struct {
	hash, kind string
	data       []byte
}

func loadPages() (*pages, error) {
	p := &pages{assets: map[string]asset{}}
	for _, name := range []string{"board.css", "board.js", "scan.js"} {
		data, err := fs.ReadFile(web, "web/"+name)
		if err != nil {
			return nil, fmt.Errorf("read %s: %w", name, err)
		}
		sum := sha256.Sum256(data)
		p.assets[name] = asset{hex.EncodeToString(sum[:8]), mime.TypeByExtension(path.Ext(name)), data}
	}
	var err error
	p.templates, err = template.New("").Funcs(template.FuncMap{
		"asset": func(name string) string { return "/assets/" + p.assets[name].hash + "/" + name },
		"mark":  mark,
		"shape": func(name string) template.HTML { return template.HTML(marks[name]) }, //nolint:gosec // from the table below
	}).ParseFS(web, "web/*.html")
	if err != nil {
		return nil, fmt.Errorf("read the templates: %w", err)
	}
	return p, nil
}

// marks are the shapes that stand before words, so that a state is known without its colour and without reading. Each is
// drawn on a square of 16.
var marks = map[string]string{ //nolint:gochecknoglobals // a table that is never changed
	"work":   `<path d="M2 3h7l5 5-5 5H2l5-5z"/>`,                                    // goes on
	"call":   `<path d="M8 1l7 7-7 7-7-7z"/>`,                                        // a person is needed
	"fault":  `<path fill-rule="evenodd" d="M1 1h14v14H1zM7 3v6h2V3zm0 8v2h2v-2z"/>`, // stands still
	"free":   `<path class="line" d="M3 8a5 5 0 1 0 10 0a5 5 0 1 0-10 0"/>`,          // nothing to do
	"silent": `<path class="line dash" d="M3 8a5 5 0 1 0 10 0a5 5 0 1 0-10 0"/>`,     // not heard
	"held":   `<path d="M3 2h4v12H3zM9 2h4v12H9z"/>`,                                 // kept back
	"wait":   `<path d="M3 2h10L9 8l4 6H3l4-6z"/>`,                                   // waits
	"dry":    `<path d="M8 1c3 5 5 6 5 9a5 5 0 0 1-10 0c0-3 2-4 5-9z"/>`,             // dries
	"done":   `<path class="line" d="M2 9l4 4 8-10"/>`,                               // done
	"gone":   `<path class="line" d="M3 3l10 10M13 3L3 13"/>`,                        // given up
	"good":   `<path class="line" d="M2 9l4 4 8-10"/>`,
}

// mark draws a shape; what it says stands beside it in words, so it is silent for who does not see it.
func mark(name string) template.HTML {
	return template.HTML(`<svg class="mark mark-` + template.HTMLEscapeString(name) + `" viewBox="0 0 16 16" aria-hidden="true" focusable="false">` + marks[name] + `</svg>`) //nolint:gosec // from the table above
}

// fragment renders a template to a piece of HTML.
func (p *pages) fragment(name string, data any) template.HTML {
	var b bytes.Buffer
	if err := p.templates.ExecuteTemplate(&b, name, data); err != nil {
		return template.HTML(`<li class="row">` + template.HTMLEscapeString("this row cannot be shown: "+err.Error()) + `</li>`) //nolint:gosec // escaped
	}
	return template.HTML(strings.TrimSpace(b.String())) //nolint:gosec // html/template has escaped it
}

// view is what every page needs to know.
type view struct {
	Title, Page    string
	Live, Position string // where its changes come from, and after which; empty: it does not change by itself
	ReadOnly       bool
	Shop           string
	D              map[string]any
}

func (v view) live(path, position string) view {
	v.Live, v.Position = path, position
	return v
}

func (b *Board) view(title, page string, data map[string]any) view {
	s, _ := b.mirror.snapshot()
	return view{Title: title, Page: page, ReadOnly: b.ReadOnly, Shop: s.floor.GetDisplayName(), D: data}
}

// serve writes a page.
func (p *pages) serve(w http.ResponseWriter, name string, v view) {
	p.serveStatus(w, http.StatusOK, name, v)
}

func (p *pages) serveStatus(w http.ResponseWriter, status int, name string, v view) {
	var b bytes.Buffer
	if err := p.templates.ExecuteTemplate(&b, name, v); err != nil {
		http.Error(w, "this page cannot be shown: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // a browser that has gone needs nothing
}

// missing says that something is not there.
func (p *pages) missing(w http.ResponseWriter, text string) {
	p.serveStatus(w, http.StatusNotFound, "message", view{Title: "Not found", D: map[string]any{"Text": text}})
}

// serveAsset serves a file under its own hash, for ever.
func (p *pages) serveAsset(w http.ResponseWriter, r *http.Request) {
	a, ok := p.assets[r.PathValue("name")]
	if !ok || r.PathValue("hash") != a.hash {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	w.Header().Set("ETag", `"`+a.hash+`"`)
	w.Header().Set("Content-Type", a.kind)
	if r.Header.Get("If-None-Match") == `"`+a.hash+`"` {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	_, _ = w.Write(a.data)
}
