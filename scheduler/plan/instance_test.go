package plan_test

import (
	"os"
	"path/filepath"
	"testing"

	"tandem/scheduler/plan/instance"
)

// TestInstances is a slice of what the bench command measures. The known values: jsp and fjsp from ScheduleOpt/benchmarks @ 79f0edc
// (CC BY-SA 4.0), proved there; fajsp proved by Chuffed 0.14.0 on our own model; hfsp, pfsp-sdst and pfsp-tt the best of
// PyJobShop/Experiments @ 754bb11. pfsp values are for the same order of jobs on all machines; ours may be lower.
func TestInstances(t *testing.T) {
	tests := []struct {
		format, file string
		known        float64
		allowed      float64 // percent above known
		proved       bool    // nothing is lower
	}{
		{"fjsp", "mk01.txt", 40, 0, true},
		{"fjsp", "k1.txt", 11, 0, true},
		{"jsp", "ft06.txt", 55, 0, true}, // also Fisher, Thompson 1963
		{"jsp", "la01.txt", 666, 0, true},
		{"fajsp", "dafjs01.txt", 257, 0, true},
		{"fajsp", "yfjs01.txt", 773, 0, true},
		{"hfsp", "hfsp-0001.txt", 955, 5, false},
		{"pfsp-sdst", "pfsp-sdst-0001.txt", 1330, 5, false},
	}
	for _, test := range tests {
		t.Run(test.file, func(t *testing.T) {
			text, err := os.ReadFile(filepath.Join("instance", "testdata", test.file))
			if err != nil {
				t.Fatal(err)
			}
			p, err := instance.Read(test.format, text)
			if err != nil {
				t.Fatal(err)
			}
			_, c := search(t, p, 20_000)
			v := c.Value(p)
			if gap := 100 * (v - test.known) / test.known; gap > test.allowed {
				t.Errorf("%v is %.2f %% above %v", v, gap, test.known)
			}
			if test.proved && v < test.known {
				t.Errorf("%v is below the optimum %v: the reader or the checker is wrong", v, test.known)
			}
			t.Logf("%v, known %v", v, test.known)
		})
	}
}
