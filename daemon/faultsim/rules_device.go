package faultsim

import (
	"slices"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

func (s *rules) deviceEvent(b *books, rec *ledgerv1.Record, e *ledgerv1.Event) {
	w := s.w
	out := func(device string) {
		s.takeBack(b, device+" was taken out of use", func(r *entry) bool { return r.device == device && !r.told })
	}
	switch k := e.GetKind().(type) {
	case *ledgerv1.Event_FloorConfigured:
		s.configured(b, k.FloorConfigured.GetFloor())
	case *ledgerv1.Event_DeviceGreeted:
		d := s.devices[k.DeviceGreeted.GetDevice()]
		if epoch := k.DeviceGreeted.GetEpoch(); epoch != d.epoch {
			if epoch < d.epoch {
				w.fail("a driver of %s with epoch %d was welcome after one with %d", k.DeviceGreeted.GetDevice(), epoch, d.epoch)
			}
			d.epoch, d.loaded = epoch, nil
			for _, r := range b.all {
				r.adrift = r.adrift || r.device == k.DeviceGreeted.GetDevice() && !r.ended && r.allowed && !r.told && !d.manual
			}
		}
		d.greeted[greeted{d.epoch, rec.GetTerm()}] = true
	case *ledgerv1.Event_DeviceChanged:
		d := s.devices[k.DeviceChanged.GetDevice()]
		if e.GetActor() == "daemon" {
			s.lose(b, k.DeviceChanged.GetDevice())
			return
		}
		if !d.greeted[greeted{d.epoch, rec.GetTerm()}] {
			w.fail("a status of %s was taken before its driver had said hello in term %d", k.DeviceChanged.GetDevice(), rec.GetTerm())
		}
	case *ledgerv1.Event_DeviceLocked:
		s.devices[k.DeviceLocked.GetDevice()].locker = e.GetActor()
		out(k.DeviceLocked.GetDevice())
	case *ledgerv1.Event_DeviceUnlocked:
		d := s.devices[k.DeviceUnlocked.GetDevice()]
		if e.GetActor() != d.locker && e.GetActor() != supervisor {
			w.fail("%s unlocked %s, which %s had locked", e.GetActor(), k.DeviceUnlocked.GetDevice(), d.locker)
		}
		d.locker = ""
		s.leaves(b, k.DeviceUnlocked.GetDevice())
	case *ledgerv1.Event_MediaLoaded:
		s.loads(b, k.MediaLoaded)
	case *ledgerv1.Event_DevicePaused:
		s.devices[k.DevicePaused.GetDevice()].paused = true
		out(k.DevicePaused.GetDevice())
	case *ledgerv1.Event_DeviceResumed:
		s.devices[k.DeviceResumed.GetDevice()].paused = false
	}
}

// configured takes a floor file. A device that comes back to it after it had nothing left to do is a new one, unless it is locked: whoever
// has locked it may still be inside.
func (s *rules) configured(b *books, file *tandemv1.FloorFile) {
	s.presence.shifts = file.GetShifts()
	for _, m := range s.w.machines {
		d := s.devices[m.id]
		d.out = !slices.ContainsFunc(file.GetDevices(), func(l *tandemv1.Device) bool { return l.GetId() == m.id })
		s.leaves(b, m.id)
	}
}

// leaves forgets a device that is out of the floor file and has nothing left to do.
func (s *rules) leaves(b *books, device string) {
	if d := s.devices[device]; d.out && b.load[device] == 0 && d.locker == "" {
		d.epoch, d.paused, d.loaded, d.media = 0, false, nil, s.first[device]
	}
}

// lose says that a record must say of all that a lost device may have begun that nobody knows its outcome. A run whose start has lapsed,
// because its device came back and said that it waits, is not among that, though the daemon had once lost it.
func (s *rules) lose(b *books, device string) {
	for _, r := range b.all {
		if r.device == device && !r.ended && (r.allowed || r.said) && !s.devices[device].manual {
			s.back = append(s.back, takenBack{r, device + " was lost", true})
		}
	}
}

// loads takes what somebody puts on a device: nothing else than a run needs that may move at that moment.
func (s *rules) loads(b *books, e *ledgerv1.MediaLoaded) {
	d := s.devices[e.GetDevice()]
	for _, r := range b.all {
		need := s.steps[r.step].media
		if r.device == e.GetDevice() && !r.ended && (r.allowed || r.started) && need == d.media && need != "" && need != e.GetMedia() {
			s.w.fail("%s was put on %s, which had been let begin %s of %s with %s", e.GetMedia(), e.GetDevice(), r.run, r.step, need)
		}
	}
	d.media = e.GetMedia()
}

// welcomes looks whether a driver that is told it is welcome is so by the ledger, and what the ledger makes of runs that its
// device may have begun and does not list.
func (s *rules) welcomes(b *books, device string, st *driverv1.Status, term uint64) {
	epoch := st.GetEpoch()
	for _, r := range b.all {
		if r.device != device || !r.adrift {
			continue
		}
		r.adrift = false
		listed := slices.ContainsFunc(st.GetRuns(), func(o *driverv1.RunStatus) bool { return o.GetRun() == r.run })
		if !listed && !r.ended && !r.told {
			s.w.fail("%s began anew without %s, which it had been let begin, and the ledger takes it for one that waits", device, r.run)
		}
	}
	s.knowsOfAll(b, device, st)
	if !s.devices[device].greeted[greeted{epoch, term}] {
		s.w.fail("the driver of %s was welcomed with epoch %d in term %d, and the ledger does not say so", device, epoch, term)
	}
}
