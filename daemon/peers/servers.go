package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
)

// bench is one run of the command.
type bench struct {
	set     settings
	dir     string
	began   time.Time
	tandemd string // the daemon's program
	running []*child
	close   []func()
}

// child is a server that was started here.
type child struct {
	cmd *exec.Cmd
	log string
}

// start starts a server that is killed with this process at the latest.
func (b *bench) start(name string, cmd *exec.Cmd) (*child, error) {
	path := filepath.Join(b.dir, name+".log")
	log, err := os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	defer log.Close()
	cmd.Stderr = log
	if cmd.Stdout == nil {
		cmd.Stdout = log
	}
	dieWithParent(cmd)
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("start %s: %w", name, err)
	}
	c := &child{cmd: cmd, log: path}
	b.running = append(b.running, c)
	return c, nil
}

func (c *child) stop(sig syscall.Signal) {
	if c.cmd.ProcessState == nil {
		_ = c.cmd.Process.Signal(sig)
		_ = c.cmd.Wait()
	}
}

// failed adds a server's last words to an error.
func (c *child) failed(err error) error {
	words, _ := os.ReadFile(c.log)
	if len(words) > 2000 {
		words = words[len(words)-2000:]
	}
	return fmt.Errorf("%w; it said:\n%s", err, words)
}

func (b *bench) later(f func()) { b.close = append(b.close, f) }

func (b *bench) stopAll() {
	for _, f := range slices.Backward(b.close) {
		f()
	}
	for _, c := range slices.Backward(b.running) {
		c.stop(syscall.SIGINT) // for PostgreSQL: a fast shutdown
	}
	b.close, b.running = nil, nil
}

func freePort() (int, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port, nil
}

// await tries until something works.
func await(ctx context.Context, what string, within time.Duration, try func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	for {
		err := try(ctx)
		if err == nil {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("%s not ready within %v: %w", what, within, err)
		case <-time.After(2 * time.Millisecond):
		}
	}
}

// postgres starts a cluster of its own and returns its address.
func (b *bench) postgres(ctx context.Context) (url string, err error) {
	bin, err := postgresBin()
	if err != nil {
		return "", err
	}
	data := filepath.Join(b.dir, "postgres")
	if err := os.Mkdir(data, 0o700); err != nil {
		return "", err
	}
	asPostgres := func(cmd *exec.Cmd) *exec.Cmd { return cmd }
	if os.Geteuid() == 0 { // it refuses to run as root
		who, err := user.Lookup("postgres")
		if err != nil {
			return "", fmt.Errorf("PostgreSQL does not run as root: %w", err)
		}
		uid, _ := strconv.Atoi(who.Uid)
		gid, _ := strconv.Atoi(who.Gid)
		if err := os.Chown(data, uid, gid); err != nil {
			return "", err
		}
		asPostgres = func(cmd *exec.Cmd) *exec.Cmd {
			runAs(cmd, uid, gid)
			cmd.Dir = data
			return cmd
		}
	}
	init := asPostgres(exec.CommandContext(ctx, filepath.Join(bin, "initdb"), "-D", data, "-U", "postgres", "--auth", "trust", "-E", "UTF8", "--locale", "C"))
	if out, err := init.CombinedOutput(); err != nil {
		return "", fmt.Errorf("initdb: %w\n%s", err, out)
	}
	port, err := freePort()
	if err != nil {
		return "", err
	}
	c, err := b.start("postgres-server", asPostgres(exec.Command(filepath.Join(bin, "postgres"), "-D", data, "-p", strconv.Itoa(port),
		"-c", "listen_addresses=127.0.0.1", "-c", "unix_socket_directories=", "-c", "fsync=on", "-c", "synchronous_commit=on",
		"-c", "max_connections=200", "-c", "shared_buffers=256MB")))
	if err != nil {
		return "", err
	}
	url = fmt.Sprintf("postgres://postgres@127.0.0.1:%d/postgres?sslmode=disable", port)
	if err := await(ctx, "PostgreSQL", 30*time.Second, func(ctx context.Context) error { return pingPostgres(ctx, url) }); err != nil {
		return "", c.failed(err)
	}
	return url, nil
}

func postgresBin() (string, error) {
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if len(found) > 0 {
		return filepath.Dir(found[len(found)-1]), nil
	}
	path, err := exec.LookPath("initdb")
	if err != nil {
		return "", errors.New("no PostgreSQL server here: install the Debian package postgresql")
	}
	return filepath.Dir(path), nil
}

// redis starts a server of its own and returns its address.
func (b *bench) redis(ctx context.Context) (address string, err error) {
	path, err := exec.LookPath("redis-server")
	if err != nil {
		return "", errors.New("no Redis here: install the Debian package redis-server")
	}
	data := filepath.Join(b.dir, "redis")
	if err := os.Mkdir(data, 0o700); err != nil {
		return "", err
	}
	port, err := freePort()
	if err != nil {
		return "", err
	}
	c, err := b.start("redis-server", exec.Command(path, "--port", strconv.Itoa(port), "--bind", "127.0.0.1", "--dir", data,
		"--appendonly", "yes", "--appendfsync", "always", "--save", "", "--daemonize", "no"))
	if err != nil {
		return "", err
	}
	address = fmt.Sprintf("127.0.0.1:%d", port)
	if err := await(ctx, "Redis", 20*time.Second, func(ctx context.Context) error { return pingRedis(ctx, address) }); err != nil {
		return "", c.failed(err)
	}
	return address, nil
}

// nats starts a NATS server with JetStream and returns its address.
func (b *bench) nats() (url string, err error) {
	port, err := freePort()
	if err != nil {
		return "", err
	}
	self, err := os.Executable()
	if err != nil {
		return "", err
	}
	cmd := exec.Command(self, natsCommand, filepath.Join(b.dir, "nats"), strconv.Itoa(port))
	out, err := cmd.StdoutPipe()
	if err != nil {
		return "", err
	}
	c, err := b.start("nats-server", cmd)
	if err != nil {
		return "", err
	}
	if line, err := bufio.NewReader(out).ReadString('\n'); err != nil {
		return "", c.failed(fmt.Errorf("NATS said %q: %w", line, err))
	}
	return fmt.Sprintf("nats://127.0.0.1:%d", port), nil
}

// buildTandemd builds the daemon as a shop would run it.
func buildTandemd(ctx context.Context, dir string) (string, error) {
	where := exec.CommandContext(ctx, "go", "list", "-m", "-f", "{{.Dir}}", "tandem")
	root, err := where.Output()
	if err != nil {
		return "", fmt.Errorf("find the module tandem (run this in its folder daemon/peers): %w", err)
	}
	path := filepath.Join(dir, "tandemd-program")
	cmd := exec.CommandContext(ctx, "go", "build", "-o", path, "./daemon/tandemd")
	cmd.Dir = string(root[:len(root)-1])
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build tandemd: %w\n%s", err, out)
	}
	return path, nil
}

// daemon is a running tandemd.
type daemon struct {
	*child
	data, api, bus string
	conn           *grpc.ClientConn
	serving        time.Duration // from its start until it serves
}

// startDaemon starts the daemon on a floor file and a data folder.
func (b *bench) startDaemon(ctx context.Context, floor, data string) (*daemon, error) {
	apiPort, err := freePort()
	if err != nil {
		return nil, err
	}
	busPort, err := freePort()
	if err != nil {
		return nil, err
	}
	d := &daemon{data: data, api: fmt.Sprintf("127.0.0.1:%d", apiPort), bus: fmt.Sprintf("127.0.0.1:%d", busPort)}
	cmd := exec.Command(b.tandemd, "serve", "--floor", floor, "--data-dir", data, "--listen", d.api, "--bus-listen", d.bus, "--log-level", "warn")
	begin := time.Now()
	if d.child, err = b.start("tandemd-"+filepath.Base(data), cmd); err != nil {
		return nil, err
	}
	if d.conn, err = grpc.NewClient(d.api, grpc.WithTransportCredentials(insecure.NewCredentials())); err != nil {
		return nil, err
	}
	b.later(func() { _ = d.conn.Close() })
	err = await(ctx, "tandemd", 5*time.Minute, func(ctx context.Context) error {
		d.conn.ResetConnectBackoff()
		r, err := healthpb.NewHealthClient(d.conn).Check(ctx, &healthpb.HealthCheckRequest{})
		if err == nil && r.GetStatus() != healthpb.HealthCheckResponse_SERVING {
			err = errors.New("not serving")
		}
		return err
	})
	if err != nil {
		return nil, d.failed(err)
	}
	d.serving = time.Since(begin)
	return d, nil
}
