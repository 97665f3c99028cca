package yamlfile

import (
	"regexp"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// protoSeconds is protobuf JSON's way to write a duration. It reaches further than time.Duration.
var protoSeconds = regexp.MustCompile(`^-?[0-9]+(\.[0-9]{1,9})?s$`)

func (c *converter) duration(n *yaml.Node, path string) any {
	const form = "a duration with its unit, such as 90s, 4m, 1h30m or 48h"
	if n.Kind != yaml.ScalarNode {
		c.problem(n, path, "must be %s, not %s", form, describe(n))
		return nil
	}
	if protoSeconds.MatchString(n.Value) {
		if err := protojson.Unmarshal([]byte(`"`+n.Value+`"`), new(durationpb.Duration)); err == nil {
			return n.Value
		}
	}
	d, err := time.ParseDuration(n.Value)
	if err != nil {
		c.problem(n, path, "must be %s, not %s", form, describe(n))
		return nil
	}
	text, err := protojson.Marshal(durationpb.New(d))
	if err != nil { // cannot be: protobuf's range is the wider one
		panic(err)
	}
	return strings.Trim(string(text), `"`)
}

func (c *converter) timestamp(n *yaml.Node, path string) any {
	const form = "a time with its offset from UTC, such as 2026-03-02T07:30:00+01:00 or 2026-03-02T06:30:00Z"
	if n.Kind == yaml.ScalarNode {
		t, err := time.Parse(time.RFC3339Nano, n.Value)
		if err == nil && timestamppb.New(t).CheckValid() == nil {
			return t.UTC().Format(time.RFC3339Nano)
		}
		if err != nil && lacksOffset(n.Value) {
			c.problem(n, path, "has no offset from UTC, %s; write %s", Quote(n.Value), form)
			return nil
		}
	}
	c.problem(n, path, "must be %s, not %s", form, describe(n))
	return nil
}

// lacksOffset recognises a date, or a date and time, that is right but for its offset.
func lacksOffset(s string) bool {
	s = strings.Replace(s, " ", "T", 1)
	for _, layout := range []string{"2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02"} {
		if _, err := time.Parse(layout, s); err == nil {
			return true
		}
	}
	return false
}
