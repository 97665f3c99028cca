package signal

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"tandem/drivers"
)

const (
	connectWithin = 5 * time.Second
	keepAlive     = 10 * time.Second // a server that is gone without a word is found out after one and a half of it
	askAgain      = 2 * time.Second
	version311    = 4 // protocol level of MQTT 3.1.1, section 3.1.2.2
	backlog       = 64
)

// client is a connection to the MQTT server. It does not connect again by itself: Watch ends with it, and is called again.
type client struct {
	mqtt     mqtt.Client
	messages chan message
	lost     chan error // room for one
}

type message struct {
	source   int
	payload  []byte
	retained bool // it was said before we subscribed
}

// connect returns a client that has subscribed to every source, nil if ctx has ended.
func (w *watcher) connect(ctx context.Context) (*client, error) {
	options, err := w.options()
	if err != nil {
		return nil, err
	}
	// The library reads no answer of the server while it cannot hand on what came before it: room for what is retained for
	// one source while the next one is subscribed to.
	c := &client{messages: make(chan message, backlog), lost: make(chan error, 1)}
	options.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		select {
		case c.lost <- fmt.Errorf("%s is lost: %w", w.broker.Host, err):
		default:
		}
	})
	c.mqtt = mqtt.NewClient(options)
	if err := await(ctx, c.mqtt.Connect()); err != nil {
		c.close()
		return nil, ended(ctx, fmt.Errorf("connect to %s: %w", w.broker.Host, err))
	}
	for i, s := range w.sources {
		token := c.subscribe(ctx, i, s.topic)
		if err := await(ctx, token); err != nil {
			c.close()
			return nil, ended(ctx, fmt.Errorf("subscribe to %s: %w", s.topic, err))
		}
		if refused(token, s.topic) {
			c.close()
			return nil, fmt.Errorf("subscribe to %s: the server refuses it: let the user of the credentials read the topic", s.topic)
		}
	}
	return c, nil
}

// subscribe asks for what is said of a source, and for what is retained of it, each time that it is called: section 3.8.4.
// Quality of service 0: what a message says is soon said again, and an old one must not come late.
func (c *client) subscribe(ctx context.Context, source int, topic string) mqtt.Token {
	return c.mqtt.Subscribe(topic, 0, func(_ mqtt.Client, m mqtt.Message) {
		select {
		case c.messages <- message{source: source, payload: m.Payload(), retained: m.Retained()}:
		case <-ctx.Done():
		}
	})
}

func (w *watcher) options() (*mqtt.ClientOptions, error) {
	scheme := map[string]string{"tcp": "tcp://", "tls": "ssl://"}[w.broker.Scheme]
	options := mqtt.NewClientOptions().AddBroker(scheme + w.broker.Host).SetProtocolVersion(version311).
		SetClientID("td" + rand.Text()[:20]). // section 3.1.3.1: any server takes up to 23 letters and digits
		SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).
		SetConnectTimeout(connectWithin).SetWriteTimeout(connectWithin).SetKeepAlive(keepAlive).SetPingTimeout(keepAlive / 2)
	if w.authority != "" {
		body, err := os.ReadFile(w.authority)
		if err != nil {
			return nil, fmt.Errorf("read ca: %w", err)
		}
		pool := x509.NewCertPool()
		if !pool.AppendCertsFromPEM(body) {
			return nil, fmt.Errorf("read ca: %s has no certificate, PEM", w.authority)
		}
		options.SetTLSConfig(&tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12})
	}
	if w.credentials != "" {
		c, err := drivers.ReadCredentials(w.credentials, "user", "password")
		if err != nil {
			return nil, err
		}
		options.SetUsername(c["user"]).SetPassword(c["password"])
	}
	return options, nil
}

func await(ctx context.Context, token mqtt.Token) error {
	patience := time.NewTimer(2 * connectWithin)
	defer patience.Stop()
	select {
	case <-token.Done():
		return token.Error()
	case <-patience.C:
		return errors.New("no answer")
	case <-ctx.Done():
		return ctx.Err()
	}
}

// refused says whether the server has answered a subscription with the failure of section 3.9.3.
func refused(token mqtt.Token, topic string) bool {
	t, ok := token.(*mqtt.SubscribeToken)
	return ok && t.Result()[topic] == 0x80
}

// ended drops the error of what was given up because ctx has ended.
func ended(ctx context.Context, err error) error {
	select {
	case <-ctx.Done():
		return nil
	default:
		return err
	}
}

func (c *client) close() { c.mqtt.Disconnect(0) }
