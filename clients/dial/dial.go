// Package dial connects clients to the daemon: one connection with keepalive and with retries that cannot do a thing
// twice.
//
// It retries UNAVAILABLE only, and only what the daemon answers the same way each time: reads, and changes that carry
// a key by which the daemon knows a repetition. It waits for nothing longer than the caller's context allows.
package dial

import (
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/keepalive"
)

// DefaultAddress is where a daemon on the same computer listens.
const DefaultAddress = "127.0.0.1:7431"

// maxReply bounds one reply or one message of a stream, in bytes. A job may have a thousand steps with all their runs.
const maxReply = 64 << 20

// Config says how to reach the daemon.
type Config struct {
	// Address is host:port, or unix:PATH for a socket. Several daemons of one floor are host:port with commas in between:
	// the one that leads is found, and found again when another takes over.
	Address string
	// Credentials secure the connection. Nil: plain text, for a daemon on the same computer.
	Credentials credentials.TransportCredentials
	// UserAgent names the client in the daemon's log.
	UserAgent string
	// Options are added last.
	Options []grpc.DialOption
}

// Open prepares a connection; it is made with the first call and made again when it is lost. The error names a bad
// address and its remedy.
func Open(c Config) (*grpc.ClientConn, error) {
	addresses, err := checkAddresses(c.Address)
	if err != nil {
		return nil, err
	}
	creds := c.Credentials
	if creds == nil {
		creds = insecure.NewCredentials()
	}
	options := append([]grpc.DialOption{
		grpc.WithTransportCredentials(creds),
		grpc.WithUserAgent(c.UserAgent),
		grpc.WithDefaultServiceConfig(ServiceConfig()),
		grpc.WithDisableServiceConfig(),
		// A daemon is in the house; a proxy for the web does not lead to it.
		grpc.WithNoProxy(),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxReply)),
		grpc.WithChainUnaryInterceptor(keyed),
		// The default waits up to two minutes before it tries again: too long for people at a scanner.
		grpc.WithConnectParams(grpc.ConnectParams{
			Backoff:           backoff.Config{BaseDelay: 200 * time.Millisecond, Multiplier: 1.6, Jitter: 0.2, MaxDelay: 3 * time.Second},
			MinConnectTimeout: 5 * time.Second,
		}),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{
			Time:                30 * time.Second,
			Timeout:             10 * time.Second,
			PermitWithoutStream: true,
		}),
	}, c.Options...)
	target := c.Address
	if len(addresses) > 1 {
		var several []grpc.DialOption
		target, several = severally(addresses)
		options = append(options, several...)
	}
	conn, err := grpc.NewClient(target, options...)
	if err != nil {
		return nil, fmt.Errorf("address %q: %w", c.Address, err)
	}
	return conn, nil
}

func checkAddress(address string) error {
	if path, ok := strings.CutPrefix(address, "unix:"); ok {
		if path == "" {
			return fmt.Errorf("address %q has no path: write unix:PATH", address)
		}
		return nil
	}
	host, port, err := net.SplitHostPort(address)
	if err != nil || host == "" {
		return fmt.Errorf("address %q is not host:port: write for example %s", address, DefaultAddress)
	}
	if number, err := strconv.ParseUint(port, 10, 16); err != nil || number == 0 {
		return fmt.Errorf("address %q has the port %q: use a number from 1 to 65535", address, port)
	}
	return nil
}

// NewKey returns a fresh key for one intended change or one scan: a version 4 UUID (RFC 9562 section 5.4), which also
// fits the grammar of an id.
func NewKey() string {
	var b [16]byte
	// Read never returns an error: it ends the program if the system has no randomness.
	_, _ = rand.Read(b[:])
	b[6] = b[6]&0x0f | 0x40
	b[8] = b[8]&0x3f | 0x80
	h := hex.EncodeToString(b[:])
	return h[:8] + "-" + h[8:12] + "-" + h[12:16] + "-" + h[16:20] + "-" + h[20:]
}
