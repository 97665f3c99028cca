package bus

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strconv"

	natsserver "github.com/nats-io/nats-server/v2/server"
)

// errNotLoopback says what must come before anything else may listen or connect.
var errNotLoopback = errors.New("only loopback (127.0.0.1, ::1 or localhost) is possible: " +
	"TLS and credentials of each driver's own come first")

// loopback splits host:port and refuses every host that another machine could reach or be. Port 0 becomes the server's
// word for a free port. An empty address gives an empty host: no socket.
func loopback(address string) (host string, port int, err error) {
	if address == "" {
		return "", 0, nil
	}
	host, portText, err := net.SplitHostPort(address)
	if err != nil {
		return "", 0, fmt.Errorf("address must be host:port: %w", err)
	}
	number, err := strconv.ParseUint(portText, 10, 16)
	if err != nil {
		return "", 0, fmt.Errorf("port %q must be a number from 0 to 65535", portText)
	}
	port = int(number)
	if port == 0 {
		port = natsserver.RANDOM_PORT
	}
	if host == "localhost" {
		host = "127.0.0.1" // whatever the machine's hosts file says
	}
	ip, err := netip.ParseAddr(host)
	if err != nil || !ip.Unmap().IsLoopback() {
		return "", 0, fmt.Errorf("host %q: %w", host, errNotLoopback)
	}
	return host, port, nil
}
