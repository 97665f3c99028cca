package floor

import (
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
)

// Keyword returns a state as RFC 8011 writes it, such as "processing-stopped".
func Keyword(s tandemv1.JobState) string { return keyword(s.String(), "JOB_STATE_") }

// DeviceKeyword returns a device state as RFC 8011 writes it, such as "idle".
func DeviceKeyword(s tandemv1.DeviceState) string { return keyword(s.String(), "DEVICE_STATE_") }

// PhaseKeyword returns a phase as we write it, such as "non-productive".
func PhaseKeyword(p tandemv1.DevicePhase) string { return keyword(p.String(), "DEVICE_PHASE_") }

// LinkKeyword returns a link as we write it, such as "not-yet-reported".
func LinkKeyword(l tandemv1.Link) string { return keyword(l.String(), "LINK_") }

func keyword(name, prefix string) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(name, prefix)), "_", "-")
}
