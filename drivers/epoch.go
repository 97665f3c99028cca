package drivers

import (
	"fmt"
	"strconv"
	"strings"

	"go.uber.org/zap"
)

const epochFile = "epoch"

// newEpoch is the wall clock's nanoseconds, or one more than the greatest epoch that is known where the wall clock has
// been set back: after is the present one, and StateDir has that of the last start.
func (h *Host) newEpoch(after uint64) uint64 {
	epoch := max(uint64(max(h.now().UnixNano(), 1)), after+1)
	if h.env.StateDir == "" {
		return epoch
	}
	last, err := h.lastEpoch()
	if err != nil {
		h.env.Log.Warn("epoch of the last start not known; if the wall clock has been set back, the daemon refuses this driver",
			zap.Error(err))
	}
	epoch = max(epoch, last+1)
	if err := SaveState(h.env.StateDir, epochFile, []byte(strconv.FormatUint(epoch, 10)+"\n")); err != nil {
		h.env.Log.Warn("epoch not kept for the next start", zap.Error(err))
	}
	return epoch
}

func (h *Host) lastEpoch() (uint64, error) {
	body, err := LoadState(h.env.StateDir, epochFile)
	if err != nil || body == nil {
		return 0, err
	}
	last, err := strconv.ParseUint(strings.TrimSpace(string(body)), 10, 64)
	if err != nil {
		return 0, fmt.Errorf("read the file %s: %w", epochFile, err)
	}
	if last > maxEpoch {
		return 0, fmt.Errorf("read the file %s: %d is greater than an epoch can be", epochFile, last)
	}
	return last, nil
}

// maxEpoch keeps a garbled epoch from being followed: it lies in the year 2262, and leaves room to count on.
const maxEpoch = 1<<63 - 1
