package ticketfile

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// MaxCutFiles is what all cut files of a job may have together, in bytes.
const MaxCutFiles = 3 << 20

// CutError is what is wrong with a cut file that an item names.
type CutError struct {
	Field   string // such as items[0].cut.uri
	Problem string
}

// Error returns one line.
func (e *CutError) Error() string { return e.Field + ": " + e.Problem }

// CutErrors is everything that is wrong with the cut files of a job.
type CutErrors []*CutError

// Error returns one line for each.
func (e CutErrors) Error() string {
	lines := make([]string, len(e))
	for i, one := range e {
		lines[i] = one.Error()
	}
	return strings.Join(lines, "\n")
}

// Roots are the folders below which cut files are read.
type Roots struct{ roots []*root }

type root struct {
	names []string // absolute, as given and with links resolved
	dir   *os.Root
}

// OpenRoots opens the folders. Names that are relative are looked up in each, the first one first.
func OpenRoots(folders ...string) (*Roots, error) {
	r := &Roots{}
	for _, folder := range folders {
		name, err := filepath.Abs(folder)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("folder of cut files %s: %w", folder, err), r.Close())
		}
		dir, err := os.OpenRoot(name)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("folder of cut files: %w", err), r.Close())
		}
		one := &root{names: []string{name}, dir: dir}
		if resolved, err := filepath.EvalSymlinks(name); err == nil && resolved != name {
			one.names = append(one.names, resolved)
		}
		r.roots = append(r.roots, one)
	}
	return r, nil
}

// Close lets the folders go.
func (r *Roots) Close() error {
	var errs []error
	for _, one := range r.roots {
		errs = append(errs, one.dir.Close())
	}
	return errors.Join(errs...)
}

// CutFiles is what was found of a job's cut files.
type CutFiles struct {
	// Files to send with the job.
	Files []*tandemv1.CutFile
	// Notes tell of those that are not sent, and why that is no error.
	Notes []string
	// Absent is how many are named and are not there, or are empty: they may still come.
	Absent int
	// Stamp changes when one of the files does.
	Stamp string
}

// CutFiles reads the cut files that the items of a job name, each once. Those that lie elsewhere by their name (on another
// computer, or outside of the folders by an absolute path) are left to the devices and noted. A file that is not there is
// an error, unless the ticket gives the figures of its contour. Errors are of type CutErrors.
func (r *Roots) CutFiles(job *tandemv1.Job) (CutFiles, error) {
	found := CutFiles{}
	var problems CutErrors
	sums := map[string]string{}
	size := 0
	for i, item := range job.GetItems() {
		uri := item.GetCut().GetUri()
		if uri == "" {
			continue
		}
		field := fmt.Sprintf("items[%d].cut.uri", i)
		sum, known := sums[uri]
		if !known {
			data, stamp, err := r.read(uri)
			found.Stamp += uri + " " + stamp + "\n"
			switch {
			case errors.Is(err, errElsewhere):
				found.Notes = append(found.Notes, field+": "+yamlfile.Quote(uri)+" "+err.Error()+": not read; its contour is not known from it")
				continue
			case errors.Is(err, fs.ErrNotExist):
				found.Absent++
				if item.GetContour() == nil {
					problems = append(problems, &CutError{field, yamlfile.Quote(uri) + " is not there: put the file where the ticket names it, or leave the name out"})
				} else {
					found.Notes = append(found.Notes, field+": "+yamlfile.Quote(uri)+" is not there: the ticket's own figures of the contour count")
				}
				continue
			case err != nil:
				problems = append(problems, &CutError{field, yamlfile.Quote(uri) + " " + err.Error()})
				continue
			}
			digest := sha256.Sum256(data)
			sum = hex.EncodeToString(digest[:])
			sums[uri] = sum
			if size += len(data); size > MaxCutFiles {
				problems = append(problems, &CutError{"items", fmt.Sprintf("have cut files of more than %d bytes together: simplify the contours or make more jobs", MaxCutFiles)})
				return found, problems
			}
			found.Files = append(found.Files, &tandemv1.CutFile{Uri: uri, Content: data})
		}
		if want := item.GetCut().GetSha256(); want != "" && !strings.EqualFold(want, sum) {
			problems = append(problems, &CutError{
				fmt.Sprintf("items[%d].cut.sha256", i),
				fmt.Sprintf("is %s, but the file %s has %s: it was changed since, or it is another file", yamlfile.Quote(want), yamlfile.Quote(uri), sum),
			})
		}
	}
	if len(problems) > 0 {
		return found, problems
	}
	return found, nil
}

// errElsewhere is about a name that leads to no folder of ours, and is not meant to.
var errElsewhere = errors.New("lies elsewhere")

// read reads the file that a uri names, and tells by what it can be seen to change.
func (r *Roots) read(uri string) (data []byte, stamp string, err error) {
	names, absolute, err := localNames(uri)
	if err != nil {
		return nil, "", err
	}
	if absolute {
		for _, name := range names {
			for _, one := range r.roots {
				if inside, ok := one.inside(name); ok {
					return one.read(inside)
				}
			}
		}
		return nil, "", fmt.Errorf("%w, outside of the folders of cut files", errElsewhere)
	}
	for _, name := range names {
		if !filepath.IsLocal(name) {
			return nil, "", errors.New("leads out of the folder: name a file in it")
		}
		for _, one := range r.roots {
			data, stamp, err = one.read(name)
			if !errors.Is(err, fs.ErrNotExist) {
				return data, stamp, err
			}
		}
	}
	return nil, "", fs.ErrNotExist
}

// localNames returns the names of files that a uri may mean on this computer.
func localNames(uri string) (names []string, absolute bool, err error) {
	scheme, rest, found := strings.Cut(uri, ":")
	switch {
	case !found || strings.ContainsAny(scheme, `/\`): // a plain name or a relative reference
	case len(scheme) == 1 && runtime.GOOS == "windows": // C:\...
	case strings.EqualFold(scheme, "file"):
		return fileURL(uri, rest)
	case len(scheme) > 1 && strings.Trim(strings.ToLower(scheme), "abcdefghijklmnopqrstuvwxyz0123456789+-.") == "":
		return nil, false, fmt.Errorf("%w, by the scheme %s", errElsewhere, strings.ToLower(scheme))
	}
	names = []string{filepath.FromSlash(uri)}
	if decoded, err := url.PathUnescape(uri); err == nil && decoded != uri {
		names = append(names, filepath.FromSlash(decoded))
	}
	for _, name := range names {
		if strings.ContainsRune(name, 0) {
			return nil, false, errors.New("holds a zero byte: name a file")
		}
	}
	return names, filepath.IsAbs(names[0]) || strings.HasPrefix(uri, "/"), nil
}

// fileURL returns the name that a file: URI (RFC 8089) means; file:gull.svg, though not of that RFC, is a relative one.
func fileURL(uri, rest string) (names []string, absolute bool, err error) {
	host := ""
	if after, ok := strings.CutPrefix(rest, "//"); ok {
		host, rest, _ = strings.Cut(after, "/")
		rest = "/" + rest
	}
	decoded, err := url.PathUnescape(rest)
	if err != nil || strings.ContainsRune(decoded, 0) {
		return nil, false, errors.New("is not a file: URI: write % as %25")
	}
	absolute = strings.HasPrefix(decoded, "/")
	switch {
	case host != "" && !strings.EqualFold(host, "localhost"):
		if runtime.GOOS != "windows" {
			return nil, false, fmt.Errorf("%w, on the computer %s", errElsewhere, yamlfile.Quote(host))
		}
		decoded = "//" + host + decoded
	case runtime.GOOS == "windows" && len(decoded) > 2 && decoded[0] == '/' && decoded[2] == ':':
		decoded = decoded[1:]
	}
	return []string{filepath.FromSlash(decoded)}, absolute, nil
}

// inside turns an absolute name into one below the root.
func (r *root) inside(name string) (string, bool) {
	for _, base := range r.names {
		rel, err := filepath.Rel(base, filepath.Clean(name))
		if err == nil && filepath.IsLocal(rel) {
			return rel, true
		}
	}
	return "", false
}

// read reads a file below the root. Links are followed as long as they stay below it.
func (r *root) read(name string) ([]byte, string, error) {
	info, err := r.dir.Stat(name)
	switch {
	case err != nil && isEscape(r.dir, name, err):
		return nil, "", errors.New("leads out of the folder by a link: put the file itself there")
	case errors.Is(err, fs.ErrNotExist):
		return nil, "", fs.ErrNotExist
	case err != nil:
		return nil, "", fmt.Errorf("cannot be read: %w", err)
	case !info.Mode().IsRegular():
		return nil, "", errors.New("is not a file")
	case info.Size() == 0:
		return nil, "", fs.ErrNotExist // made, and not written yet
	case info.Size() > MaxCutFiles:
		return nil, "", fmt.Errorf("has %d bytes, at most %d are taken", info.Size(), MaxCutFiles)
	}
	f, err := r.dir.Open(name)
	if err != nil {
		return nil, "", fmt.Errorf("cannot be read: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, MaxCutFiles+1))
	if err != nil {
		return nil, "", fmt.Errorf("cannot be read: %w", err)
	}
	return data, fmt.Sprintf("%d %d", info.Size(), info.ModTime().UnixNano()), nil
}

// isEscape says whether a name could not be followed because of where it leads: package os does not say it in a way that
// can be asked for, so a name that is there, and neither missing nor forbidden beyond, is one.
func isEscape(dir *os.Root, name string, err error) bool {
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission) {
		return false
	}
	for at := name; at != "." && at != string(filepath.Separator); at = filepath.Dir(at) {
		if info, err := dir.Lstat(at); err == nil {
			return info.Mode()&fs.ModeSymlink != 0
		}
	}
	return false
}
