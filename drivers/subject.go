package drivers

import tandemv1 "tandem/proto/tandem/v1"

const (
	helloPrefix  = "tandem.v1.hello."
	statusPrefix = "tandem.v1.status."
	orderPrefix  = "tandem.v1.order."
	greetPrefix  = "tandem.v1.greet."
)

// ValidID reports whether s matches [a-z0-9][a-z0-9-]{0,62}, the grammar of every id. Such an id is one token of a
// subject and never a wildcard, a path or a formula, so it needs no escaping anywhere.
func ValidID(s string) bool { return tandemv1.ValidID(s) }

// HelloSubject is where the driver of a device sends its Hello requests. The device must be a [ValidID].
func HelloSubject(device string) string { return helloPrefix + device }

// StatusSubject is where the driver of a device publishes its Status. The device must be a [ValidID].
func StatusSubject(device string) string { return statusPrefix + device }

// OrderSubject is where the driver of a device answers Order requests. The device must be a [ValidID].
func OrderSubject(device string) string { return orderPrefix + device }

// GreetSubject is where the driver of a device hears that it shall say hello again, as on a connect: another daemon leads
// now and has not heard it yet. The message is empty, and may get lost or come twice. The device must be a [ValidID].
func GreetSubject(device string) string { return greetPrefix + device }
