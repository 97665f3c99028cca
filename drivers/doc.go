// Package drivers is what the daemon and the devices of a floor have between them. Placeholder, replaced below.
package drivers
