package stream

import (
	"context"
	"maps"
	"net"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/drivers"
	"tandem/drivers/drivertest"
	"tandem/drivers/filejob/filejobtest"
	driverv1 "tandem/proto/tandem/driver/v1"
)

func TestRehearsal(t *testing.T) {
	t.Parallel()
	drivertest.Run(t, Kind())
}

// withFile gives each grant a file, as tickets do.
type withFile struct {
	drivers.Driver
	doc func(run string) *driverv1.Grant
}

func (d *withFile) Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error {
	filed := make(chan *driverv1.Order)
	go func() {
		for {
			select {
			case o := <-orders:
				o = proto.CloneOf(o)
				if g := o.GetGrant(); g != nil {
					g.Documents = d.doc(g.GetRun()).GetDocuments()
				}
				select {
				case filed <- o:
				case <-ctx.Done():
					return
				}
			case <-ctx.Done():
				return
			}
		}
	}()
	return d.Driver.Run(ctx, filed, report)
}

// TestConformance runs the suite against devices in this process that take the file in small parts, stall, answer, and
// close, in virtual time.
func TestConformance(t *testing.T) {
	t.Parallel()
	const size = 3000
	body := contour(size)
	files := t.TempDir()
	doc := filejobtest.Write(t, files, "gull.plt", body)
	for _, test := range []struct {
		name     string
		settings map[string]string
		serve    func(ctx context.Context, c net.Conn)
	}{
		{"by time, taken in halves", map[string]string{"pace": "100", "chunk": "64"}, func(ctx context.Context, c net.Conn) {
			slowly(ctx, c, 29, 100*time.Millisecond, func([]byte) {})
		}},
		{"by answer, with stalls", map[string]string{"done": "answer", "done-answer": "^OK$"}, func(ctx context.Context, c net.Conn) {
			left, parts := size, 0
			slowly(ctx, c, 100, time.Second, func(part []byte) {
				left -= len(part)
				if parts++; parts%10 == 0 {
					wait(ctx, 7*time.Minute)
				}
				if left == 0 {
					wait(ctx, 30*time.Minute)
					_, _ = c.Write([]byte("BU"))
					_, _ = c.Write([]byte("SY\nO"))
					_, _ = c.Write([]byte("K\n"))
					left = size // the next run, on a line that stays open
				}
			})
		}},
		{"by its closing", map[string]string{"done": "closed", "progress": "bytes"}, func(ctx context.Context, c net.Conn) {
			left := size
			for buffer := make([]byte, 512); left > 0; wait(ctx, time.Second) {
				n, err := c.Read(buffer)
				if left -= n; err != nil {
					return
				}
			}
			told := make(chan struct{}) // a device hears while it works
			go func() {
				defer close(told)
				_, _ = c.Read(make([]byte, 1))
			}()
			select {
			case <-time.After(40 * time.Minute):
			case <-told:
			}
		}},
		{"by the last byte", map[string]string{"done": "sent", "pace": "2", "chunk": "8"}, func(ctx context.Context, c net.Conn) {
			slowly(ctx, c, 8, time.Millisecond, func([]byte) {})
		}},
		{"alone", map[string]string{"keep-open": "false"}, func(ctx context.Context, c net.Conn) {
			slowly(ctx, c, 4096, time.Millisecond, func([]byte) {})
		}},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			kind := Kind()
			kind.Example = map[string]string{"address": "127.0.0.1:9100", "check": "0s", "files": files, "stop-takes": "5s", "stop-send": `\x18`}
			maps.Copy(kind.Example, test.settings)
			kind.New = func(env drivers.Env, settings map[string]string) (drivers.Driver, error) {
				c, err := readSettings(settings)
				if err != nil {
					return nil, err
				}
				d, err := newDesk(env, c, piped(test.serve))
				if err != nil {
					return nil, err
				}
				return &withFile{d, func(string) *driverv1.Grant { return filejobtest.Waiting("r", 0, doc) }}, nil
			}
			drivertest.Run(t, kind)
		})
	}
}
