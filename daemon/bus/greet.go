package bus

import (
	"errors"
	"fmt"

	"github.com/nats-io/nats.go"

	"tandem/drivers"
)

// AskHello asks the driver of a device to say hello again. A driver whose connection has held does not know that another
// daemon leads now; it would by itself say hello within half a minute, too late for one that counts its silence in
// seconds. The question may get lost: who needs the hello asks again.
func (b *Bus) AskHello(device string) error {
	if b.devices[device] == nil {
		return fmt.Errorf("ask %s for a hello: %w", printable(device), ErrUnknownDevice)
	}
	err := b.conn.Publish(drivers.GreetSubject(device), nil)
	if err != nil && !errors.Is(err, nats.ErrConnectionClosed) && !errors.Is(err, nats.ErrReconnectBufExceeded) {
		return fmt.Errorf("ask %s for a hello: %w", device, err)
	}
	return nil
}
