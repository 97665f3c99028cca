package intake

import (
	"time"

	"tandem/clients/ticketfile"
)

// Kind is what has happened.
type Kind string

// What can happen.
const (
	Started Kind = "started" // the folder is watched
	Taken   Kind = "taken"   // the daemon has taken a job in
	Same    Kind = "same"    // a file with the content of one before
	Refused Kind = "refused" // a file cannot be taken
	Waiting Kind = "waiting" // a file is not complete yet, or what it names is not there yet
	Stuck   Kind = "stuck"   // a file cannot be read or moved; it is tried again
	Left    Kind = "left"    // a file is no ticket and stays
	Lost    Kind = "lost"    // the daemon does not answer; files stay
	Back    Kind = "back"    // it does again
	Gone    Kind = "gone"    // the folder cannot be read
	Found   Kind = "found"   // it can again
	Stopped Kind = "stopped" // the folder is no longer watched
)

// Event is something that has happened.
type Event struct {
	Time time.Time `json:"time"`
	Kind Kind      `json:"event"`
	// File is the name in the watched folder.
	File string `json:"file,omitempty"`
	// To is where the file has gone, relative to the watched folder.
	To string `json:"to,omitempty"`
	// Job is the id of the job, Code its code, and Steps how many it has.
	Job   string `json:"job,omitempty"`
	Code  string `json:"code,omitempty"`
	Steps int    `json:"steps,omitempty"`
	// Text says it for people.
	Text string `json:"text,omitempty"`
	// Problems are what is wrong with the file.
	Problems []ticketfile.Problem `json:"problems,omitempty"`
}
