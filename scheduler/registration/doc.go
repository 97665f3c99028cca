// Package registration finds out how a printed panel lies on the cutter, from where its marks should be and where the
// cutter's sensor read them, and judges whether it can be the right panel at all. It is arithmetic only: it never moves a
// tool, never reorders readings of its own accord and never says that a panel is right, only that it may be.
//
// Coordinates are micrometres, in float64 since a sensor reads between them.
package registration
