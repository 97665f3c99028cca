// Package compareview puts a comparison of floors into words, and makes the floors that are compared: one with a device
// more, without one, with an operator more.
//
// It asks nobody and changes only the floor file that it is given.
package compareview
