// Package drivers is what lies between the daemon and the devices of a floor: the contract of a driver, and the host that
// puts a driver on the bus. A driver speaks the language of one kind of device and nothing else. It never sees NATS, the
// scheduler or the ledger, and decides nothing about work: it does what it is told, once, and tells how far it is.
//
// Nothing here is a safety function. Stop is an order to end a run early, not an emergency stop; a maintenance lock in
// the daemon does not isolate a machine's energy. Guards, light curtains and emergency stops belong to the machine.
//
// # Writing a driver
//
//  1. Copy drivers/blueprint/blueprint.go to drivers/NAME/NAME.go and replace what is marked YOURS. A driver is one type
//     with one method, [Driver], whose comment is the whole contract, and one [Kind] that names its settings.
//  2. Add its Kind to the list in drivers/all. Nothing registers itself.
//  3. Run go test ./drivers/all. The conformance suite of drivers/drivertest runs over every kind in that list, with
//     Kind.Example as settings, in virtual time.
//
// Run is usually one loop: report the whole status, then wait for the first of an order, something from the device, a
// timer, and the end of ctx. Everything that happens ends in a report, and a report too many costs nothing. Ask the
// device how it is before the first report, because it may have gone on while its driver was dead. Return an error when
// the device is lost, one that wraps [ErrDeviceReset] when it has forgotten its work, and nil when ctx has ended; leave
// the device as it is then. Take the time from Env.Clock, which may run faster than the wall clock, and keep what must
// outlive the process with [SaveState]: that a run begins is stored before anything moves, and what cannot be stored does not
// begin ([ReasonNotStored]).
//
// # What a status says
//
// State, phase, link and reasons are four things (RFC 8011 sections 5.4.11, 5.4.12 and 5.3.7; the phases are the words of
// XJDF DeviceStatus):
//
//	state    what the device can do: idle (take work), processing, stopped (nothing until somebody helps)
//	phase    which clock of the time accounting runs: idle, setup, production, cleanup, non-productive, stopped, offline
//	link     online, or offline when the driver lives and cannot reach its device; the host sets it
//	reasons  why: keywords of RFC 8011 and PWG 5100.9 with -report, -warning or -error, such as media-empty-error;
//	         without a suffix it counts as an error; our own begin with x-
//
// A run is pending (in hand, not begun), processing, processing-stopped (began and stands still), or has ended as
// completed, canceled or aborted, once. What a driver does not know it leaves out; it never guesses that something is
// finished.
//
// # Reading marks
//
// Grant.panels says how large the rectangle between the marks of each panel is. A cutter that finds marks with a sensor
// reads them before it cuts a panel and reports where it found them, in its own coordinates and micrometres:
//
//	RunStatus.mark_readings: one for each panel read, in the order in which they were read
//	panel_code               as in Grant.panels, whatever lies there
//	marks                    in the order (0, 0), (width, 0), (width, length), (0, length): four, or the first two or
//	                         three if the floor file's marks_per_panel says so
//
// The daemon fits them to the box and asks for a stop if the panel cannot be the right one: another size, turned,
// mirrored. A driver takes no part in that: it reports what was read, in the order of the marks, whether or not it
// looks right, and never reorders readings until they fit. It begins to cut a panel only some seconds after it has
// reported the reading, so that a stop can come first; the daemon sends no word that all is well, and a driver waits
// for none: a daemon that is away does not keep a cutter from working. A panel that is read again is reported again; a
// reading once reported stands until another replaces the list. A status carries the last 12.
//
// This is a check of identity beside the scan of the panel's code, against the wrong panel or a panel the wrong way
// round. It is not a safety function: the stop it leads to is an order like any other, as late as the network is.
//
// # Starting motion
//
// While Grant.may_start is false nothing moves, and the run is reported pending with [ReasonAwaitingStart]. A person at
// the device may start it there. Nothing begins by itself after a fault, a restart or a return of power: the host hands a
// grant over again without its start when the device was lost after the first time, and only a start that was given anew
// counts. What was under way in the machine itself goes on, and is reported so.
//
// # Watching
//
// A device has one driver, which does its work, and up to [MaxWatchers] watchers beside it (floor file: watch, in the order
// of precedence), which read what it does and give no order: its SNMP agent, its stack light. A kind of watcher has
// NewWatcher in its [Kind] instead of New, is listed in drivers/all like any other, and drivertest.RunWatcher holds it
// against what every [Watcher] must keep. The host runs the watchers, calls one again that has lost what it reads, and puts
// what they see together with what the driver says:
//
//	runs, link   the driver's alone: a watcher begins, stops and ends no run, whatever it sees
//	state        the first watcher counts that is reached and knows it; of its state and the driver's the worse is shown:
//	             stopped before processing before idle. Phase comes with it
//	reasons      the driver's, those of the watcher whose state counts, and the warnings and reports of the others;
//	             x-watcher-lost-warning where one is not reached, whose silence is never taken for idle or stopped
//	supplies     of the first watcher that is reached and knows any
//
// What people do at a machine without us is shown and not fought: a device that works without a run of ours is processing
// with x-other-work-report, one that somebody has stopped is stopped and gets no new run until it is not, and what is under
// way stays as its driver says.
//
// # Without Go
//
// The bus carries protobuf JSON over core NATS, on three subjects (see proto/tandem/driver/v1), so a driver can be
// written in any language. It then does itself what [Host] does here: [Host.Serve] says what that is.
package drivers
