package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"tandem/clients/dial"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// change is a command that changes something: its flags, and how it asks.
type change struct {
	*app
	requestID string
	note      string
}

// keyFlag adds the flag that makes a change repeatable.
func (c *change) keyFlag(cmd *cobra.Command) {
	cmd.Flags().StringVar(&c.requestID, "request-id", "", "key of this change: the same again gets the first answer (default: a fresh one)")
}

func (c *change) noteFlag(cmd *cobra.Command, usage string) {
	cmd.Flags().StringVar(&c.note, "note", "", usage)
}

// key returns the key of this change.
func (c *change) key() string {
	if c.requestID == "" {
		c.requestID = dial.NewKey()
	}
	return c.requestID
}

// ask makes the change and shows what has become of its subject.
func (c *change) ask(ctx context.Context, call func(ctx context.Context, key string) (proto.Message, error)) error {
	if c.actor == "" {
		return usagef("who asks? give a name with --actor or TANDEM_ACTOR")
	}
	key := c.key()
	limited, cancel := c.bounded(ctx)
	defer cancel()
	reply, err := call(limited, key)
	if err != nil {
		return &changeError{key, err}
	}
	c.outcome(reply)
	return nil
}

// outcome shows a job, a device or a run after a change.
func (a *app) outcome(m proto.Message) {
	if a.json {
		a.message(m)
		return
	}
	switch m := m.(type) {
	case *tandemv1.Job:
		a.subject("job", m.GetId(), jobHeadline(m))
	case *tandemv1.Device:
		a.subject("device", m.GetId(), a.deviceHeadline(m))
	case *tandemv1.Lot:
		a.subject("lot", m.GetId(), lotHeadline(m))
	case *tandemv1.AttendanceView:
		a.attendance(m)
	case *tandemv1.Review:
		a.review(m)
	case *tandemv1.Run:
		a.subject("run", m.GetId(), runHeadline(m))
	}
}

func (a *app) subject(kind, id string, headline []span) {
	if a.quiet {
		a.text("%s", id)
		return
	}
	a.line(append([]span{{plain, kind + " "}, {strong, id}, {plain, ": "}}, headline...)...)
}

func jobHeadline(j *tandemv1.Job) []span {
	rest := ""
	if len(j.GetStateReasons()) > 0 {
		rest += " (" + reasons(j.GetStateReasons()) + ")"
	}
	if j.GetCode() != "" {
		rest += ", code " + j.GetCode()
	}
	rest += ", " + wording.Count(len(j.GetSteps()), "step")
	if len(j.GetMembers()) > 0 {
		rest += ", gang run of " + strings.Join(j.GetMembers(), ", ")
	}
	return []span{state(wording.JobState(j.GetState())), {plain, rest}}
}

func (a *app) deviceHeadline(d *tandemv1.Device) []span {
	rest := ""
	if len(d.GetStateReasons()) > 0 {
		rest += " (" + reasons(d.GetStateReasons()) + ")"
	}
	if d.GetLink() != tandemv1.Link_LINK_ONLINE {
		rest += ", " + wording.Link(d.GetLink())
	}
	if d.GetPaused() {
		rest += ", paused"
	}
	if d.GetLockedBy() != "" {
		rest += ", locked by " + d.GetLockedBy()
	}
	if d.GetBackTime() != nil {
		rest += ", expected back " + d.GetBackTime().AsTime().In(a.zone).Format("2006-01-02 15:04")
	}
	if d.GetPauseNote() != "" {
		rest += ": " + d.GetPauseNote()
	}
	if d.GetLoadedMedia() != "" {
		rest += ", " + loadedMedia(d) + " loaded"
	}
	if d.GetBlade() != "" {
		rest += ", blade " + d.GetBlade()
	}
	return []span{state(wording.DeviceState(d.GetState())), {plain, rest}}
}

func runHeadline(r *tandemv1.Run) []span {
	rest := fmt.Sprintf(", %s / %s on %s", r.GetJob(), r.GetStep(), r.GetDevice())
	if len(r.GetStateReasons()) > 0 {
		rest = " (" + reasons(r.GetStateReasons()) + ")" + rest
	}
	if r.GetStartedBy() != "" {
		rest += ", started by " + r.GetStartedBy()
	}
	if r.GetOverrideNote() != "" {
		rest += ", although other media is on the device: " + r.GetOverrideNote()
	}
	return []span{state(wording.JobState(r.GetState())), {plain, rest}}
}
