// Package contour reads the knife path of a cut file and says how long a cutter needs for it. It knows the geometry of an
// SVG file and the kinematics of a machine that stops, turns and lifts its tool; it never reads a file, a clock or a
// network, follows no reference out of the document it is given, and keeps nothing between calls.
//
// The path data, arcs and curves are worked out here rather than by a drawing library: what a forecast needs is a length
// that is right to 1e-6, a polyline that is never further from the curve than it says, and a number of segments that is
// known before memory is taken for them.
//
// Lengths are millimetres inside a [Contour], micrometres in its [Summary] and in a [Motion].
package contour
