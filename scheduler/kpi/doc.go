// Package kpi is the arithmetic of reports: what a device did with its time, the key performance indicators that ISO 22400-2
// names, and what was made, lost and late in a period.
//
// It works on what a ledger holds, given as plain rows, and on nothing else: it reads no clock, asks nobody, and gives the same
// answer for the same rows. What nobody knows stays unknown: silence of a device is a class of its own and never idle or stopped
// time, and an indicator whose figures the ledger does not have has no value but says what it lacks.
package kpi
