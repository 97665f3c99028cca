package tandem_test

import (
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// TestArrowsCatchPlanted plants one file at a time in an empty tree: a rule that never fires guards nothing.
func TestArrowsCatchPlanted(t *testing.T) {
	const unknown = ": no import rule covers this folder: add one to arrows_test.go"
	const apart = ": api, bus and ledger do not know one another; tandemd wires them"
	const clients = ": clients know only proto, speak gRPC and leave the log to the daemon"
	const clock = ": time enters the scheduler as an argument"
	for _, test := range []struct {
		name, file, source string
		want               []string // without the file name
	}{
		// The arrows between folders.
		{"proto imports the scheduler", "proto/a.go", `import _ "tandem/scheduler/floor"`, []string{":3: imports tandem/scheduler/floor: proto holds contracts and imports nothing else of ours"}},
		{"scheduler imports a driver", "scheduler/floor/a.go", `import _ "tandem/drivers/sim"`, []string{":3: imports tandem/drivers/sim: the scheduler knows only proto"}},
		{"scheduler test imports the daemon", "scheduler/a_test.go", `import _ "tandem/daemon/engine"`, []string{":3: imports tandem/daemon/engine: the scheduler knows only proto"}},
		{"driver imports the floor", "drivers/ipp/a.go", `import _ "tandem/scheduler/floor"`, []string{":3: imports tandem/scheduler/floor: drivers know only proto"}},
		{"driver imports durations", "drivers/ipp/a.go", `import _ "tandem/scheduler/duration"`, []string{":3: imports tandem/scheduler/duration: drivers know only proto"}},
		{"simulated driver imports durations", "drivers/sim/a.go", `import _ "tandem/scheduler/duration"`, nil},
		{"simulated driver imports the floor", "drivers/sim/a.go", `import _ "tandem/scheduler/floor"`, []string{":3: imports tandem/scheduler/floor: simulated drivers know only proto and scheduler/duration"}},
		{"a like-named folder is not the exception", "drivers/simple/a.go", `import _ "tandem/scheduler/duration"`, []string{":3: imports tandem/scheduler/duration: drivers know only proto"}},
		{"engine imports ledger, scheduler and drivers", "daemon/engine/a.go", "import _ \"tandem/daemon/ledger\"\nimport _ \"tandem/scheduler/floor\"\nimport _ \"tandem/drivers\"", nil},
		{"daemon imports a client", "daemon/engine/a.go", `import _ "tandem/clients/board"`, []string{":3: imports tandem/clients/board: the daemon serves clients, it does not know them"}},
		{"api imports ledger", "daemon/api/a.go", `import _ "tandem/daemon/ledger"`, []string{":3: imports tandem/daemon/ledger" + apart}},
		{"bus imports api", "daemon/bus/sub/a.go", `import _ "tandem/daemon/api"`, []string{":3: imports tandem/daemon/api" + apart}},
		{"ledger test imports bus", "daemon/ledger/a_test.go", `import _ "tandem/daemon/bus"`, []string{":3: imports tandem/daemon/bus" + apart}},
		{"main imports all", "daemon/tandemd/a.go", "import _ \"tandem/daemon/api\"\nimport _ \"tandem/daemon/bus\"\nimport _ \"tandem/clients/board\"", nil},
		{"client imports the daemon", "clients/tandem/a.go", `import _ "tandem/daemon/api"`, []string{":3: imports tandem/daemon/api" + clients}},
		{"client speaks NATS", "clients/tandem/a.go", `import _ "github.com/nats-io/nats.go"`, []string{":3: imports github.com/nats-io/nats.go" + clients}},
		{"folder without a rule", "common/a.go", "", []string{unknown}},
		{"other system's file", "clients/tandem/a_windows.go", `import _ "tandem/drivers"`, []string{":3: imports tandem/drivers" + clients}},

		// What the scheduler may not touch.
		{"no IO", "scheduler/a.go", "import _ \"os/exec\"\nimport _ \"net\"", []string{":3: imports os/exec: the scheduler does no IO", ":4: imports net: the scheduler does no IO"}},
		{"the command that measures may count time", "scheduler/plan/bench/a.go", "import (\n_ \"os\"\n_ \"syscall\"\n)", nil},
		{"the command that measures knows no driver", "scheduler/plan/bench/a.go", `import _ "tandem/drivers/sim"`, []string{":3: imports tandem/drivers/sim: the scheduler knows only proto"}},
		{"a search may not", "scheduler/plan/order/a.go", `import _ "syscall"`, []string{":3: imports syscall: the scheduler does no IO"}},
		{"no chance", "scheduler/simulate/a.go", `import _ "math/rand/v2"`, []string{":3: imports math/rand/v2: chance enters the scheduler as an argument"}},
		{"no locks", "scheduler/floor/a.go", `import _ "sync/atomic"`, []string{":3: imports sync/atomic: the scheduler is single-threaded"}},
		{"no log", "scheduler/floor/a.go", `import _ "log/slog"`, []string{":3: imports log/slog: the scheduler returns values"}},
		{"no foreign module", "scheduler/a.go", "import _ \"google.golang.org/protobuf/proto\"\nimport _ \"google.golang.org/grpc\"", []string{":4: imports google.golang.org/grpc: the scheduler uses the standard library and protobuf only"}},
		{"reads the clock", "scheduler/a.go", "import \"time\"\nvar t = time.Now()", []string{":4: uses time.Now" + clock}},
		{"passes the clock on", "scheduler/a.go", "import clock \"time\"\nvar now = clock.Now", []string{":4: uses time.Now" + clock}},
		{"waits under a deadline", "scheduler/a.go", "import \"context\"\nvar with = context.WithTimeout", []string{":4: uses context.WithTimeout" + clock}},
		{"hides the clock", "scheduler/a.go", `import . "time"`, []string{":3: imports time by dot: its clock would go unseen"}},
		{"compares times", "scheduler/a.go", "import \"time\"\nfunc late(a, b time.Time) bool { return a.After(b) }", nil},
		{"starts a goroutine", "scheduler/a.go", "func f() { go f() }", []string{":3: starts a goroutine: the scheduler is single-threaded"}},
		{"a test may do all that", "scheduler/a_test.go", "import \"os\"\nimport \"time\"\nfunc f() { go f(); os.Exit(time.Now().Second()) }", nil},

		// What is not ours to judge.
		{"test data", "scheduler/testdata/a.go", `import _ "os"`, nil},
		{"another module", "scheduler/tools/a.go", `import _ "os"`, nil},
	} {
		t.Run(test.name, func(t *testing.T) {
			root := t.TempDir()
			plant(t, root, "scheduler/tools/go.mod", "module tools\n")
			plant(t, root, test.file, "package a\n\n"+test.source+"\n")
			got, _, err := violations(os.DirFS(root))
			if err != nil {
				t.Fatal(err)
			}
			for i := range test.want {
				test.want[i] = test.file + test.want[i]
			}
			if !slices.Equal(got, test.want) {
				t.Errorf("got  %q\nwant %q", got, test.want)
			}
		})
	}
}

func TestArrowsReportUnreadable(t *testing.T) {
	root := t.TempDir()
	plant(t, root, "proto/a.go", "not Go")
	if _, _, err := violations(os.DirFS(root)); err == nil {
		t.Error("a file that is not Go gave no error")
	}
}

func plant(t *testing.T, root, file, source string) {
	t.Helper()
	name := filepath.Join(root, filepath.FromSlash(file))
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(source), 0o600); err != nil {
		t.Fatal(err)
	}
}
