// Package layout arranges pieces on a web or on sheets: how many go side by side, where a panel ends, what length of media
// they use and what is wasted.
//
// [Repeat] lays many equal pieces in rows (step-and-repeat). [Pack] lays different pieces of one or several jobs on the
// same web (a gang run), for which [Strip] searches good two-dimensional packings. A piece is never cut by the end of a
// panel, and pieces keep their gutter on all sides.
//
// All lengths are whole micrometres, counted from the left edge of the media (x) and from the beginning of a panel's
// content (y, in the direction in which the web leaves the machine). The formulas are common practice of the trade and
// have no published source; those of [Strip] name theirs.
//
// The package reads no clock, does no input or output, starts no goroutine, and no answer depends on the order of a map.
// Chance enters as a seed: the same input with the same seed and budget gives the same answer. A caller that wants to
// stop a search by time hands in a stop function.
package layout
