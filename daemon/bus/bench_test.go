package bus

import (
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// BenchmarkOrder compares an order, from the call to the decoded answer, with two peers on the same connections, all
// three in turns: a raw NATS request of the same size, and that request with the contract's JSON written and read on
// both sides by hand. x_raw and x_json are the order's time divided by theirs: the first includes the price of JSON,
// the second shows what this package adds.
func BenchmarkOrder(b *testing.B) {
	for name, connect := range paths {
		b.Run(name, func(b *testing.B) {
			s := startServer(b)
			bus := openBus(b, s, new(listener), Options{})
			nc := connect(b, s)
			withJSON := func(_ *driverv1.Order, m *nats.Msg) { respond(b, m, string(body(b, &driverv1.Answer{}))) }
			answer(b, nc, "cutter-1", withJSON)
			answer(b, nc, "by-hand", withJSON)
			raw, byHand := drivers.OrderSubject("printer-1"), drivers.OrderSubject("by-hand")
			if _, err := nc.Subscribe(raw, func(m *nats.Msg) { respond(b, m, `{}`) }); err != nil {
				b.Fatal(err)
			}
			if err := nc.Flush(); err != nil {
				b.Fatal(err)
			}
			order := usualGrant()
			size := body(b, order)
			legs := []func() error{
				func() error {
					_, err := bus.conn.RequestWithContext(b.Context(), raw, size)
					return err
				},
				func() error {
					m, err := bus.conn.RequestWithContext(b.Context(), byHand, body(b, order))
					if err != nil {
						return err
					}
					return protojson.Unmarshal(m.Data, new(driverv1.Answer))
				},
				func() error {
					_, err := bus.Send(b.Context(), "cutter-1", order)
					return err
				},
			}
			took := make([]time.Duration, len(legs))
			for b.Loop() {
				for i, leg := range legs {
					began := time.Now()
					if err := leg(); err != nil {
						b.Fatal(err)
					}
					took[i] += time.Since(began)
				}
			}
			b.ReportMetric(float64(took[0].Nanoseconds())/float64(b.N), "raw-ns")
			b.ReportMetric(float64(took[2].Nanoseconds())/float64(b.N), "order-ns")
			b.ReportMetric(float64(took[2])/float64(took[0]), "x_raw")
			b.ReportMetric(float64(took[2])/float64(took[1]), "x_json")
		})
	}
}

func usualGrant() *driverv1.Order {
	now := timestamppb.New(time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC))
	return &driverv1.Order{Epoch: 1772352000000000000, Kind: &driverv1.Order_Grant{Grant: &driverv1.Grant{
		Run: "run-1234", Fence: 1234, Job: "stickers-77", Step: "print", Operation: "print", Pieces: 60,
		PanelCodes: []string{"P12345X"}, Media: "vinyl-white-1370", Ink: "latex", Mode: "8-pass", WidthUm: 1370000, LengthUm: 2400000,
		Documents: []*tandemv1.Document{{}}, MayStart: true, StartBefore: now,
		ExpectedSetup: durationpb.New(time.Minute), ExpectedWork: durationpb.New(20 * time.Minute),
	}}}
}

// BenchmarkReader measures what the reader that all drivers share does with one message of a flooding driver.
func BenchmarkReader(b *testing.B) {
	bus := &Bus{opts: Options{}}
	bus.opts.setDefaults()
	d := bus.newDevice("flooder")
	bus.devices = map[string]*device{"flooder": d}
	bus.closed = true // no worker takes anything
	m := &nats.Msg{Subject: drivers.StatusSubject("flooder"), Data: []byte(`{"epoch":1,"sequence":2}`)}
	b.ReportAllocs()
	for b.Loop() {
		bus.sort(m)
	}
}
