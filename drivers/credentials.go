package drivers

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"tandem/proto/yamlfile"
)

const (
	longestCredentials = 64 << 10 // bytes of a file
	longestSecret      = 1024
)

// ReadCredentials reads what must not stand in a floor file, which many may read: lines of NAME: VALUE, where a value is
// everything up to the end of the line without the blanks around it; empty lines and lines that begin with # count for
// nothing. Names that are not known are refused. Nobody but its owner may be able to read the file.
func ReadCredentials(path string, known ...string) (map[string]string, error) {
	out, err := readCredentials(path, known)
	if err != nil {
		return nil, fmt.Errorf("read credentials %s: %w", path, err)
	}
	return out, nil
}

func readCredentials(path string, known []string) (map[string]string, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	// Windows has no such mode: there the folder's access list protects the file.
	if runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0 {
		return nil, fmt.Errorf("other users can read it (mode %04o): run chmod 600 on it", info.Mode().Perm())
	}
	body, err := io.ReadAll(io.LimitReader(f, longestCredentials+1))
	if err != nil {
		return nil, err
	}
	if len(body) > longestCredentials {
		return nil, fmt.Errorf("it has more than %d bytes and is no such file", longestCredentials)
	}
	return parseCredentials(string(body), known)
}

// parseCredentials never repeats a value in its errors.
func parseCredentials(text string, known []string) (map[string]string, error) {
	out := map[string]string{}
	n := 0
	for line := range strings.Lines(text) {
		n++
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		name, value, ok := strings.Cut(line, ":")
		name, value = strings.TrimSpace(name), strings.TrimSpace(value)
		if !ok || !ValidID(name) {
			return nil, fmt.Errorf("line %d is not NAME: VALUE, where NAME is one of %s", n, strings.Join(known, ", "))
		}
		if !slices.Contains(known, name) {
			if near := yamlfile.Nearest(name, known); near != "" {
				return nil, fmt.Errorf("line %d: %q is not known; did you mean %q?", n, name, near)
			}
			return nil, fmt.Errorf("line %d: %q is not known; there are %s", n, name, strings.Join(known, ", "))
		}
		if _, twice := out[name]; twice {
			return nil, fmt.Errorf("line %d: %s is given twice; keep one", n, name)
		}
		if value == "" || len(value) > longestSecret {
			return nil, fmt.Errorf("line %d: %s has %d bytes; give 1 to %d", n, name, len(value), longestSecret)
		}
		out[name] = value
	}
	return out, nil
}

// CredentialsPath returns a setting that names a file of credentials; empty: none. Its path is absolute, since a driver may
// run in another working folder than the daemon.
func (v *Values) CredentialsPath(name string) string {
	path := v.String(name)
	if path != "" && !filepath.IsAbs(path) {
		v.Fail(name, "give the file's absolute path")
	}
	return path
}
