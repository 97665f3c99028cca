package floor

import (
	"errors"
	"fmt"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/badfield"
	"tandem/scheduler/calendar"
)

// Readable says whether this program reads records and snapshots of a schema; the error is for people.
func Readable(schema uint32) error {
	if schema > Schema {
		return fmt.Errorf("schema %d was written by a newer program, and this one reads up to %d: use the newer program, or restore a backup made before the upgrade", schema, Schema)
	}
	return nil
}

// readableFile returns why the calendar of a floor file cannot be built here. The file was checked before it was stored, but perhaps by a
// newer program, or on a computer that knows more time zones.
func readableFile(file *tandemv1.FloorFile) error {
	_, err := calendar.New(file)
	var bad *badfield.Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &bad) && bad.Field == "time_zone":
		return fmt.Errorf("has a floor file in the time zone %q, which this computer and this program do not know: "+
			"install the computer's time zone database (tzdata) anew, or use the program that wrote it", file.GetTimeZone())
	default:
		return fmt.Errorf("has a floor file whose calendar this program cannot build: %w: use the program that wrote it", err)
	}
}
