package stream

import (
	"testing"

	"tandem/drivers/drivertest"
)

func TestRehearsal(t *testing.T) { drivertest.Run(t, Kind()) }
