package api_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// Bad tickets are refused by the reader or by the daemon, with the field that their first line names.
func TestBadTickets(t *testing.T) {
	paths, err := filepath.Glob("../../testdata/tickets-bad/*.yaml")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no bad tickets: %v", err)
	}
	d := newDaemon(t)
	before := d.revision()
	byDaemon := 0
	for _, path := range paths {
		t.Run(filepath.Base(path), func(t *testing.T) {
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			first, _, _ := bytes.Cut(data, []byte("\n"))
			want, ok := strings.CutPrefix(string(first), "# want: ")
			field, problem, ok2 := strings.Cut(want, ": ")
			if !ok || !ok2 || problem == "" {
				t.Fatalf("first line %q, want # want: FIELD: PROBLEM", first)
			}
			job := &tandemv1.Job{}
			var bad *yamlfile.Error
			if err := yamlfile.Read(path, job); errors.As(err, &bad) {
				if bad.Field != field || !strings.Contains(bad.Problem, problem) {
					t.Errorf("the reader says %v, want %s", err, want)
				}
				return
			} else if err != nil {
				t.Fatal(err)
			}
			byDaemon++
			_, err = d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: job})
			got := fieldsOf(err)
			if len(got) != 1 || !strings.HasPrefix(got[0], "job."+field+": ") || !strings.Contains(got[0], problem) {
				t.Errorf("the daemon says %v %v, want %s", err, got, want)
			}
		})
	}
	if byDaemon == 0 {
		t.Error("the daemon was asked about none of them")
	}
	if after := d.revision(); after != before {
		t.Errorf("the ledger grew from %d to %d", before, after)
	}
}
