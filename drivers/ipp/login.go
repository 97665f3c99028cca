package ipp

import (
	"errors"
	"io"
	"net/http"
	"sync"

	"github.com/icholy/digest"
)

// errClear says that a password would be readable on the network.
var errClear = errors.New("the printer asks for the password in clear and the connection is not encrypted: write ipps:// in the setting uri")

// login adds a name and password to requests, as the printer asks: Digest (RFC 7616), or Basic (RFC 7617) where nobody on
// the network can read it. What the printer asked once is answered without being asked from then on, so that a document
// is not sent twice.
type login struct {
	base           http.RoundTripper
	user, password string
	private        bool // the connection is encrypted, or does not leave this computer

	mu        sync.Mutex
	basic     bool
	challenge *digest.Challenge
	count     int // answers to this challenge
}

// RoundTrip implements http.RoundTripper.
func (l *login) RoundTrip(req *http.Request) (*http.Response, error) {
	first := req.Clone(req.Context())
	if err := l.sign(first); err != nil {
		return nil, errors.Join(err, req.Body.Close())
	}
	resp, err := l.base.RoundTrip(first)
	if err != nil || resp.StatusCode != http.StatusUnauthorized {
		return resp, err
	}
	asked, err := l.learn(resp.Header)
	if err != nil || !asked {
		if err != nil {
			err = errors.Join(err, resp.Body.Close())
			return nil, err
		}
		return resp, nil
	}
	if _, err := io.CopyN(io.Discard, resp.Body, 4096); err != nil && !errors.Is(err, io.EOF) {
		return nil, errors.Join(err, resp.Body.Close())
	}
	if err := resp.Body.Close(); err != nil {
		return nil, err
	}
	again := req.Clone(req.Context())
	if again.Body, err = req.GetBody(); err != nil {
		return nil, err
	}
	if err := l.sign(again); err != nil {
		return nil, errors.Join(err, again.Body.Close())
	}
	return l.base.RoundTrip(again)
}

// learn notes what the printer asks for, and reports false if we have answered that already: the password is wrong.
func (l *login) learn(h http.Header) (bool, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if c, err := digest.FindChallenge(h); err == nil && digest.CanDigest(c) {
		news := l.challenge == nil || l.challenge.Nonce != c.Nonce && (l.count > 1 || c.Stale)
		l.challenge, l.count, l.basic = c, 0, false
		return news, nil
	}
	if !l.private {
		return false, errClear
	}
	news := !l.basic
	l.basic = true
	return news, nil
}

func (l *login) sign(req *http.Request) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case l.challenge != nil:
		l.count++
		c, err := digest.Digest(l.challenge, digest.Options{
			Method: req.Method, URI: req.URL.RequestURI(), Count: l.count, Username: l.user, Password: l.password,
		})
		if err != nil {
			return err
		}
		req.Header.Set("Authorization", c.String())
	case l.basic:
		req.SetBasicAuth(l.user, l.password)
	}
	return nil
}
