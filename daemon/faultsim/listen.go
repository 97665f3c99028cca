package faultsim

import (
	"errors"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// inTurn hears the words of a device one after another, as the bus does: none before the hello that came first is answered.
func (d *daemon) inTurn(device string, word func(done func())) {
	d.words[device] = append(d.words[device], word)
	if len(d.words[device]) == 1 {
		d.nextWord(device)
	}
}

func (d *daemon) nextWord(device string) {
	d.words[device][0](func() {
		if d.words[device] = d.words[device][1:]; len(d.words[device]) > 0 {
			d.nextWord(device)
		}
	})
}

// hello is a hello that has arrived.
func (d *daemon) hello(m *machine, h *driverv1.Hello, answered func(*driverv1.Welcome)) {
	if d.ears[m.id] == nil {
		answered(&driverv1.Welcome{Error: errNoDevice.Error()})
		return
	}
	d.spoken[m.id] = d.w.now
	d.inTurn(m.id, func(done func()) { d.greet(m, h, answered, done) })
}

func (d *daemon) greet(m *machine, h *driverv1.Hello, answered func(*driverv1.Welcome), done func()) {
	ear := d.ears[m.id]
	newest, err := ear.Hello(h.GetStatus())
	if err != nil {
		answered(&driverv1.Welcome{Error: err.Error()})
		done()
		return
	}
	if before := d.newest[m.id]; newest.GetEpoch() == before.GetEpoch() && newest.GetSequence() < before.GetSequence() {
		d.w.fail("%s takes the hello %d of %s for the truth after its status %d", d.label, newest.GetSequence(), m.id, before.GetSequence())
	}
	d.s.Hello(m.id, newest, func(g engine.Greeting, err error) {
		var refused *floor.Error
		welcome := &driverv1.Welcome{
			Period: durationpb.New(period), TimeScale: float64(d.w.plan.Scale), MinFence: g.MinFence, Term: g.Term,
		}
		switch {
		case errors.As(err, &refused):
			welcome = &driverv1.Welcome{Error: refused.Message}
		case err != nil:
			welcome = &driverv1.Welcome{Error: "not ready"}
		default:
			ear.Welcomed(newest)
			d.newest[m.id] = newest
		}
		done()
		d.leave(func() {
			if welcome.GetError() == "" {
				d.w.books.rules.welcomes(d.w.books, m.id, newest, welcome.GetTerm())
				welcome.Now = timestamppb.New(d.s.State().Now)
			}
			answered(welcome)
		})
	})
}

// status is a status that has arrived.
func (d *daemon) status(m *machine, s *driverv1.Status) {
	if d.ears[m.id] == nil {
		return
	}
	d.spoken[m.id] = d.w.now
	d.inTurn(m.id, func(done func()) {
		d.hear(m, s)
		done()
	})
}

func (d *daemon) hear(m *machine, s *driverv1.Status) {
	if d.ears[m.id].Status(s) == nil {
		before := d.newest[m.id]
		if s.GetEpoch() < before.GetEpoch() || s.GetEpoch() == before.GetEpoch() && s.GetSequence() <= before.GetSequence() {
			d.w.fail("%s takes status %d of %s for news after %d", d.label, s.GetSequence(), m.id, before.GetSequence())
		}
		d.newest[m.id] = s
		d.s.Status(m.id, s)
	}
}

// missSilent looks whether those whose drivers have been silent for long are shown so.
func (d *daemon) missSilent() {
	for _, dev := range d.s.State().Floor.Devices {
		silent := d.w.now - max(d.began, d.spoken[dev.ID])
		if silent > mostSilent && (!dev.Retired || len(dev.Live) > 0) && dev.Link == tandemv1.Link_LINK_ONLINE {
			d.w.fail("%s is shown as online, and its driver has been silent for %v", dev.ID, silent)
		}
	}
}
