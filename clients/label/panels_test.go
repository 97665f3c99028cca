package label

import (
	"slices"
	"strings"
	"testing"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// The pieces of a job that was canceled lie on the shared panel all the same: its traveler says what to do with them, and does not name
// the job among those that the gang run is for.
func TestCanceledMember(t *testing.T) {
	content := func(job string, pieces, spoiled int32) *tandemv1.Content {
		return &tandemv1.Content{Item: "dot", Job: job, Pieces: pieces, PiecesSpoiled: spoiled}
	}
	job := &tandemv1.Job{Id: "trio", Members: []string{"tern", "gull", "plover"}, Panels: []*tandemv1.Panel{
		{Id: "p1", Code: "P0111", Pieces: 90, Contents: []*tandemv1.Content{content("tern", 30, 0), content("gull", 30, 30), content("plover", 30, 30)}},
		{Id: "p2", Code: "P012Y", Pieces: 30, Contents: []*tandemv1.Content{content("plover", 30, 4)}},
	}}
	list, err := OfPanels(job, nil, Surroundings{Now: time.Now(), Zone: time.UTC})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range [][]string{
		{"30 x dot of tern", "30 x dot of gull: all spoiled, throw them away", "30 x dot of plover: all spoiled, throw them away"},
		{"30 x dot of plover, 4 of them spoiled"},
	} {
		if got := list[i]; !slices.Equal(got.Contents, want) || strings.Join(got.Members, " ") != "tern plover" {
			t.Errorf("%s: %q of the gang run of %q, want %q", got.Panel, got.Contents, got.Members, want)
		}
	}
}
