package folder

import (
	"fmt"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	driverv1 "tandem/proto/tandem/driver/v1"
)

// longestName is the greatest length of a name that is dropped, in bytes: well below the 255 of file systems, so that
// other software can add to it.
const longestName = 150

// placeholders are what a pattern may name, in braces.
var placeholders = []string{"job", "step", "run", "panel", "device", "file", "base", "ext", "name", "stem"}

// expand puts values into a pattern. Its error names the pattern's fault and the remedy.
func expand(pattern string, value func(placeholder string) string) (string, error) {
	var out strings.Builder
	for rest := pattern; rest != ""; {
		text, after, found := strings.Cut(rest, "{")
		if strings.Contains(text, "}") {
			return "", fmt.Errorf("%q has a } without its {", pattern)
		}
		out.WriteString(text)
		if !found {
			break
		}
		name, after, closed := strings.Cut(after, "}")
		if !closed || !slices.Contains(placeholders, name) {
			return "", fmt.Errorf("%q: write {%s}", pattern, strings.Join(placeholders, "}, {"))
		}
		out.WriteString(value(name))
		rest = after
	}
	return out.String(), nil
}

// values are those of the placeholders for a run. A value never leads into another folder.
func values(device string, g *driverv1.Grant, file string) func(string) string {
	panel := g.GetRun()
	if codes := g.GetPanelCodes(); len(codes) > 0 {
		panel = codes[0]
	}
	ext := path.Ext(file)
	return func(placeholder string) string {
		switch placeholder {
		case "job":
			return g.GetJob()
		case "step":
			return g.GetStep()
		case "run":
			return g.GetRun()
		case "panel":
			return clean(panel)
		case "device":
			return device
		case "file":
			return clean(file)
		case "base":
			return clean(strings.TrimSuffix(file, ext))
		case "ext":
			return clean(ext)
		}
		return ""
	}
}

// clean replaces what is not allowed in a name on Windows or would lead elsewhere (Microsoft, "Naming Files, Paths, and
// Namespaces": reserved characters, and control characters).
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case strings.ContainsRune(`<>:"/\|?*`, r), unicode.IsControl(r), r == utf8.RuneError, r == '{', r == '}':
			return '_'
		}
		return r
	}, s)
}

// safeName makes a name of what a pattern gave, that every system takes: no reserved characters, no dot or blank at either
// end, none of the names that Windows keeps for devices whatever their extension, and not too long.
func safeName(s string) string {
	s = strings.TrimLeft(strings.TrimRight(clean(s), ". "), " ")
	ext := path.Ext(s)
	if len(ext) > 20 {
		ext = ""
	}
	stem := strings.TrimSuffix(s, ext)
	if most := longestName - len(ext); len(stem) > most {
		for most > 0 && !utf8.RuneStart(stem[most]) {
			most--
		}
		stem = stem[:most]
	}
	stem = strings.TrimRight(stem, ". ")
	if first, _, _ := strings.Cut(stem, "."); stem == "" || reserved(strings.TrimRight(first, " ")) {
		stem = "_" + stem
	}
	if strings.HasPrefix(stem, ".") { // hidden, and like our own temporary names
		stem = "_" + stem
	}
	return stem + ext
}

// reserved says whether Windows keeps a name for a device (same source as clean: CON, PRN, AUX, NUL, COM and LPT with a
// digit, superscript ones too).
func reserved(s string) bool {
	s = strings.ToUpper(s)
	if slices.Contains([]string{"CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"}, s) {
		return true
	}
	for _, port := range []string{"COM", "LPT"} {
		if digit, ok := strings.CutPrefix(s, port); ok && utf8.RuneCountInString(digit) == 1 && strings.Contains("0123456789¹²³", digit) {
			return true
		}
	}
	return false
}

// sign is a pattern of files that say something, for one run.
type sign struct {
	Dir  string `json:"dir"`  // absolute
	Name string `json:"name"` // a pattern of path.Match, in lower case
}

// newSign expands a pattern such as done/{stem}*.txt; what is not absolute is below the drop folder.
func newSign(pattern, folder string, value func(string) string) (*sign, error) {
	if pattern == "" {
		return nil, nil
	}
	dir, name := path.Split(strings.ReplaceAll(pattern, `\`, "/"))
	name, err := expand(name, func(placeholder string) string { return literal(value(placeholder)) })
	if err != nil {
		return nil, err
	}
	if _, err := path.Match(name, ""); err != nil || name == "" {
		return nil, fmt.Errorf("%q: write the name of a file, with * for any text and ? for one letter", pattern)
	}
	if strings.ContainsAny(dir, "{}*?") {
		return nil, fmt.Errorf("%q: placeholders and * belong into the name, not into its folder", pattern)
	}
	dir = filepath.FromSlash(dir)
	if !filepath.IsAbs(dir) {
		dir = filepath.Join(folder, dir)
	}
	return &sign{Dir: filepath.Clean(dir), Name: strings.ToLower(name)}, nil
}

// literal keeps what path.Match would take for a pattern from being one.
func literal(s string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`, `]`, `\]`).Replace(s)
}

// matches says whether a file's name is the sign. Shares do not agree on upper and lower case, so it does not count.
func (s *sign) matches(name string) bool {
	ok, err := path.Match(s.Name, strings.ToLower(name))
	return ok && err == nil
}
