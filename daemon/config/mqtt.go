package config

import (
	"fmt"
	"net"
	"net/netip"
	"strconv"

	"tandem/proto/yamlfile"
)

// sensorAddress checks where sensors are listened to. It may be an address that other machines reach, since sensors are
// no programs of this machine: their password opens nothing that could start one.
func sensorAddress(address string) (string, error) {
	const form = "such as 127.0.0.1:1883"
	if address == "" {
		return "", nil
	}
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return "", fmt.Errorf("is %s; give host:port, %s", yamlfile.Quote(address), form)
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || strconv.FormatUint(n, 10) != port {
		return "", fmt.Errorf("has the port %s; give one from 0 to 65535 (0: any free one), %s", yamlfile.Quote(port), form)
	}
	if host == "localhost" {
		host = "127.0.0.1"
	}
	if _, err := netip.ParseAddr(host); err != nil {
		return "", fmt.Errorf("has the host %s; give an address of this machine as a number, %s", yamlfile.Quote(host), form)
	}
	return net.JoinHostPort(host, port), nil
}
