package filejob

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"strings"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// MaxFile is the greatest size of a file that is handed over, in bytes.
const MaxFile = 256 << 20

// Why a run cannot begin. A device that is stopped for one of these is looked at again now and then, and idle once the
// reason is gone; then somebody starts the run anew.
const (
	ReasonMissing    = "x-file-missing-error"    // the grant names no file, or it is not there
	ReasonMismatch   = "x-file-mismatch-error"   // its hash is not the one that belongs to the panel
	ReasonUnhashed   = "x-file-unhashed-error"   // the grant does not say which hash it has
	ReasonSeveral    = "x-file-several-error"    // the grant names several, and the device takes one
	ReasonUnreadable = "x-file-unreadable-error" // it is there and cannot be read
	ReasonMemory     = "x-memory-error"          // nothing can be kept, so a run that was begun would be forgotten
)

// Trouble is an error with the reason that a status gives for it.
type Trouble struct {
	Reason string
	Err    error
}

func (t *Trouble) Error() string { return t.Err.Error() }

// Unwrap returns what is wrong.
func (t *Trouble) Unwrap() error { return t.Err }

func trouble(reason, format string, args ...any) *Trouble {
	return &Trouble{reason, fmt.Errorf(format, args...)}
}

// Files is where the files of runs lie.
type Files struct {
	// Folders are searched in this order.
	Folders []string
	// Role is that of the documents that are handed over.
	Role string
	// Several allows more than one: they are handed over in the order of the grant, one behind the other.
	Several bool
	// Rehearsal is for a device that does not exist: a grant without a document is an empty file.
	Rehearsal bool
}

// FileSettings are the settings that NewFiles reads.
func FileSettings() []drivers.Setting {
	return []drivers.Setting{
		{Name: "files", Help: "folders in which the files of runs lie, with commas; each from the root of the file system"},
		{Name: "role", Default: "cut", Help: "role of the ticket's document that is handed over"},
	}
}

// ReadFiles reads FileSettings.
func ReadFiles(v *drivers.Values, rehearsal bool) Files {
	f := Files{Folders: v.List("files"), Role: v.String("role"), Rehearsal: rehearsal}
	if len(f.Folders) == 0 && !rehearsal {
		v.Fail("files", "name the folder in which the files of runs lie, such as /srv/tandem/cut")
	}
	for _, folder := range f.Folders {
		if !filepath.IsAbs(folder) {
			v.Fail("files", fmt.Sprintf("%q depends on where the daemon is started: name it from the root of the file system", folder))
			break
		}
	}
	if !drivers.ValidID(f.Role) {
		v.Fail("role", "write the role of a document, such as cut: 1 to 63 lower-case letters, digits and dashes")
	}
	return f
}

// File is what is handed over: the bytes whose hash was taken.
type File struct {
	Name string // the last part of its URI
	Sum  string // of all bytes, 64 hexadecimal digits
	Body []byte
}

// Read reads the file of a grant and checks its hash. Its error is a *Trouble, or that of ctx.
func (f Files) Read(ctx context.Context, g *driverv1.Grant) (*File, error) {
	var docs []*tandemv1.Document
	known := map[string]bool{}
	for _, d := range g.GetDocuments() {
		if d.GetRole() != f.Role {
			continue
		}
		if len(d.GetSha256()) != 2*sha256.Size {
			return nil, trouble(ReasonUnhashed, "%s file %q of run %s has no SHA-256: without it nobody knows that it belongs to the panel; hand the ticket in with it",
				f.Role, d.GetUri(), g.GetRun())
		}
		if !known[d.GetSha256()] {
			known[d.GetSha256()] = true
			docs = append(docs, d)
		}
	}
	switch {
	case len(docs) == 0 && f.Rehearsal:
		empty := sha256.Sum256(nil)
		return &File{Name: "rehearsal", Sum: hex.EncodeToString(empty[:])}, nil
	case len(docs) == 0:
		return nil, trouble(ReasonMissing, "run %s names no document with the role %s: hand the ticket in with it, or set role", g.GetRun(), f.Role)
	case len(docs) > 1 && !f.Several:
		return nil, trouble(ReasonSeveral, "run %s names %d files with the role %s, and this device takes one: lay them out as one file",
			g.GetRun(), len(docs), f.Role)
	}
	out := &File{Name: baseName(docs[0].GetUri())}
	for _, d := range docs {
		body, err := f.read(ctx, d, MaxFile-len(out.Body))
		if err != nil {
			return nil, err
		}
		if out.Body == nil {
			out.Body = body
		} else {
			out.Body = append(out.Body, body...)
		}
	}
	sum := sha256.Sum256(out.Body)
	out.Sum = hex.EncodeToString(sum[:])
	return out, nil
}

// read returns the bytes of a document, from the first place where there is a file with its hash.
func (f Files) read(ctx context.Context, d *tandemv1.Document, most int) ([]byte, error) {
	names, absolute, err := localNames(d.GetUri())
	if err != nil {
		return nil, trouble(ReasonMissing, "file %q: %w", d.GetUri(), err)
	}
	var wrong *Trouble
	looked := false
	for _, folder := range f.Folders {
		for _, name := range names {
			if absolute {
				if name, err = filepath.Rel(folder, filepath.Clean(name)); err != nil {
					continue
				}
			}
			if !filepath.IsLocal(name) {
				continue
			}
			looked = true
			body, err := readIn(ctx, folder, name, most)
			switch {
			case ctx.Err() != nil:
				return nil, ctx.Err()
			case errors.Is(err, fs.ErrNotExist):
				continue
			case err != nil:
				if wrong == nil {
					wrong = trouble(ReasonUnreadable, "file %q in %s cannot be read: %w", name, folder, err)
				}
				continue
			}
			sum := sha256.Sum256(body)
			if got := hex.EncodeToString(sum[:]); got != d.GetSha256() {
				wrong = trouble(ReasonMismatch, "file %q in %s has SHA-256 %s, and the panel's has %s: it was changed since the ticket came in, or it is another file; "+
					"put the right one there", name, folder, got, d.GetSha256())
				continue
			}
			return body, nil
		}
	}
	if wrong != nil {
		return nil, wrong
	}
	if !looked { // a file of that name in one of the folders would not help
		return nil, trouble(ReasonMissing, "file %q lies outside the folders %s, and nothing else is read: add its folder to the setting files, or hand the ticket in with a name below one of them",
			d.GetUri(), strings.Join(f.Folders, ", "))
	}
	return nil, trouble(ReasonMissing, "file %q is in none of the folders %s: put it there", d.GetUri(), strings.Join(f.Folders, ", "))
}

// readIn reads a file below a folder; links that lead out of it are not followed.
func readIn(ctx context.Context, folder, name string, most int) ([]byte, error) {
	root, err := os.OpenRoot(folder)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	info, err := root.Stat(name)
	switch {
	case err != nil:
		return nil, err
	case !info.Mode().IsRegular():
		return nil, errors.New("it is no plain file")
	case info.Size() > int64(most):
		return nil, fmt.Errorf("it has %d bytes, and at most %d are handed over", info.Size(), MaxFile)
	}
	file, err := root.Open(name)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	body := make([]byte, 0, info.Size()+1)
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		n, err := file.Read(body[len(body):min(cap(body), len(body)+1<<20)])
		body = body[:len(body)+n]
		switch {
		case errors.Is(err, io.EOF):
			return body, nil
		case err != nil:
			return nil, err
		case len(body) > int(info.Size()):
			return nil, errors.New("it grows while it is read: it is still being written")
		}
	}
}

// localNames returns the names of files that a URI may mean on this computer.
func localNames(uri string) (names []string, absolute bool, err error) {
	scheme, rest, found := strings.Cut(uri, ":")
	switch {
	case !found || strings.ContainsAny(scheme, `/\`): // a plain name
	case len(scheme) == 1 && runtime.GOOS == "windows": // C:\...
	case strings.EqualFold(scheme, "file"):
		if after, ok := strings.CutPrefix(rest, "//"); ok {
			var host string
			host, rest, _ = strings.Cut(after, "/")
			if host != "" && !strings.EqualFold(host, "localhost") {
				return nil, false, fmt.Errorf("it lies on the computer %q: put a copy into the folder of files", host)
			}
			rest = "/" + rest
		}
		decoded, err := url.PathUnescape(rest)
		if err != nil {
			return nil, false, errors.New("it is not a file: URI (RFC 8089): write % as %25")
		}
		if runtime.GOOS == "windows" && len(decoded) > 2 && decoded[0] == '/' && decoded[2] == ':' {
			decoded = decoded[1:]
		}
		name := filepath.FromSlash(decoded)
		return []string{name}, filepath.IsAbs(name), nil
	case len(scheme) > 1 && strings.Trim(strings.ToLower(scheme), "abcdefghijklmnopqrstuvwxyz0123456789+-.") == "":
		return nil, false, fmt.Errorf("a driver fetches nothing by %s: put a copy into the folder of files, and hand the ticket in with its name", strings.ToLower(scheme))
	}
	names = []string{filepath.FromSlash(uri)}
	if decoded, err := url.PathUnescape(uri); err == nil && decoded != uri {
		names = append(names, filepath.FromSlash(decoded))
	}
	return names, filepath.IsAbs(names[0]), nil
}

// baseName is the last part of a URI's path.
func baseName(uri string) string {
	if decoded, err := url.PathUnescape(uri); err == nil {
		uri = decoded
	}
	_, rest, ok := strings.Cut(uri, ":")
	if !ok {
		rest = uri
	}
	return path.Base(strings.ReplaceAll(rest, `\`, "/"))
}
