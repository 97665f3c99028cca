package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"go.uber.org/zap"

	"tandem/proto/lockfile"
)

// errDriven says that another process drives a device with the same data folder. Two would write over what the other has begun,
// and take the device's runs from each other.
var errDriven = errors.New("device driven already")

// lockDevice keeps other processes from driving a device with this data folder until the function it returns is called. A
// folder that cannot be locked is told and left: a driver that can keep nothing in it begins nothing.
func lockDevice(dataDir, device string, log *zap.Logger) (unlock func(), err error) {
	if dataDir == "" {
		return func() {}, nil
	}
	path := filepath.Join(dataDir, "drivers", device, "lock")
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		log.Warn("the driver's folder is not locked: see that no second process drives the device", zap.Error(err))
		return func() {}, nil
	}
	unlock = func() { _ = f.Close() }
	switch err := lockfile.Take(f); {
	case errors.Is(err, lockfile.ErrHeld):
		unlock()
		return nil, fmt.Errorf("%w: %s is %w: end that one first", errDriven, device, err)
	case err != nil:
		log.Warn("the driver's folder is not locked: see that no second process drives the device", zap.Error(err))
	}
	return unlock, nil
}
