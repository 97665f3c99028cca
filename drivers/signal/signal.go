// Package signal watches a machine that can only be seen from outside: by the lamps of its stack light, or by the current it
// draws, as a sensor tells them over MQTT 3.1.1. It says running, idle or fault. It only listens, publishes nothing, and
// knows nothing of jobs: the work of the device is its driver's.
//
// It is not a safety function. A lamp says what a machine's maker has made it say, and a message may be late or lost: nobody
// may reach into a machine because it is shown as idle or stopped.
package signal

import (
	"context"
	"fmt"
	"net/url"
	"strings"
	"time"

	"tandem/drivers"
	tandemv1 "tandem/proto/tandem/v1"
)

// Kind is the kind of watcher.
func Kind() drivers.Kind {
	return drivers.Kind{
		Name:       "signal",
		Summary:    "watches a stack light or a current sensor by MQTT 3.1.1: running, idle or fault",
		Settings:   settings(),
		Example:    map[string]string{"broker": "tcp://127.0.0.1:1883", "topic": "cutter-1/light", "running": "green", "idle": "off", "fault": "red"},
		NewWatcher: newWatcher,
	}
}

func settings() []drivers.Setting {
	return []drivers.Setting{
		{Name: "broker", Default: "tcp://127.0.0.1:1883", Help: "the MQTT server: tcp://host:port, or tls://host:port"},
		{Name: "credentials", Help: "file of mode 0600 with the lines user: NAME and password: WORD; none: anonymous"},
		{Name: "ca", Help: "file of certificates, PEM, that the server's is signed with, for tls://; none: those the system trusts"},
		{Name: "topic", Help: "topic whose messages say what the machine does, by a word or by a number"},
		{Name: "field", Help: "where a message in JSON has the word or number: names and indexes with dots, such as light.0.colour; none: the whole message"},
		{Name: "running", Default: "running,on,1,true", Help: "words of topic, with commas, for a machine that runs"},
		{Name: "idle", Default: "idle,off,0,false", Help: "words of topic for one that does not"},
		{Name: "fault", Default: "fault,error", Help: "words of topic for one that waits for help"},
		{Name: "lost", Default: "offline,unknown,unavailable", Help: "words of any topic that say that the sensor itself is away, such as its last will"},
		{Name: "running-from", Help: "number of topic from which on the machine runs, such as 1.5 for amperes; takes the place of running and idle"},
		{Name: "idle-below", Help: "number of topic below which it does not; between the two it is as it was; none: as running-from"},
		{Name: "running-topic", Help: "topic of a lamp that is lit while the machine runs, instead of topic or beside it"},
		{Name: "fault-topic", Help: "topic of a lamp that is lit while it waits for help; it goes before the others"},
		{Name: "lit", Default: "on,1,true", Help: "words of a lamp's topic, with commas, for lit"},
		{Name: "dark", Default: "off,0,false", Help: "words of a lamp's topic for dark"},
		{Name: "running-after", Default: "1s", Help: "how long a signal must last until the machine counts as running: 0s to 10m"},
		{Name: "idle-after", Default: "3s", Help: "the same for idle; longer than a lamp's flashing and a pause between strokes"},
		{Name: "fault-after", Default: "1s", Help: "the same for fault"},
		{Name: "stale-after", Default: "5m", Help: "how long a message of a topic counts; 0s: until the next, for sensors that tell only changes"},
		{Name: "fault-reason", Default: "x-signal-fault", Help: "why a machine with a fault is stopped: a keyword of RFC 8011 or PWG 5100.9 such as media-jam, without suffix"},
	}
}

// watcher holds the settings.
type watcher struct {
	broker      *url.URL
	credentials string
	authority   string
	sources     []source
	after       holds
	stale       time.Duration // 0: never
	reason      string
}

func newWatcher(_ drivers.Env, given map[string]string) (drivers.Watcher, error) {
	v := drivers.ReadSettings(settings(), given)
	w := &watcher{
		credentials: v.CredentialsPath("credentials"), authority: v.CredentialsPath("ca"), stale: v.Duration("stale-after", 0, 24*time.Hour),
		after: holds{
			running: v.Duration("running-after", 0, 10*time.Minute),
			idle:    v.Duration("idle-after", 0, 10*time.Minute),
			fault:   v.Duration("fault-after", 0, 10*time.Minute),
		},
		reason: v.String("fault-reason") + "-error",
	}
	if !drivers.ValidID(v.String("fault-reason")) || hasSuffix(v.String("fault-reason")) {
		v.Fail("fault-reason", "write a keyword of lower-case letters, digits and dashes, without -error, -warning or -report")
	}
	var err error
	if w.broker, err = brokerOf(v.String("broker")); err != nil {
		v.Fail("broker", err.Error())
	}
	w.sources = sources(v)
	return w, v.Err()
}

func hasSuffix(keyword string) bool {
	return strings.HasSuffix(keyword, "-error") || strings.HasSuffix(keyword, "-warning") || strings.HasSuffix(keyword, "-report")
}

func brokerOf(text string) (*url.URL, error) {
	const remedy = "write tcp://host:port, or tls://host:port; a name and a password go into credentials"
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "tcp" && u.Scheme != "tls" || u.Hostname() == "" || u.Port() == "" || u.User != nil || u.Path != "" || u.RawQuery != "" || u.Fragment != "" {
		return nil, fmt.Errorf("%s", remedy)
	}
	return u, nil
}

// sources reads which topics say what.
func sources(v *drivers.Values) []source {
	var out []source
	lost := v.List("lost")
	if topic := v.String("topic"); topic != "" {
		s := source{topic: topic, name: "topic", field: path(v.String("field")), words: map[string]value{}}
		s.add(v, "running", running)
		s.add(v, "idle", idle)
		if v.String("running-from") != "" {
			clear(s.words)
			s.from = v.Float("running-from", -1e12, 1e12)
			s.below = s.from
			if v.String("idle-below") != "" {
				if s.below = v.Float("idle-below", -1e12, 1e12); s.below > s.from {
					v.Fail("idle-below", "write a number that is not above running-from")
				}
			}
			s.number = true
		} else if v.String("idle-below") != "" {
			v.Fail("idle-below", "write running-from, too, or leave it out")
		}
		s.add(v, "fault", fault)
		s.lost(v, lost)
		out = append(out, s)
	} else {
		for _, name := range []string{"field", "running-from", "idle-below"} {
			if v.String(name) != "" {
				v.Fail(name, "write topic, too, or leave it out")
			}
		}
	}
	for _, lamp := range []struct {
		name string
		lit  value
	}{{"running-topic", running}, {"fault-topic", fault}} {
		if topic := v.String(lamp.name); topic != "" {
			s := source{topic: topic, name: lamp.name, words: map[string]value{}}
			s.add(v, "lit", lamp.lit)
			s.add(v, "dark", dark)
			s.lost(v, lost)
			out = append(out, s)
		}
	}
	if len(out) == 0 {
		v.Fail("topic", "name topic, running-topic or fault-topic")
	}
	topics := map[string]string{}
	for _, s := range out {
		if err := checkTopic(s.topic); err != nil {
			v.Fail(s.name, err.Error())
		}
		if other, twice := topics[s.topic]; twice {
			v.Fail(s.name, "it is "+other+", too: write another, or leave one out")
		}
		topics[s.topic] = s.name
	}
	return out
}

// checkTopic wants a topic name, MQTT 3.1.1 section 4.7: no wildcards, since two machines must not be taken for one.
func checkTopic(topic string) error {
	if len(topic) > 1024 || strings.ContainsAny(topic, "+#\x00 ") || strings.HasPrefix(topic, "$") {
		return fmt.Errorf("write one topic, such as cutter-1/light, of at most 1024 bytes, without +, #, spaces and $ at its beginning")
	}
	return nil
}

// Watch listens until ctx ends or the server is lost. Times are of the wall clock: a sensor's clock is no simulated one.
func (w *watcher) Watch(ctx context.Context, report func(drivers.Seen)) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	c, err := w.connect(ctx)
	if err != nil || c == nil {
		return err
	}
	defer c.close()
	state := newState(w.sources, w.after, w.stale, time.Now())
	timer := time.NewTimer(0)
	defer timer.Stop()
	// A server that has just started may answer before it knows again what it retains.
	again := time.NewTicker(askAgain)
	defer again.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case err := <-c.lost:
			return err
		case m := <-c.messages:
			if m.retained && !state.silent(m.source) {
				continue // it is older than what has been heard
			}
			state.hear(m.source, m.payload, time.Now())
		case <-again.C:
			for i, s := range w.sources {
				if state.silent(i) {
					c.subscribe(ctx, i, s.topic) // if it comes to nothing, the connection is lost, or it is asked again
				}
			}
			continue
		case <-timer.C:
		}
		next := state.settle(time.Now())
		report(w.seen(state))
		timer.Stop()
		if next > 0 {
			timer.Reset(next)
		}
	}
}

const (
	reasonStale  = "x-signal-stale-warning"
	reasonUnread = "x-signal-unread-warning"
)

func (w *watcher) seen(s *state) drivers.Seen {
	var out drivers.Seen
	switch s.shown {
	case running:
		out.State = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
	case idle:
		out.State = tandemv1.DeviceState_DEVICE_STATE_IDLE
	case fault:
		out.State, out.Reasons = tandemv1.DeviceState_DEVICE_STATE_STOPPED, []string{w.reason}
	case unknown, dark:
	}
	if s.isStale {
		out.Reasons = append(out.Reasons, reasonStale)
	}
	if s.unread {
		out.Reasons = append(out.Reasons, reasonUnread)
	}
	return out
}
