package bus

import (
	"crypto/rand"
	"fmt"

	"github.com/nats-io/jwt/v2"
	natsserver "github.com/nats-io/nats-server/v2/server"
	"golang.org/x/crypto/bcrypt"

	"tandem/drivers"
)

const (
	ledgerAccount = "LEDGER"
	floorAccount  = "FLOOR"

	// LedgerUser is the user that alone reaches the ledger and the lease.
	LedgerUser = "ledger"
	daemonUser = "daemon"
	driverUser = "driver"

	// driverInbox is the subject prefix on which drivers hear answers to their requests. It is the one every NATS
	// client uses unless told otherwise, so that a driver in any language needs no setting for it.
	driverInbox = "_INBOX"
	// daemonInbox is the prefix for answers to the daemon. Drivers may not subscribe to it.
	daemonInbox = "_DAEMON"
)

// Limits of the floor's account, each far above what a floor needs and far below what harms the daemon's machine.
const (
	floorConnections   = 4096     // together
	floorSubscriptions = 4096     // per connection: one for each device, and the inbox
	spareConnections   = 64       // beyond the floor's: the ledger's, and peers that have not said who they are yet
	memoryStore        = 16 << 20 // bytes; nothing here keeps a stream in memory
)

// secrets are what connections authenticate with. Those of the daemon live and die with the process.
type secrets struct {
	ledger, daemon string
	driver         string // kept in the token file
}

func newSecrets(driverToken string) secrets {
	return secrets{ledger: rand.Text(), daemon: rand.Text(), driver: driverToken}
}

func serverOptions(cfg ServerConfig, host string, port int, secret secrets) (*natsserver.Options, error) {
	opts := &natsserver.Options{
		ServerName:             "tandem",
		Host:                   host,
		Port:                   port,
		DontListen:             host == "",
		NoSigs:                 true,
		MaxConn:                floorConnections + spareConnections,
		MaxPayload:             int32(cfg.MaxPayload),
		JetStream:              true,
		JetStreamMaxStore:      cfg.MaxStore,
		JetStreamMaxMemory:     memoryStore,
		StoreDir:               cfg.StoreDir,
		SyncAlways:             true,
		DisableJetStreamBanner: true,
	}
	// Limits of an account can be set only by the server's own configuration language.
	accounts := fmt.Sprintf(`accounts {
		%s { jetstream: enabled }
		%s { limits { max_connections: %d, max_subscriptions: %d, max_payload: %d } }
		%s
	}`, ledgerAccount, floorAccount, floorConnections, floorSubscriptions, MaxBody, signalSettings(cfg))
	if err := opts.ProcessConfigString(accounts); err != nil {
		return nil, fmt.Errorf("configure accounts: %w", err)
	}
	byName := make(map[string]*natsserver.Account, len(opts.Accounts))
	for _, a := range opts.Accounts {
		byName[a.GetName()] = a
	}
	inProcess := []string{jwt.ConnectionTypeInProcess}
	users := []struct {
		name, secret, account string
		from                  []string
		permissions           *natsserver.Permissions
	}{
		{LedgerUser, secret.ledger, ledgerAccount, inProcess, nil},
		{daemonUser, secret.daemon, floorAccount, inProcess, nil},
		{driverUser, secret.driver, floorAccount, append(inProcess, jwt.ConnectionTypeStandard), driverPermissions()},
	}
	for _, u := range users {
		hash, err := hashed(u.name, u.secret)
		if err != nil {
			return nil, err
		}
		from := make(map[string]struct{}, len(u.from))
		for _, kind := range u.from {
			from[kind] = struct{}{}
		}
		opts.Users = append(opts.Users, &natsserver.User{
			Username:               u.name,
			Password:               hash,
			Account:                byName[u.account],
			Permissions:            u.permissions,
			AllowedConnectionTypes: from,
		})
	}
	if err := addSignals(opts, cfg, byName[signalAccount]); err != nil {
		return nil, err
	}
	return opts, nil
}

// hashed keeps a secret out of the server's memory of options. The secrets are random and long, so the hash need not be slow.
func hashed(user, secret string) (string, error) {
	hash, err := bcrypt.GenerateFromPassword([]byte(secret), bcrypt.MinCost)
	if err != nil {
		return "", fmt.Errorf("hash the secret of user %s: %w", user, err)
	}
	return string(hash), nil
}

// driverPermissions is all that a driver may do: say hello and status, hear orders, and answer each order once. There
// is one token for all drivers, so a driver could pose as another; it can harm neither the ledger nor the daemon's
// conversations. Answers are allowed one by one, as orders arrive, rather than by a list of subjects: a driver that
// may always publish into the daemon's inbox could flood it and forge answers of others.
func driverPermissions() *natsserver.Permissions {
	return &natsserver.Permissions{
		Publish: &natsserver.SubjectPermission{
			Allow: []string{drivers.HelloSubject("*"), drivers.StatusSubject("*")},
		},
		Subscribe: &natsserver.SubjectPermission{
			Allow: []string{drivers.OrderSubject("*"), driverInbox + ".>"},
		},
		Response: &natsserver.ResponsePermission{MaxMsgs: 1, Expires: answerWithin},
	}
}
