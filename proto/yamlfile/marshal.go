package yamlfile

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// Marshal writes m as YAML that Unmarshal reads back to an equal message: fields that are set, in the order of the contract
// and in snake_case, lengths in millimetres, durations such as 1h30m, times in UTC, states as keywords.
func Marshal(m proto.Message) ([]byte, error) {
	root, err := messageNode(m.ProtoReflect())
	if err != nil {
		return nil, fmt.Errorf("write %s as YAML: %w", m.ProtoReflect().Descriptor().Name(), err)
	}
	var b bytes.Buffer
	enc := yaml.NewEncoder(&b)
	enc.SetIndent(2)
	if err := enc.Encode(root); err != nil {
		return nil, fmt.Errorf("write %s as YAML: %w", m.ProtoReflect().Descriptor().Name(), err)
	}
	return b.Bytes(), nil
}

func messageNode(m protoreflect.Message) (*yaml.Node, error) {
	switch v := m.Interface().(type) {
	case *durationpb.Duration:
		if err := v.CheckValid(); err != nil {
			return nil, err
		}
		return word("!!str", durationText(v)), nil
	case *timestamppb.Timestamp:
		if err := v.CheckValid(); err != nil {
			return nil, err
		}
		return word("!!timestamp", v.AsTime().Format(time.RFC3339Nano)), nil
	}
	if strings.HasPrefix(string(m.Descriptor().FullName()), "google.protobuf.") {
		text, err := protojson.Marshal(m.Interface())
		if err != nil {
			return nil, err
		}
		n, problem := parseJSON(text)
		if problem != nil {
			return nil, problem
		}
		return n, nil
	}
	n := &yaml.Node{Kind: yaml.MappingNode, Tag: "!!map"}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if !m.Has(fd) {
			continue
		}
		name := string(fd.Name())
		if isLength(fd) {
			name = millimetreName(fd)
		}
		value, err := fieldNode(m.Get(fd), fd)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		n.Content = append(n.Content, word("!!str", name), value)
	}
	if len(n.Content) == 0 {
		n.Style = yaml.FlowStyle // {}
	}
	return n, nil
}

func fieldNode(v protoreflect.Value, fd protoreflect.FieldDescriptor) (*yaml.Node, error) {
	switch {
	case fd.IsList():
		n := &yaml.Node{Kind: yaml.SequenceNode, Tag: "!!seq"}
		if fd.Message() == nil {
			n.Style = yaml.FlowStyle
		}
		for i := range v.List().Len() {
			item, err := singleNode(v.List().Get(i), fd)
			if err != nil {
				return nil, fmt.Errorf("[%d]: %w", i, err)
			}
			n.Content = append(n.Content, item)
		}
		return n, nil
	case fd.IsMap():
		return mapNode(v.Map(), fd)
	}
	return singleNode(v, fd)
}

func mapNode(m protoreflect.Map, fd protoreflect.FieldDescriptor) (*yaml.Node, error) {
	var keys []protoreflect.MapKey
	m.Range(func(k protoreflect.MapKey, _ protoreflect.Value) bool {
		keys = append(keys, k)
		return true
	})
	slices.SortFunc(keys, func(a, b protoreflect.MapKey) int { return strings.Compare(a.String(), b.String()) })
	n := &yaml.Node{Kind: yaml.MappingNode, Tag: "!!map"}
	for _, k := range keys {
		key, err := singleNode(k.Value(), fd.MapKey())
		if err != nil {
			return nil, fmt.Errorf("[%s]: %w", Quote(k.String()), err)
		}
		value, err := singleNode(m.Get(k), fd.MapValue())
		if err != nil {
			return nil, fmt.Errorf("[%s]: %w", Quote(k.String()), err)
		}
		n.Content = append(n.Content, key, value)
	}
	return n, nil
}

func singleNode(v protoreflect.Value, fd protoreflect.FieldDescriptor) (*yaml.Node, error) {
	switch fd.Kind() {
	case protoreflect.MessageKind, protoreflect.GroupKind:
		return messageNode(v.Message())
	case protoreflect.StringKind:
		if !utf8.ValidString(v.String()) {
			return nil, fmt.Errorf("the text is not UTF-8: %s", Quote(v.String()))
		}
		return word("!!str", v.String()), nil
	case protoreflect.BytesKind:
		return word("!!str", base64.StdEncoding.EncodeToString(v.Bytes())), nil
	case protoreflect.EnumKind:
		known := fd.Enum().Values().ByNumber(v.Enum())
		if known == nil {
			return nil, fmt.Errorf("%s has no value %d", fd.Enum().Name(), v.Enum())
		}
		return word("!!str", keyword(known)), nil
	case protoreflect.FloatKind, protoreflect.DoubleKind:
		if math.IsNaN(v.Float()) || math.IsInf(v.Float(), 0) {
			return nil, fmt.Errorf("%v is not a finite number", v.Float())
		}
		bits := 64
		if fd.Kind() == protoreflect.FloatKind {
			bits = 32
		}
		return word("", strconv.FormatFloat(v.Float(), 'g', -1, bits)), nil
	case protoreflect.Int64Kind:
		if isLength(fd) {
			return word("", millimetreText(v.Int())), nil
		}
	}
	return word("", v.String()), nil // true and false, whole numbers
}

// word returns a scalar node. With the tag !!str it is quoted where it would be read as something else, by readers of
// YAML 1.1 too.
func word(tag, value string) *yaml.Node {
	n := &yaml.Node{Kind: yaml.ScalarNode, Tag: tag, Value: value}
	if tag == "!!str" && (slices.Contains(oldTruths, strings.ToLower(value)) || !plainText(value)) {
		n.Style = yaml.DoubleQuotedStyle
	}
	return n
}

// oldTruths are true and false in YAML 1.1.
var oldTruths = []string{"y", "n", "yes", "no", "on", "off"}

// plainText says whether the encoder may write the text as a block; it gets blocks wrong that begin with a blank.
func plainText(s string) bool {
	for _, r := range s {
		if r != '\n' && !unicode.IsPrint(r) {
			return false
		}
	}
	return strings.Trim(s, " \n") == strings.TrimSuffix(s, "\n")
}

// millimetreText writes micrometres as millimetres with as many decimals as it takes.
func millimetreText(um int64) string {
	sign, abs := "", uint64(um)
	if um < 0 {
		sign, abs = "-", -abs
	}
	s := fmt.Sprintf("%s%d.%03d", sign, abs/1000, abs%1000)
	return strings.TrimRight(strings.TrimRight(s, "0"), ".")
}

// durationText writes 24h, 1h30m or 1m30s, and for what time.Duration cannot hold plain seconds.
func durationText(v *durationpb.Duration) string {
	d := v.AsDuration()
	if back := durationpb.New(d); back.GetSeconds() != v.GetSeconds() || back.GetNanos() != v.GetNanos() {
		text, err := protojson.Marshal(v)
		if err != nil { // cannot be: the caller has checked it
			panic(err)
		}
		return strings.Trim(string(text), `"`)
	}
	s := d.String()
	if t, ok := strings.CutSuffix(s, "m0s"); ok {
		s = t + "m"
	}
	if t, ok := strings.CutSuffix(s, "h0m"); ok {
		s = t + "h"
	}
	return s
}
