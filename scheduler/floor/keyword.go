package floor

import (
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
)

// Keyword returns a state as RFC 8011 writes it, such as "processing-stopped".
func Keyword(s tandemv1.JobState) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(s.String(), "JOB_STATE_")), "_", "-")
}

// DeviceKeyword returns a device state as RFC 8011 writes it, such as "idle".
func DeviceKeyword(s tandemv1.DeviceState) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(s.String(), "DEVICE_STATE_")), "_", "-")
}
