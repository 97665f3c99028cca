// Package floor is the heart of tandem: the state of every job, step, panel, piece, device and run of a shop, as a pure
// and deterministic state machine.
//
// Everything that can happen is a [Command]; everything that did happen is a ledgerv1.Event. [Floor.Decide] reads the
// state and answers with the events a command would cause, or with an [*Error]; [Floor.Apply] is the only thing that
// changes the state, and it cannot fail. The same code therefore runs live, in a replay after a restart, in forecasts
// and in fault simulation.
//
// The package reads no clock, does no input or output, starts no goroutine, uses no randomness, and no answer depends on
// the order of a map. It never decides which device gets a step: that is the dispatcher's choice, handed in as the
// command [Grant] and checked here against the rules nobody may break:
//
//   - a step has at most one live run, a device at most its capacity, and fences only grow;
//   - a step that a device may have finished is not started again without the device's answer or a person's;
//   - motion starts on a person's start at the device, unless an unattended start was allowed by name;
//   - a run does not begin on other media than its step asks for, nor on a roll that its books say is too short, unless a
//     named person takes the responsibility; what it takes of a roll is reserved while it lives and used once it has ended;
//   - a panel is not laminated before its drying time is over, unless a named person takes the responsibility.
package floor
