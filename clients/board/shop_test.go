package board

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/dial"
	tandemv1 "tandem/proto/tandem/v1"
)

// built is where the daemon is built; TestMain makes and removes it.
var built string

// build compiles the daemon as a shop would run it, once for all tests.
var build = sync.OnceValues(func() (string, error) {
	path := filepath.Join(built, "tandemd")
	command := exec.Command("go", "build", "-buildvcs=false", "-o", path, "tandem/daemon/tandemd")
	command.Stderr = os.Stderr
	return path, command.Run()
})

func TestMain(m *testing.M) {
	var err error
	if built, err = os.MkdirTemp("", "tandem-board-test-"); err != nil {
		panic(err)
	}
	code := m.Run()
	if oneBrowser.end != nil {
		oneBrowser.end()
	}
	_ = os.RemoveAll(built)
	os.Exit(code)
}

// shop is a real daemon with a board in front.
type shop struct {
	t                        testing.TB
	bin, data, floor, listen string
	scale                    string
	cmd                      *exec.Cmd
	conn                     *grpc.ClientConn
	api                      api
	url                      string
}

func newShop(t testing.TB, floor, scale string) *shop {
	t.Helper()
	bin, err := build()
	if err != nil {
		t.Fatal(err)
	}
	s := &shop{t: t, bin: bin, data: t.TempDir(), floor: floor, listen: freeAddress(t), scale: scale}
	s.start()
	t.Cleanup(s.kill)
	s.conn, err = dial.Open(dial.Config{Address: s.listen, UserAgent: "board-test"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.conn.Close() })
	s.api = apiOf(s.conn)
	s.serves()
	b, err := New(Config{Conn: s.conn, Zone: time.UTC})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s.url = "http://" + l.Addr().String()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- b.Serve(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) && !errors.Is(err, http.ErrServerClosed) {
			t.Errorf("the board ended with %v", err)
		}
	})
	until(t, "the board knows the floor", func() bool {
		known, _ := b.mirror.snapshot()
		return known.complete && known.floor != nil && known.awaySince.IsZero()
	})
	return s
}

func freeAddress(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func (s *shop) start() {
	s.t.Helper()
	s.cmd = exec.Command(s.bin, "serve", "--data-dir", s.data, "--floor", s.floor, "--listen", s.listen, "--bus-listen", "", "--time-scale", s.scale, "--plan-search", "on")
	log, err := s.cmd.StderrPipe()
	if err != nil {
		s.t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	go func() {
		for lines := bufio.NewScanner(log); lines.Scan(); {
			if os.Getenv("TANDEM_BOARD_LOG") != "" {
				fmt.Fprintln(os.Stderr, "tandemd: "+lines.Text())
			}
		}
	}()
}

// serves waits until the daemon answers.
func (s *shop) serves() {
	s.t.Helper()
	until(s.t, "the daemon serves", func() bool {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		_, err := s.api.admin.GetStatus(ctx, &tandemv1.GetStatusRequest{})
		return err == nil
	})
}

// kill is the hard way: no handler runs, nothing is flushed.
func (s *shop) kill() {
	if s.cmd.ProcessState == nil {
		_ = s.cmd.Process.Kill()
		_ = s.cmd.Wait()
	}
}

func (s *shop) submit(j *tandemv1.Job) *tandemv1.Job {
	s.t.Helper()
	out, err := s.api.jobs.CreateJob(context.Background(), &tandemv1.CreateJobRequest{Job: j, RequestId: dial.NewKey(), Actor: "desk"})
	if err != nil {
		s.t.Fatalf("submit %s: %v", j.GetId(), err)
	}
	return out
}

func (s *shop) job(id string) *tandemv1.Job {
	s.t.Helper()
	j, err := s.api.jobs.GetJob(context.Background(), &tandemv1.GetJobRequest{Id: id})
	if err != nil {
		s.t.Fatal(err)
	}
	return j
}

// code is what is printed on a command card, a device or a badge.
func (s *shop) code(kind, id string) string {
	s.t.Helper()
	list, err := s.api.admin.ListCodes(context.Background(), &tandemv1.ListCodesRequest{})
	if err != nil {
		s.t.Fatal(err)
	}
	for _, c := range list.GetCodes() {
		if c.GetKind() == kind && c.GetId() == id {
			return c.GetCode()
		}
	}
	s.t.Fatalf("no code of %s %s in %v", kind, id, list.GetCodes())
	return ""
}

// order is a job: cut, weed, pack.
func order(id string) *tandemv1.Job {
	return &tandemv1.Job{
		Id: id, DisplayName: "Door signs", Pieces: 3, DueTime: timestamppb.New(time.Now().Add(6 * time.Hour)),
		Steps: []*tandemv1.Step{
			{Id: "cut", Operation: "cut", Note: "Caution: sharp blades."},
			{Id: "weed", Operation: "weed", After: []string{"cut"}},
			{Id: "pack", Operation: "pack", After: []string{"weed"}, MinWait: durationpb.New(time.Second)},
		},
	}
}

// until waits for a condition.
func until(t testing.TB, what string, holds func() bool) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); !holds(); {
		if time.Now().After(deadline) {
			t.Fatalf("waited in vain until %s", what)
		}
		time.Sleep(20 * time.Millisecond)
	}
}
