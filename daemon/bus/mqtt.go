package bus

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/netip"
	"path/filepath"
	"strconv"

	"github.com/nats-io/jwt/v2"
	natsserver "github.com/nats-io/nats-server/v2/server"

	"tandem/drivers"
)

// SignalFile is the name of the file in the store directory with name and password of the user that MQTT clients are:
// sensors, and the watchers that listen to them. It is such a file as a watcher's setting credentials names.
const SignalFile = "signal-credentials"

// SignalUser is the name of that user.
const SignalUser = "signal"

const signalAccount = "SIGNAL"

// Limits of the account of signals, far above what the sensors of a floor need.
const (
	signalConnections   = 512
	signalSubscriptions = 512      // per connection
	signalPayload       = 64 << 10 // bytes
	signalStore         = 64 << 20 // bytes of retained messages and sessions
)

// signalUser can be told from no other by MQTT, and can do nothing but MQTT: its account has neither drivers nor daemon
// nor ledger in it, so that whoever has its password can at worst tell lies about lamps.
func signalUser(password string, account *natsserver.Account) (*natsserver.User, error) {
	hash, err := hashed(SignalUser, password)
	if err != nil {
		return nil, err
	}
	internal := []string{"$JS.>", "$SYS.>", "$KV.>", "$O.>", "_INBOX.>"}
	return &natsserver.User{
		Username: SignalUser, Password: hash, Account: account,
		Permissions: &natsserver.Permissions{
			Publish:   &natsserver.SubjectPermission{Deny: internal},
			Subscribe: &natsserver.SubjectPermission{Deny: internal},
		},
		AllowedConnectionTypes: map[string]struct{}{jwt.ConnectionTypeMqtt: {}},
	}, nil
}

// signalSettings is the account in the server's own configuration language; without a listener there is none.
func signalSettings(cfg ServerConfig) string {
	if cfg.ListenMQTT == "" {
		return ""
	}
	return fmt.Sprintf(`%s {
		jetstream { max_memory: %d, max_file: %d }
		limits { max_connections: %d, max_subscriptions: %d, max_payload: %d }
	}`, signalAccount, memoryStore/2, signalStore, signalConnections, signalSubscriptions, signalPayload)
}

// addSignals opens the MQTT listener, with its user.
func addSignals(opts *natsserver.Options, cfg ServerConfig, account *natsserver.Account) error {
	if cfg.ListenMQTT == "" {
		return nil
	}
	host, port, err := mqttAddress(cfg.ListenMQTT)
	if err != nil {
		return fmt.Errorf("listen for MQTT on %q: %w", cfg.ListenMQTT, err)
	}
	password, err := ensureSignalPassword(filepath.Join(cfg.StoreDir, SignalFile))
	if err != nil {
		return err
	}
	user, err := signalUser(password, account)
	if err != nil {
		return err
	}
	opts.Users = append(opts.Users, user)
	opts.MaxConn += signalConnections
	opts.MQTT = natsserver.MQTTOpts{Host: host, Port: port}
	return nil
}

// ensureSignalPassword returns the sensors' password, making it at the first start with a listener. It is never logged.
func ensureSignalPassword(path string) (string, error) {
	c, err := drivers.ReadCredentials(path, "user", "password")
	if errors.Is(err, fs.ErrNotExist) {
		password := rand.Text()
		if err := writeToken(path, "user: "+SignalUser+"\npassword: "+password); err != nil {
			return "", fmt.Errorf("keep the sensors' password: %w", err)
		}
		return password, nil
	}
	if err != nil {
		return "", err
	}
	if c["user"] != SignalUser || len(c["password"]) < shortestToken {
		return "", fmt.Errorf("%s has not the user %s and a password of at least %d characters: delete it, and start the daemon for a new one",
			path, SignalUser, shortestToken)
	}
	return c["password"], nil
}

// mqttAddress splits host:port. Unlike the bus's own, the address may be one that other machines reach: sensors are no
// programs of this machine. Port 0 becomes the server's word for a free port.
func mqttAddress(address string) (host string, port int, err error) {
	host, portText, err := net.SplitHostPort(address)
	if err != nil {
		return "", 0, fmt.Errorf("address must be host:port: %w", err)
	}
	number, err := strconv.ParseUint(portText, 10, 16)
	if err != nil {
		return "", 0, fmt.Errorf("port %q must be a number from 0 to 65535", portText)
	}
	if host == "localhost" {
		host = "127.0.0.1"
	}
	if _, err := netip.ParseAddr(host); err != nil {
		return "", 0, fmt.Errorf("host %q must be an address of this machine, such as 127.0.0.1", host)
	}
	if port = int(number); port == 0 {
		port = natsserver.RANDOM_PORT
	}
	return host, port, nil
}

// MQTTURL is where sensors and their watchers connect, as tcp://host:port; empty if nobody listens for MQTT.
func (s *Server) MQTTURL() (string, error) {
	v, err := s.server.Varz(nil)
	switch {
	case err != nil:
		return "", fmt.Errorf("read the MQTT address: %w", err)
	case v.MQTT.Port == 0:
		return "", nil
	case v.MQTT.Port < 0:
		return "", errors.New("read the MQTT address: the listener has not started")
	}
	return "tcp://" + net.JoinHostPort(v.MQTT.Host, strconv.Itoa(v.MQTT.Port)), nil
}
