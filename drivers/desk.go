package drivers

import (
	"slices"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// mostInHand is the greatest number of runs in a status; beyond it the run that ended first is left out.
	mostInHand = 96
	// mostErrands bounds what waits for a driver that takes no orders.
	mostErrands = 4 * mostInHand

	reasonConnecting = "connecting-to-device"
)

// desk is what a host knows: the runs in hand, what the driver last said, and what it has yet to be told. Orders and
// reports meet here, from different goroutines; nothing here waits.
type desk struct {
	env    Env
	manual bool
	wake   chan struct{} // room for one: the status has changed
	more   chan struct{} // room for one: the errands have changed

	mu          sync.Mutex
	epoch       uint64
	sequence    uint64
	welcomed    bool   // in this epoch and on this connection
	metTerm     uint64 // of the daemon that has welcomed it last: by its clock this driver's is set
	minFence    uint64 // from Welcome
	term        uint64 // the greatest of any daemon that has been heard
	seenFence   uint64 // the greatest of any grant
	hand        []*held
	gone        goneRuns
	errands     []errand
	errandCount int

	sights    []sight          // what the watchers say, in the order of precedence
	device    *driverv1.Status // what the driver last said, without runs; nil: nothing yet
	observed  time.Time        // when that was
	life      int              // counts the driver's calls
	serving   bool             // the present call has reported
	spoken    bool             // some call of this epoch has reported
	lossTold  bool             // the log has a line about a lost device
	news      news
	overtaken uint64 // an order's greater epoch, heard while the daemon refuses ours
	refused   bool   // the daemon has refused the last hello

	helloAsked bool // the daemon asks for a hello
}

// news says how urgently a status wants to go out.
type news int

const (
	nothing news = iota
	progress
	taken // the daemon has heard of it in an answer, and hears of it again together with what the driver makes of it
	change
)

// held is a run in hand.
type held struct {
	run    string
	fence  uint64
	grant  *driverv1.Grant // as it last came; nil: the device itself has told of the run
	status *driverv1.RunStatus

	stop     bool // a stop has come
	listed   bool // the present call of the driver has it in its status
	dropped  bool // the driver had it in its status, and no longer has
	begun    bool // the device has said that it began
	allowed  bool // the driver has been told that it may start
	heldBack bool // since then the device has been lost: a start must be given anew
}

func (h *held) ended() bool { return Ended(h.status.GetState()) }

// mayHaveBegun says whether nobody knows how far a run is once its device is lost.
func (h *held) mayHaveBegun() bool { return h.begun || h.allowed }

func (h *held) setUnknown() {
	h.status.State = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
	h.status.StateReasons = []string{ReasonOutcomeUnknown}
}

func newDesk(env Env, manual bool, epoch uint64) *desk {
	return &desk{env: env, manual: manual, epoch: epoch, wake: make(chan struct{}, 1), more: make(chan struct{}, 1)}
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

func (d *desk) note(n news) {
	if n > d.news {
		d.news = n
		signal(d.wake)
	}
}

// find returns a run in hand, or nil.
func (d *desk) find(run string) *held {
	for _, h := range d.hand {
		if h.run == run {
			return h
		}
	}
	return nil
}

// live returns the first run that has not ended, and their number.
func (d *desk) live() (first string, n int) {
	for _, h := range d.hand {
		if !h.ended() {
			if n++; n == 1 {
				first = h.run
			}
		}
	}
	return first, n
}

// put takes a run in hand. If there is no room, the run that ended first is left out; it reports false if none has ended.
func (d *desk) put(h *held) bool {
	if len(d.hand) >= mostInHand {
		i := slices.IndexFunc(d.hand, (*held).ended)
		if i < 0 {
			return false
		}
		d.gone.add(d.hand[i].run, evicted)
		d.hand = slices.Delete(d.hand, i, i+1)
	}
	d.hand = append(d.hand, h)
	return true
}

func (d *desk) remove(h *held) {
	d.hand = slices.DeleteFunc(d.hand, func(o *held) bool { return o == h })
	d.errands = slices.DeleteFunc(d.errands, func(e errand) bool { return e.held == h })
}

// begin starts a call of the driver: it is handed everything that is live again.
func (d *desk) begin() (life int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.life++
	d.serving = false
	d.errands = slices.DeleteFunc(d.errands, func(e errand) bool { return e.kind != settle })
	for _, h := range d.hand {
		h.listed = false
		if h.ended() {
			continue
		}
		if h.grant != nil {
			d.errand(h, grant)
		}
		if h.stop {
			d.errand(h, stop)
		}
	}
	return d.life
}

// end notes that a call of the driver has ended, which loses the device. It reports whether that call has served.
func (d *desk) end(life int) (served bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	served = d.serving && d.life == life
	d.life++ // late reports of that call do not count
	d.serving = false
	for _, h := range d.hand {
		h.listed = false
		if h.ended() || !h.mayHaveBegun() {
			continue
		}
		h.setUnknown()
		h.heldBack = !d.manual
	}
	d.note(change)
	return served
}

// tellLoss reports whether a loss is worth a line in the log.
func (d *desk) tellLoss() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	first := !d.lossTold
	d.lossTold = true
	return first
}

// reset begins a new epoch for a device that has forgotten its work. What it may have begun is no longer in hand; what
// it certainly has not begun, and what had ended, still is.
func (d *desk) reset(epoch uint64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, h := range slices.Clone(d.hand) {
		if !h.ended() && h.mayHaveBegun() {
			d.remove(h)
			d.gone.add(h.run, forgotten)
		}
	}
	d.newEpoch(epoch)
	d.spoken = false
	d.device = nil
}

func (d *desk) newEpoch(epoch uint64) {
	d.epoch, d.sequence, d.welcomed, d.refused = epoch, 0, false, false
	d.note(change)
	signal(d.wake)
}

func (d *desk) currentEpoch() uint64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.epoch
}

// greeting says whether a hello has something to say yet, and in which epoch.
func (d *desk) greeting() (epoch uint64, spoken bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.epoch, d.spoken
}

// welcome notes that the daemon has accepted the driver.
func (d *desk) welcome(epoch uint64, w *driverv1.Welcome) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if epoch == d.epoch {
		d.welcomed, d.refused = true, false
		d.minFence = max(d.minFence, w.GetMinFence())
		d.term, d.metTerm = max(d.term, w.GetTerm()), w.GetTerm()
	}
}

// overruled says whether another daemon has come to lead since a term.
func (d *desk) overruled(term uint64) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.old(term)
}

// old says the same; 0 is a daemon that does not tell its term.
func (d *desk) old(term uint64) bool { return term > 0 && term < d.term }

// unwelcome notes that the bus has been lost: the daemon may be another when it is back.
func (d *desk) unwelcome() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.welcomed = false
}

// reachable says whether the driver reaches its device.
func (d *desk) reachable() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.serving && d.device.GetLink() == tandemv1.Link_LINK_ONLINE
}

// urgency returns how urgently the status wants to go out.
func (d *desk) urgency() news {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.news
}

// refusedBy notes that the daemon does not accept the driver in this epoch.
func (d *desk) refusedBy(epoch uint64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if epoch == d.epoch {
		d.refused, d.welcomed = true, false
	}
}

// takeHelloAsked says whether the daemon has asked for a hello since the last call.
func (d *desk) takeHelloAsked() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	asked := d.helloAsked
	d.helloAsked = false
	return asked
}

// takeOvertaken returns an epoch that a new one must be greater than, or 0.
func (d *desk) takeOvertaken() uint64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	after := d.overtaken
	d.overtaken = 0
	return after
}

// renew begins a new epoch with everything in hand as it is.
func (d *desk) renew(epoch uint64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.newEpoch(epoch)
}

// publish returns the whole truth for a status, and takes it as told; nil if another epoch has begun.
func (d *desk) publish(epoch uint64) *driverv1.Status {
	d.mu.Lock()
	defer d.mu.Unlock()
	if epoch != d.epoch {
		return nil
	}
	d.news = nothing
	return d.snapshot()
}

// greet returns the whole truth for a hello, of which nobody knows whether it arrives; nil if another epoch has begun.
func (d *desk) greet(epoch uint64) *driverv1.Status {
	d.mu.Lock()
	defer d.mu.Unlock()
	if epoch != d.epoch {
		return nil
	}
	return d.snapshot()
}

// snapshot returns the whole truth with the next sequence, as a message that nobody else holds.
func (d *desk) snapshot() *driverv1.Status {
	d.sequence++
	s := new(driverv1.Status)
	if d.device != nil {
		s = proto.CloneOf(d.device)
	}
	if !d.serving {
		s.Link, s.Phase = tandemv1.Link_LINK_OFFLINE, tandemv1.DevicePhase_DEVICE_PHASE_OFFLINE
		s.StateReasons = []string{reasonConnecting}
	} else {
		d.observed = d.env.Clock.Now()
	}
	s.Epoch, s.Sequence = d.epoch, d.sequence
	if !d.observed.IsZero() && told(d.env.Clock) {
		s.ObserveTime = timestamppb.New(d.observed)
	}
	for _, h := range d.hand {
		rs := proto.CloneOf(h.status)
		rs.Job, rs.Step = h.grant.GetJob(), h.grant.GetStep()
		s.Runs = append(s.Runs, rs)
	}
	leaveOutReadings(s.GetRuns())
	d.look(s)
	return s
}

func told(c clock.Clock) bool {
	select {
	case <-clock.Told(c):
		return true
	default:
		return false
	}
}
