package learn

import "tandem/scheduler/badfield"

// Error is why an observation or a state was refused.
type Error = badfield.Error
