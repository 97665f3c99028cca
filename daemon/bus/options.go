package bus

import (
	"context"
	"fmt"
	"time"

	"go.uber.org/zap"

	driverv1 "tandem/proto/tandem/driver/v1"
)

const (
	defaultTimeout = 5 * time.Second
	// answerWithin is how long the server lets a driver answer an order; the daemon waits no longer.
	answerWithin = time.Minute
)

// Handlers take what drivers say. For one device they are called one at a time and in order, for different devices
// side by side.
type Handlers struct {
	// Hello answers a driver that introduces itself. The context ends after Options.HelloTimeout and when the bus closes.
	// A nil Welcome tells the driver to try again later.
	Hello func(ctx context.Context, device string, hello *driverv1.Hello) *driverv1.Welcome
	// Status takes a status that is newer than all before it. While it runs, only a few statuses of its device wait,
	// and then the newest replaces the one before.
	Status func(device string, status *driverv1.Status)
}

// Options say how the bus treats drivers. Zero values are usable except for Devices.
type Options struct {
	// Devices are the ids of the floor's devices. Nobody else is heard.
	Devices []string
	// Log gets at most one line a minute about each device. Nil: none.
	Log *zap.Logger
	// StatusRate is how many messages of one device are heard in a second, sustained; 0 means 50.
	StatusRate float64
	// StatusBurst is how many may come at once; 0 means 100.
	StatusBurst int
	// HelloTimeout bounds Handlers.Hello; 0 means 5 s.
	HelloTimeout time.Duration
	// OrderTimeout is how long an order may wait for its turn and for its answer, together; 0 means 5 s, at most 1 min.
	OrderTimeout time.Duration
	// Leads is asked before each order is sent, and says why this daemon may no longer give any; nil: it may.
	Leads func() error
	// OrderQueue is how many orders may wait for one device; 0 means 64.
	OrderQueue int
}

func (o *Options) setDefaults() {
	setDefault(&o.Log, zap.NewNop())
	setDefault(&o.StatusRate, 50)
	setDefault(&o.StatusBurst, 100)
	setDefault(&o.HelloTimeout, defaultTimeout)
	setDefault(&o.OrderTimeout, defaultTimeout)
	setDefault(&o.OrderQueue, 64)
}

func setDefault[T comparable](field *T, value T) {
	var zero T
	if *field == zero {
		*field = value
	}
}

func (o *Options) check() error {
	switch {
	case o.StatusRate < 0:
		return fmt.Errorf("StatusRate is %g: it must be above 0", o.StatusRate)
	case o.StatusBurst < 0:
		return fmt.Errorf("StatusBurst is %d: it must be above 0", o.StatusBurst)
	case o.HelloTimeout < 0:
		return fmt.Errorf("HelloTimeout is %s: it must be above 0", o.HelloTimeout)
	case o.OrderTimeout < 0 || o.OrderTimeout > answerWithin:
		return fmt.Errorf("OrderTimeout is %s: it must be above 0 and at most %s", o.OrderTimeout, answerWithin)
	case o.OrderQueue < 0:
		return fmt.Errorf("OrderQueue is %d: it must be above 0", o.OrderQueue)
	}
	return nil
}
