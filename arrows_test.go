// Package tandem_test holds the arrows of this module: which folder may import which, and what the scheduler may not
// touch so that the same input always gives the same answer. It reads the source itself rather than asking the go
// command, so that a cached test result never hides a new import. It cannot see an answer that depends on map order.
package tandem_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const module = "tandem"

// An arrow says what the Go files of one folder, and of all below it, may import. The longest matching folder holds.
type arrow struct {
	folder  string
	may     []string // folders of this module
	not     []string // exceptions to may
	foreign []string // import paths of others that are refused
	pure    bool     // see impure
	why     string
}

var arrows = []arrow{
	{
		folder: "proto", may: []string{"proto"},
		why: "proto holds contracts and imports nothing else of ours",
	},
	{
		folder: "scheduler", may: []string{"proto", "scheduler"}, pure: true,
		why: "the scheduler knows only proto",
	},
	{
		folder: "scheduler/plan/bench", may: []string{"proto", "scheduler"}, // a command: it opens files and counts processor time
		why: "the scheduler knows only proto",
	},
	{
		folder: "scheduler/plan/study", may: []string{"proto", "scheduler"},
		why: "a command that plays the scheduler and prints: it knows what the scheduler knows",
	},
	{
		folder: "drivers", may: []string{"proto", "drivers"},
		why: "drivers know only proto",
	},
	{
		folder: "drivers/sim", may: []string{"proto", "drivers", "scheduler/duration"},
		why: "simulated drivers know only proto and scheduler/duration",
	},
	{
		folder: "daemon", may: []string{"proto", "scheduler", "drivers", "daemon"},
		why: "the daemon serves clients, it does not know them",
	},
	{
		folder: "daemon/api", may: []string{"proto", "scheduler", "drivers", "daemon"},
		not: []string{"daemon/bus", "daemon/ledger"},
		why: "api, bus and ledger do not know one another; tandemd wires them",
	},
	{
		folder: "daemon/bus", may: []string{"proto", "scheduler", "drivers", "daemon"},
		not: []string{"daemon/api", "daemon/ledger"},
		why: "api, bus and ledger do not know one another; tandemd wires them",
	},
	{
		folder: "daemon/ledger", may: []string{"proto", "scheduler", "drivers", "daemon"},
		not: []string{"daemon/api", "daemon/bus"},
		why: "api, bus and ledger do not know one another; tandemd wires them",
	},
	{
		folder: "daemon/tandemd", may: []string{"proto", "scheduler", "drivers", "daemon", "clients"},
		why: "tandemd wires everything",
	},
	{
		folder: "clients", may: []string{"proto", "clients"},
		foreign: []string{"github.com/nats-io", "go.uber.org/zap"},
		why:     "clients know only proto, speak gRPC and leave the log to the daemon",
	},
}

// impureImports are refused in scheduler files other than tests, with the packages below them.
var impureImports = map[string]string{
	"crypto/rand":  "chance enters the scheduler as an argument",
	"hash/maphash": "its seed differs in every process",
	"io/ioutil":    "the scheduler does no IO",
	"log":          "the scheduler returns values",
	"math/rand":    "chance enters the scheduler as an argument",
	"net":          "the scheduler does no IO",
	"os":           "the scheduler does no IO",
	"sync":         "the scheduler is single-threaded",
	"syscall":      "the scheduler does no IO",
}

// clockNames are the functions through which a package reads or waits for the clock.
var clockNames = map[string][]string{
	"time":    {"Now", "Since", "Until", "After", "AfterFunc", "Sleep", "Tick", "NewTimer", "NewTicker"},
	"context": {"WithTimeout", "WithTimeoutCause", "WithDeadline", "WithDeadlineCause"},
}

func TestArrows(t *testing.T) {
	found, seen, err := violations(os.DirFS("."))
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range found {
		t.Error(v)
	}
	for _, a := range arrows {
		if seen[a.folder] == 0 {
			t.Errorf("the rule for %s guards no Go file: rename or remove it", a.folder)
		}
	}
}

// violations reads every Go file below root and returns one line for each broken rule, "file:line: what: why", and how
// many files each rule read. Folders that the go command ignores, and other modules, are left out.
func violations(root fs.FS) (found []string, seen map[string]int, err error) {
	seen = make(map[string]int)
	err = fs.WalkDir(root, ".", func(file string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if entry.IsDir() {
			if file != "." && ignored(root, file) {
				return fs.SkipDir
			}
			return nil
		}
		if path.Ext(file) != ".go" || path.Dir(file) == "." {
			return nil
		}
		rule, ok := ruleFor(file)
		if !ok {
			found = append(found, file+": no import rule covers this folder: add one to arrows_test.go")
			return nil
		}
		seen[rule.folder]++
		src, err := fs.ReadFile(root, file)
		if err != nil {
			return err
		}
		broken, err := rule.check(file, src)
		found = append(found, broken...)
		return err
	})
	return found, seen, err
}

func ignored(root fs.FS, folder string) bool {
	name := path.Base(folder)
	if name == "testdata" || name == "vendor" || strings.HasPrefix(name, ".") || strings.HasPrefix(name, "_") {
		return true
	}
	_, err := fs.Stat(root, path.Join(folder, "go.mod"))
	return err == nil
}

func ruleFor(file string) (best arrow, ok bool) {
	for _, a := range arrows {
		if within(file, a.folder) && len(a.folder) > len(best.folder) {
			best, ok = a, true
		}
	}
	return best, ok
}

func (a arrow) check(file string, src []byte) ([]string, error) {
	pure := a.pure && !strings.HasSuffix(file, "_test.go")
	mode := parser.ImportsOnly
	if pure {
		mode = parser.SkipObjectResolution
	}
	set := token.NewFileSet()
	parsed, err := parser.ParseFile(set, file, src, mode)
	if err != nil {
		return nil, err
	}
	var found []string
	report := func(at token.Pos, what, why string) {
		found = append(found, fmt.Sprintf("%s:%d: %s: %s", file, set.Position(at).Line, what, why))
	}
	for _, spec := range parsed.Imports {
		name, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			return nil, fmt.Errorf("%s: import %s: %w", file, spec.Path.Value, err)
		}
		if ours, ok := strings.CutPrefix(name, module+"/"); ok {
			if !withinAny(ours, a.may) || withinAny(ours, a.not) {
				report(spec.Pos(), "imports "+name, a.why)
			}
		} else if withinAny(name, a.foreign) {
			report(spec.Pos(), "imports "+name, a.why)
		} else if pure {
			impure(spec, name, report)
		}
	}
	if pure {
		readsClock(parsed, report)
	}
	return found, nil
}

// impure reports imports by which the clock, chance, IO or another goroutine could reach the scheduler, and modules of
// others except the one that its contracts are generated for.
func impure(spec *ast.ImportSpec, name string, report func(token.Pos, string, string)) {
	for refused, why := range impureImports {
		if within(name, refused) {
			report(spec.Pos(), "imports "+name, why)
		}
	}
	if first, _, _ := strings.Cut(name, "/"); strings.Contains(first, ".") && !within(name, "google.golang.org/protobuf") {
		report(spec.Pos(), "imports "+name, "the scheduler uses the standard library and protobuf only")
	}
	if clockNames[name] != nil && spec.Name != nil && spec.Name.Name == "." {
		report(spec.Pos(), "imports "+name+" by dot", "its clock would go unseen")
	}
}

// readsClock reports uses of the clock, whether called or passed on, and started goroutines.
func readsClock(file *ast.File, report func(token.Pos, string, string)) {
	local := make(map[string]string) // name in this file to import path
	for _, spec := range file.Imports {
		name, _ := strconv.Unquote(spec.Path.Value)
		if clockNames[name] == nil {
			continue
		}
		if spec.Name == nil {
			local[name] = name
		} else {
			local[spec.Name.Name] = name
		}
	}
	ast.Inspect(file, func(node ast.Node) bool {
		switch node := node.(type) {
		case *ast.GoStmt:
			report(node.Pos(), "starts a goroutine", "the scheduler is single-threaded")
		case *ast.SelectorExpr:
			x, ok := node.X.(*ast.Ident)
			if ok && slices.Contains(clockNames[local[x.Name]], node.Sel.Name) {
				report(node.Pos(), "uses "+local[x.Name]+"."+node.Sel.Name, "time enters the scheduler as an argument")
			}
		}
		return true
	})
}

func withinAny(name string, folders []string) bool {
	return slices.ContainsFunc(folders, func(folder string) bool { return within(name, folder) })
}

func within(name, folder string) bool {
	return name == folder || strings.HasPrefix(name, folder+"/")
}
