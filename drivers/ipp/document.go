package ipp

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"net/url"
	"os"
	"path"
	"path/filepath"
	"strings"
	"sync/atomic"

	tandemv1 "tandem/proto/tandem/v1"
)

// document is something to print. It can be opened more than once.
type document interface {
	name() string
	format() string // MIME media type
	size() int64
	open() (io.ReadCloser, error)
}

var (
	// errMismatch says that a file is not the one that was ordered.
	errMismatch = errors.New("the file is not the one of the ticket")
	// errAccess says that there is no such file, or none that can be read.
	errAccess = errors.New("the file cannot be read")
)

// formats are the media types of file names, for printers that want to be told. Sources: the IANA registry of media types,
// PWG 5102.4 for raster.
var formats = map[string]string{
	".pdf": "application/pdf", ".ps": "application/postscript", ".pwg": "image/pwg-raster", ".urf": "image/urf",
	".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".png": "image/png", ".tif": "image/tiff", ".tiff": "image/tiff", ".txt": "text/plain",
}

// unknownFormat leaves it to the printer to find out (RFC 8011 section 5.1.10).
const unknownFormat = "application/octet-stream"

// file is a document that lies in a file.
type file struct {
	path   string
	folder string // it must lie there; empty: anywhere
	sum    string // SHA-256, hexadecimal; empty: not checked
	mime   string
	length int64
	read   *atomic.Int64 // bytes handed out, for those who watch
	seen   os.FileInfo   // as it was when its bytes were checked; nil: not yet
}

// locate finds the file of a document and its size. It does not read it.
func (s *settings) locate(d *tandemv1.Document) (*file, error) {
	where, err := filePath(d.GetUri())
	if err != nil {
		return nil, fmt.Errorf("%w: documents.uri is %.200q: %w", errAccess, d.GetUri(), err)
	}
	f := &file{path: where, folder: s.documents, sum: d.GetSha256(), mime: s.format, read: new(atomic.Int64)}
	if f.mime == "" {
		f.mime = formats[strings.ToLower(filepath.Ext(where))]
	}
	if f.mime == "" {
		f.mime = unknownFormat
	}
	if f.folder != "" && filepath.IsAbs(where) {
		if f.path, err = filepath.Rel(f.folder, where); err != nil {
			return nil, fmt.Errorf("%w: documents.uri is %.200q: it does not lie in the folder of the setting documents: %w", errAccess, d.GetUri(), err)
		}
	} else if f.folder == "" && !filepath.IsAbs(where) {
		return nil, fmt.Errorf("%w: documents.uri is %.200q: give a whole path, or set the setting documents to the folder where files lie", errAccess, d.GetUri())
	}
	opened, err := f.raw()
	if err != nil {
		return nil, err
	}
	defer opened.Close()
	info, err := opened.Stat()
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errAccess, err)
	}
	if info.Size() == 0 {
		return nil, fmt.Errorf("%w: %s is empty", errAccess, where)
	}
	f.length = info.Size()
	return f, nil
}

// filePath reads a path, or a URI of a file (RFC 8089).
func filePath(uri string) (string, error) {
	if uri == "" {
		return "", errors.New("it is missing: name a file")
	}
	scheme, rest, ok := strings.Cut(uri, ":")
	switch {
	case !ok || len(scheme) == 1: // a path, or one that begins with a drive letter
		return filepath.FromSlash(uri), nil
	case strings.ToLower(scheme) != "file":
		return "", errors.New("this driver reads files: give a path or file:///path, and copy what lies elsewhere")
	case !strings.HasPrefix(rest, "//"):
		p, err := url.PathUnescape(rest)
		return filepath.FromSlash(p), err
	}
	u, err := url.Parse(uri)
	if err != nil {
		return "", err
	}
	if u.Host != "" && u.Host != "localhost" {
		return "", errors.New("the file lies on another computer: mount its folder and give the path there")
	}
	return filepath.FromSlash(u.Path), nil
}

func (f *file) name() string   { return path.Base(filepath.ToSlash(f.path)) }
func (f *file) format() string { return f.mime }
func (f *file) size() int64    { return f.length }

// raw opens the file. One that must lie in a folder cannot lead out of it, by no link either.
func (f *file) raw() (*os.File, error) {
	open, stat := os.Open, os.Stat
	if f.folder != "" {
		root, err := os.OpenRoot(f.folder)
		if err != nil {
			return nil, fmt.Errorf("%w: setting documents: %w", errAccess, err)
		}
		defer root.Close()
		open, stat = root.Open, root.Stat
	}
	if info, err := stat(f.path); err == nil && !info.Mode().IsRegular() { // to open a pipe waits for its other end
		return nil, fmt.Errorf("%w: %s is no plain file", errAccess, f.path)
	}
	opened, err := open(f.path)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errAccess, err)
	}
	return opened, nil
}

// check reads the file and compares it with what was ordered.
func (f *file) check(ctx context.Context) error {
	if f.sum == "" {
		return nil
	}
	in, err := f.open()
	if err != nil {
		return err
	}
	defer in.Close()
	seen, err := in.(*checked).in.Stat()
	if err != nil {
		return fmt.Errorf("%w: %w", errAccess, err)
	}
	buffer := make([]byte, 256<<10)
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		switch _, err := in.Read(buffer); {
		case errors.Is(err, io.EOF):
			f.read.Store(0)
			f.seen = seen
			return nil
		case err != nil:
			return err
		}
	}
}

func (f *file) open() (io.ReadCloser, error) {
	in, err := f.raw()
	if err != nil {
		return nil, err
	}
	if f.seen != nil {
		// Some printers begin before they have the last bytes, so that what checked keeps back would come too late.
		if info, err := in.Stat(); err != nil || !os.SameFile(info, f.seen) || info.Size() != f.seen.Size() || !info.ModTime().Equal(f.seen.ModTime()) {
			_ = in.Close()
			return nil, fmt.Errorf("%w: the file %s was changed or replaced since it was checked: hand in the right file", errMismatch, f.path)
		}
	}
	f.read.Store(0)
	return &checked{in: in, file: f, hash: sha256.New()}, nil
}

// checked reads a file and keeps its last bytes back unless all of them are those that were ordered: a file that is changed
// while it is being sent never arrives whole.
type checked struct {
	in   *os.File
	file *file
	hash hash.Hash
	got  int64
}

func (c *checked) Read(p []byte) (int, error) {
	if c.got == c.file.length {
		return 0, io.EOF
	}
	n, err := c.in.Read(p[:min(int64(len(p)), c.file.length-c.got)])
	c.hash.Write(p[:n])
	c.got += int64(n)
	switch {
	case c.got == c.file.length:
		if is := hex.EncodeToString(c.hash.Sum(nil)); c.file.sum != "" && is != c.file.sum {
			return 0, fmt.Errorf("%w: documents.sha256 is %s, the file %s has %s: hand in the right file", errMismatch, c.file.sum, c.file.path, is)
		}
		err = nil
	case errors.Is(err, io.EOF):
		return 0, fmt.Errorf("%w: the file %s has become shorter", errMismatch, c.file.path)
	}
	c.file.read.Store(c.got)
	return n, err
}

func (c *checked) Close() error { return c.in.Close() }
