// Package crashtest runs the real daemon and real drivers as processes of their own, does to them what happens to computers,
// and looks at what is left: whether everything acknowledged is there, once, and whether any machine was started twice.
//
// A [Shop] is a floor on a data folder, with its daemon and drivers; [Load] is its clients, whose history is checked against a
// sequential model; [Audit] reads the ledger of a daemon that is stopped; [Storm] kills one shop again and again. The package
// knows the daemon only by its files, its ports and its process id. It is for tests and the command storm, and no part of the
// product imports it.
package crashtest
