//go:build !unix

package durable

// cannotSync says that no folder can be synced here.
func cannotSync(error) bool { return true }
