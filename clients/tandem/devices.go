package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/durationpb"

	"tandem/clients/celltext"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) devicesCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "devices [DEVICE]",
		Short: "List devices, or show one with its abilities and runs.",
		Example: `  tandem devices
  tandem devices cutter-1`,
		Args: cobra.MaximumNArgs(1),
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		if len(args) == 1 {
			return a.showDevice(cmd.Context(), args[0])
		}
		return a.listDevices(cmd.Context())
	})
	return cmd
}

func (a *app) listDevices(ctx context.Context) error {
	list, err := a.allDevices(ctx)
	if err != nil {
		return err
	}
	switch {
	case a.json:
		a.message(list)
		return nil
	case a.quiet:
		for _, d := range list.GetDevices() {
			a.text("%s", d.GetId())
		}
		return nil
	case len(list.GetDevices()) == 0:
		a.say("no devices")
		return nil
	}
	clock := a.clock(ctx)
	t := table{head: []string{"DEVICE", "CODE", "STATE", "PHASE", "LINK", "MEDIA", "RUNS", "REMARKS"}}
	for _, d := range list.GetDevices() {
		t.add(span{strong, d.GetId()}, span{plain, orDash(d.GetCode())}, state(wording.DeviceState(d.GetState())),
			span{plain, wording.Phase(d.GetPhase())}, link(d), span{plain, orDash(loadedMedia(d))},
			span{plain, fmt.Sprintf("%d/%d", len(d.GetRuns()), max(d.GetCapacity(), 1))}, span{plain, deviceRemarks(clock, d)})
	}
	t.print(a.printer)
	return nil
}

// allDevices collects every page. The revision is that of the first.
func (a *app) allDevices(ctx context.Context) (*tandemv1.ListDevicesResponse, error) {
	client, err := a.devices()
	if err != nil {
		return nil, err
	}
	all := &tandemv1.ListDevicesResponse{}
	for token := ""; ; {
		page, err := bounded(ctx, a, func(ctx context.Context) (*tandemv1.ListDevicesResponse, error) {
			return client.ListDevices(ctx, &tandemv1.ListDevicesRequest{PageToken: token})
		})
		if err != nil {
			return nil, err
		}
		if token == "" {
			all.Revision = page.GetRevision()
		}
		all.Devices = append(all.Devices, page.GetDevices()...)
		if token = page.GetNextPageToken(); token == "" {
			return all, nil
		}
	}
}

func link(d *tandemv1.Device) span {
	word := wording.Link(d.GetLink())
	if d.GetLink() == tandemv1.Link_LINK_ONLINE {
		return span{plain, word}
	}
	return span{warned, word}
}

// loadedMedia is what is on a device, with the roll and what is left of it if account is kept.
func loadedMedia(d *tandemv1.Device) string {
	if d.GetLoadedLot() == "" {
		return d.GetLoadedMedia()
	}
	return fmt.Sprintf("%s (%s, %s left)", d.GetLoadedMedia(), d.GetLoadedLot(), wording.Metres(d.GetLoadedRemainingUm()))
}

func deviceRemarks(clock wording.Clock, d *tandemv1.Device) string {
	var parts []string
	if len(d.GetStateReasons()) > 0 {
		parts = append(parts, reasons(d.GetStateReasons()))
	}
	if d.GetPaused() {
		parts = append(parts, "paused")
	}
	if d.GetLockedBy() != "" {
		parts = append(parts, "locked by "+d.GetLockedBy())
	}
	if d.GetBackTime() != nil {
		parts = append(parts, "expected back "+clock.At(d.GetBackTime()))
	}
	if d.GetUnloadUntilTime() != nil {
		parts = append(parts, "to be unloaded, free "+clock.At(d.GetUnloadUntilTime()))
	}
	if d.GetPauseNote() != "" {
		parts = append(parts, d.GetPauseNote())
	}
	if d.GetLink() == tandemv1.Link_LINK_OFFLINE && d.GetLastSeenTime() != nil {
		parts = append(parts, "last heard "+clock.When(d.GetLastSeenTime()))
	}
	return strings.Join(parts, ", ")
}

func (a *app) showDevice(ctx context.Context, id string) error {
	client, err := a.devices()
	if err != nil {
		return err
	}
	device, err := bounded(ctx, a, func(ctx context.Context) (*tandemv1.Device, error) {
		return client.GetDevice(ctx, &tandemv1.GetDeviceRequest{Id: id})
	})
	if err != nil {
		return err
	}
	switch {
	case a.json:
		a.message(device)
	case a.quiet:
		a.text("%s", device.GetId())
	default:
		a.device(a.clock(ctx), device)
	}
	return nil
}

// device shows everything about one device.
func (a *app) device(clock wording.Clock, d *tandemv1.Device) {
	a.line(span{strong, d.GetId()}, span{plain, before("  ", words("  ", d.GetCode(), d.GetDisplayName()))})
	var f facts
	f.style("state", stateStyle(wording.DeviceState(d.GetState())), withReasons(wording.DeviceState(d.GetState()), d.GetStateReasons()))
	f.add("phase", wording.Phase(d.GetPhase()))
	l := link(d)
	f.style("link", l.Style, l.Text)
	f.add("last heard", clock.When(d.GetLastSeenTime()))
	f.add("driver", words(", ", d.GetDriver().GetKind(), orNothing(d.GetDriver().GetExternal(), "in a process of its own"),
		orNothing(d.GetDriver().GetManual(), "no data port: people's scans are its reports")))
	f.style("paused", warned, orNothing(d.GetPaused(), orElse(d.GetPauseNote(), "yes")))
	if d.GetLockedBy() != "" {
		f.style("locked", warned, words(": ", "by "+d.GetLockedBy(), d.GetPauseNote()))
	}
	f.add("media", d.GetLoadedMedia())
	if d.GetLoadedLot() != "" {
		f.add("lot", fmt.Sprintf("%s, %s left, %s of it for live runs", d.GetLoadedLot(), wording.Metres(d.GetLoadedRemainingUm()), wording.Metres(d.GetLoadedReservedUm())))
	}
	if d.GetBlade() != "" || d.GetBladeUsedUm() != 0 && hasBlade(d) {
		f.add("blade", fmt.Sprintf("%s, %s cut since it was put in", orElse(d.GetBlade(), "kind not known"), wording.Metres(d.GetBladeUsedUm())))
	}
	for _, supply := range d.GetSupplies() {
		f.style("supply", supplyStyle(supply), wording.Supply(supply))
	}
	for _, w := range d.GetWatched() {
		f.style("seen by "+w.GetKind(), watchedStyle(w), watched(w))
	}
	f.add("capacity", wording.Count(int(max(d.GetCapacity(), 1)), "run"))
	for _, key := range slices.Sorted(maps.Keys(d.GetCapabilities())) {
		f.add("capability", key+" = "+d.GetCapabilities()[key])
	}
	for _, b := range d.GetAbilities() {
		f.add("can", ability(b))
	}
	f.add("revision", strconv.FormatUint(d.GetRevision(), 10))
	f.print(a.printer)

	t := table{head: []string{"RUN", "JOB", "STEP", "STATE", "GOOD", "SPOILED", "START", "EXPECTED END", "PANELS", "REASONS"}}
	for _, r := range d.GetRuns() {
		t.add(span{strong, r.GetRun()}, span{plain, r.GetJob()}, span{plain, r.GetStep()}, state(wording.JobState(r.GetState())),
			span{plain, fmt.Sprintf("%d/%d", r.GetPiecesGood(), r.GetPieces())}, count(r.GetPiecesSpoiled()),
			span{plain, clock.At(r.GetStartTime())}, span{plain, clock.When(r.GetExpectedEndTime())},
			span{plain, orDash(strings.Join(r.GetPanelCodes(), " "))}, span{plain, reasons(r.GetStateReasons())})
	}
	if len(t.rows) > 0 {
		a.line()
	}
	t.print(a.printer)
}

func supplyStyle(s *tandemv1.Supply) celltext.Style {
	if wording.SupplyEnding(s) {
		return warned
	}
	return plain
}

// watched says what one watcher sees of a device.
func watched(w *tandemv1.Watched) string {
	if w.GetLink() != tandemv1.Link_LINK_ONLINE {
		return words(": ", wording.Link(w.GetLink()), w.GetMessage())
	}
	seen := "nothing of its state"
	if w.GetState() != tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED {
		seen = withReasons(wording.DeviceState(w.GetState()), w.GetStateReasons())
	}
	return words(", display: ", seen, w.GetMessage())
}

func watchedStyle(w *tandemv1.Watched) celltext.Style {
	switch {
	case w.GetLink() != tandemv1.Link_LINK_ONLINE:
		return warned
	case w.GetState() == tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED:
		return plain
	}
	return stateStyle(wording.DeviceState(w.GetState()))
}

// ability says what a device can do, what it accepts and how long it takes.
func ability(b *tandemv1.Ability) string {
	var parts []string
	for _, p := range []struct {
		name   string
		values []string
	}{{"media", b.GetMedia()}, {"inks", b.GetInks()}, {"modes", b.GetModes()}, {"films", b.GetFilms()}} {
		if len(p.values) > 0 {
			parts = append(parts, p.name+" "+strings.Join(p.values, " "))
		}
	}
	if b.GetMaxWidthUm() != 0 {
		parts = append(parts, "at most "+wording.Millimetres(b.GetMaxWidthUm())+" wide")
	}
	for _, p := range []struct {
		d           *durationpb.Duration
		front, back string
	}{
		{b.GetSetup(), "set-up ", ""},
		{b.GetPerPiece(), "", " a piece"},
		{b.GetPerMetre(), "", " a metre of web"},
		{b.GetPerPathMetre(), "", " a metre of knife path"},
		{b.GetMediaChangeover(), "", " to change media"},
		{b.GetModeChangeover(), "", " to change the mode"},
		{b.GetBladeChangeover(), "", " to change the blade"},
	} {
		if p.d != nil {
			parts = append(parts, p.front+pace(p.d.AsDuration())+p.back)
		}
	}
	for _, p := range []struct {
		um   int64
		text string
	}{{b.GetWebUpUm(), " lost at each change of media"}, {b.GetRunWasteUm(), " lost at each run"}, {b.GetBladeLifeUm(), " of path wear a blade"}} {
		if p.um != 0 {
			parts = append(parts, wording.Metres(p.um)+p.text)
		}
	}
	start := "a person starts every run"
	if u := b.GetUnattendedStart(); u != nil {
		start = "may start unattended, allowed by " + u.GetAllowedBy()
	}
	return b.GetOperation() + ": " + strings.Join(append(parts, start), ", ")
}

// pace shows a duration exactly, as the floor file has it: 4 min, 2.5 s. Its units are spelled so that no minute is read as a metre.
func pace(d time.Duration) string {
	var parts []string
	for _, unit := range []struct {
		long time.Duration
		name string
	}{{time.Hour, " h"}, {time.Minute, " min"}} {
		if n := d / unit.long; n > 0 {
			parts = append(parts, strconv.FormatInt(int64(n), 10)+unit.name)
			d %= unit.long
		}
	}
	if d != 0 || len(parts) == 0 {
		parts = append(parts, strconv.FormatFloat(d.Seconds(), 'f', -1, 64)+" s")
	}
	return strings.Join(parts, " ")
}

func orNothing(yes bool, s string) string {
	if yes {
		return s
	}
	return ""
}

// hasBlade says whether a device has a blade that wears. What people do along a knife path, such as weeding, wears none.
func hasBlade(d *tandemv1.Device) bool {
	return slices.ContainsFunc(d.GetAbilities(), func(a *tandemv1.Ability) bool { return a.GetOperation() == "cut" || a.GetBladeLifeUm() > 0 })
}
