package learn

import (
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestACloneLearnsOnItsOwn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := New(nil)
		see := func(m *Model, n int) {
			k := Key{Device: []string{"a", "b"}[n%2], Operation: []string{"print", "cut"}[n/2%2]}
			if err := m.Observe(k, Observation{Predicted: time.Hour, Actual: time.Hour + time.Duration(n)*time.Minute, Done: 1}); err != nil {
				t.Fatal(err)
			}
		}
		runs := rapid.SliceOfN(rapid.IntRange(0, 100), 1, 300)
		for _, n := range runs.Draw(t, "before") {
			see(m, n)
		}
		before := m.State()
		clone := m.Clone()
		if !reflect.DeepEqual(clone.State(), before) {
			t.Fatal("the clone has learned something else")
		}
		after := runs.Draw(t, "after")
		for _, n := range after {
			see(clone, n)
		}
		if !reflect.DeepEqual(m.State(), before) {
			t.Fatal("what the clone learned has changed the model")
		}
		for _, n := range after {
			see(m, n)
		}
		k := Key{Device: "a", Operation: "cut"}
		if !reflect.DeepEqual(m.State(), clone.State()) || m.Estimate(k, time.Hour) != clone.Estimate(k, time.Hour) {
			t.Fatal("the two have come apart")
		}
	})
}
