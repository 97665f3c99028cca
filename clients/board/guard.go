package board

import (
	"net"
	"net/http"
	"net/netip"
	"strings"
)

// policy lets a page load what this board serves, and nothing else: no script or style in the page itself either.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// picturePolicy is for a picture opened by itself: its drawing library writes styles at its elements.
const picturePolicy = "default-src 'none'; style-src 'unsafe-inline'; sandbox; frame-ancestors 'none'"

// mostBody bounds what a browser may send, in bytes.
const mostBody = 16 << 10

// guard answers what must not reach the pages: names that are not ours, other sites' forms, bodies that are too long.
func guard(names []string, next http.Handler) http.Handler {
	sameOrigin := http.NewCrossOriginProtection()
	sameOrigin.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		http.Error(w, "refused: the request comes from another site's page; open the board itself", http.StatusForbidden)
	}))
	inner := sameOrigin.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if !known(names, r.Host) {
			http.Error(w, "this board does not answer to that name: open it by its address, or start it with --name", http.StatusMisdirectedRequest)
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, mostBody)
		inner.ServeHTTP(w, r)
	})
}

// known reports whether a request was meant for this board: it names an address, this computer, or a name that it was
// given. A foreign name that leads here is the mark of DNS rebinding; an address cannot be rebound.
func known(names []string, host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.ToLower(strings.TrimSuffix(name, "."))
	if _, err := netip.ParseAddr(strings.Trim(name, "[]")); err == nil || name == "localhost" {
		return true
	}
	for _, n := range names {
		if strings.EqualFold(n, name) {
			return true
		}
	}
	return false
}
