package dial

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/balancer"
	"google.golang.org/grpc/balancer/base"
	"google.golang.org/grpc/codes"
	_ "google.golang.org/grpc/health" // asks daemons how they are
	"google.golang.org/grpc/resolver"
	"google.golang.org/grpc/resolver/manual"
	"google.golang.org/grpc/status"
)

const (
	// scheme and leaderPolicy name the way to several daemons and the choice among them, in this process only.
	scheme       = "tandem-daemons"
	leaderPolicy = "tandem_leader"

	// mostAddresses is far more than a floor has daemons.
	mostAddresses = 16

	// A request that may be sent twice is given longest for an answer, and then sent again: whoever has it may have been
	// stopped or cut off. It may also be slow, so each attempt is given twice as long as the one before.
	firstAttempt = 4 * time.Second
	// untilAnotherLeads is how long it is sent again while no daemon leads, where the caller sets no end.
	untilAnotherLeads = 15 * time.Second
	// Pauses between attempts double from the first to the longest.
	firstPause, longestPause = 50 * time.Millisecond, 500 * time.Millisecond
)

// gRPC finds a policy by its name in a table of the process, which is filled before anything else runs.
func init() { balancer.Register(leaderBuilder{}) } //nolint:gochecknoinits // there is no other way

// checkAddresses splits an address of several daemons.
func checkAddresses(address string) ([]string, error) {
	var out []string
	for one := range strings.SplitSeq(address, ",") {
		one = strings.TrimSpace(one)
		if err := checkAddress(one); err != nil {
			return nil, err
		}
		if slices.Contains(out, one) {
			return nil, fmt.Errorf("address %q comes twice: name each daemon once", one)
		}
		out = append(out, one)
	}
	if len(out) > 1 && slices.ContainsFunc(out, func(a string) bool { return strings.HasPrefix(a, "unix:") }) {
		return nil, fmt.Errorf("address %q names a socket among several daemons: use host:port for each", address)
	}
	if len(out) > mostAddresses {
		return nil, fmt.Errorf("%d addresses are given: name at most %d daemons", len(out), mostAddresses)
	}
	return out, nil
}

// severally returns the target and the options by which the one of several daemons is found that leads: a connection
// is kept to each, its health is watched, and only one that serves is asked.
func severally(addresses []string) (target string, options []grpc.DialOption) {
	state := resolver.State{}
	for _, a := range addresses {
		host, _, _ := net.SplitHostPort(a) // checked before
		// Each daemon has a certificate of its own name.
		state.Addresses = append(state.Addresses, resolver.Address{Addr: a, ServerName: host})
	}
	names := manual.NewBuilderWithScheme(scheme)
	names.InitialState(state)
	return scheme + ":///daemons", []grpc.DialOption{
		grpc.WithResolvers(names),
		grpc.WithDefaultServiceConfig(serviceConfig(leaderPolicy)),
		grpc.WithChainUnaryInterceptor(again),
		grpc.WithChainStreamInterceptor(whileItLeads),
	}
}

// leaderBuilder makes the policy of one connection.
type leaderBuilder struct{}

func (leaderBuilder) Name() string { return leaderPolicy }

func (leaderBuilder) Build(cc balancer.ClientConn, opts balancer.BuildOptions) balancer.Balancer {
	newest := &newestReady{since: map[balancer.SubConn]uint64{}}
	return base.NewBalancerBuilder(leaderPolicy, newest, base.Config{HealthCheck: true}).Build(cc, opts)
}

// newestReady chooses, of the daemons that say they serve, the one that said so last. A daemon that was stopped in the
// middle, or cut off, cannot say that it no longer leads; whoever has taken over from it serves for a shorter time.
type newestReady struct {
	count  uint64
	since  map[balancer.SubConn]uint64
	chosen *choice // the last one; nil: there has been none
}

// Build implements base.PickerBuilder. It is called for one change after another.
func (n *newestReady) Build(info base.PickerBuildInfo) balancer.Picker {
	for c := range n.since {
		if _, ready := info.ReadySCs[c]; !ready {
			delete(n.since, c)
		}
	}
	var newest balancer.SubConn
	for c := range info.ReadySCs {
		if n.since[c] == 0 {
			n.count++
			n.since[c] = n.count
		}
		if newest == nil || n.since[c] > n.since[newest] {
			newest = c
		}
	}
	if newest == nil { // what is under way goes on: the one that stops serving may still answer it
		return base.NewErrPicker(balancer.ErrNoSubConnAvailable)
	}
	if n.chosen == nil || n.chosen.conn != newest {
		if n.chosen != nil {
			close(n.chosen.over)
		}
		n.chosen = &choice{conn: newest, over: make(chan struct{})}
	}
	return n.chosen
}

// choice is the daemon that leads, as far as is known here.
type choice struct {
	conn balancer.SubConn
	over chan struct{} // closed when another serves
}

// Pick implements balancer.Picker.
func (c *choice) Pick(info balancer.PickInfo) (balancer.PickResult, error) {
	if a, ok := info.Ctx.Value(asking{}).(*asked); ok {
		a.set(c)
	}
	return balancer.PickResult{SubConn: c.conn}, nil
}

// again sends a request again while one daemon takes over from another. It does so where asking twice does no more
// than asking once, and where a daemon has said that it did nothing because it does not lead.
func again(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	twice := repeatableMethod(method)
	if _, bounded := ctx.Deadline(); !bounded {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, untilAnotherLeads)
		defer cancel()
	}
	pause, within := firstPause, firstAttempt
	for {
		call := func(ctx context.Context) error { return invoke(ctx, method, req, reply, cc, opts...) }
		var err, given error
		if twice {
			given, err = attempt(ctx, within, call)
		} else {
			err = call(ctx)
		}
		switch {
		case err == nil || ctx.Err() != nil:
			return err
		case errors.Is(given, errAnotherServes): // it is asked at once
			continue
		case errors.Is(given, errNoAnswer):
			within *= 2
		case twice && status.Code(err) == codes.Unavailable, nothingDone(err):
		default:
			return err
		}
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			timer.Stop()
			return err
		case <-timer.C:
		}
		pause = min(2*pause, longestPause)
	}
}

// nothingDone reports whether a daemon has refused a request because it does not lead.
func nothingDone(err error) bool {
	return status.Code(err) == codes.Unavailable && Refusal(err).GetReason() == "NOT_LEADER"
}

// repeatableMethod is repeatable for a method as gRPC names it: /SERVICE/METHOD.
func repeatableMethod(name string) bool {
	service, method, _ := strings.Cut(strings.TrimPrefix(name, "/"), "/")
	for s := range contracts() {
		if string(s.FullName()) == service {
			for i := range s.Methods().Len() {
				if m := s.Methods().Get(i); string(m.Name()) == method {
					return repeatable(m)
				}
			}
		}
	}
	return false
}
