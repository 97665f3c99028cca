package api_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// A run that waits on a device which somebody has taken out of the floor file never begins: people are told, with what to do.
func TestStatusNamesRunsOnDevicesThatLeftTheFloorFile(t *testing.T) {
	d := newDaemon(t)
	d.greet("cutter-1")
	run := d.create("a").GetSteps()[0].GetRuns()[0]
	file := proto.CloneOf(shopFile)
	file.Devices = file.GetDevices()[1:]
	if _, err := d.engine.Do(d.ctx(), floor.Meta{}, floor.Configure{File: file}); err != nil {
		t.Fatal(err)
	}
	about := func() (lines []string) {
		st, err := d.admin.GetStatus(d.ctx(), &tandemv1.GetStatusRequest{})
		if err != nil {
			t.Fatal(err)
		}
		for _, line := range st.GetReasons() {
			if strings.Contains(line, "cutter-1") {
				lines = append(lines, line)
			}
		}
		return lines
	}
	if lines := about(); len(lines) != 1 || !strings.Contains(lines[0], "a/cut is on cutter-1, which is no longer in the floor file") || !strings.HasSuffix(lines[0], "resolve "+run.GetId()) {
		t.Errorf("with its run: %q", lines)
	}
	if _, err := d.devices.ResolveRun(d.ctx(), &tandemv1.ResolveRunRequest{Run: run.GetId(), Outcome: tandemv1.ResolveRunRequest_OUTCOME_AGAIN, Actor: "mira", Note: "nothing was cut"}); err != nil {
		t.Fatal(err)
	}
	if lines := about(); len(lines) != 0 {
		t.Errorf("without it: %q", lines)
	}
}
