package yamlfile

import (
	"encoding/base64"
	"encoding/json"
	"math"
	"math/big"
	"regexp"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/reflect/protoreflect"
)

var (
	wholeNumber   = regexp.MustCompile(`^[-+]?(0|[1-9][0-9]*)$`)
	decimalNumber = regexp.MustCompile(`^[-+]?(0|[1-9][0-9]*)(\.[0-9]+)?$`)
	anyNumber     = regexp.MustCompile(`^[-+]?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][-+]?[0-9]+)?$`)
)

// scalar converts a scalar node for a field that is not a message; nil after a problem.
func (c *converter) scalar(n *yaml.Node, fd protoreflect.FieldDescriptor, path string) any {
	switch fd.Kind() {
	case protoreflect.StringKind:
		return n.Value
	case protoreflect.BoolKind:
		if n.ShortTag() == "!!bool" {
			return n.Value == "true" || n.Value == "True" || n.Value == "TRUE"
		}
	case protoreflect.EnumKind:
		return c.enum(n, fd.Enum(), path)
	case protoreflect.BytesKind:
		for _, enc := range []*base64.Encoding{base64.StdEncoding, base64.RawStdEncoding, base64.URLEncoding, base64.RawURLEncoding} {
			if raw, err := enc.DecodeString(n.Value); err == nil {
				return base64.StdEncoding.EncodeToString(raw)
			}
		}
	case protoreflect.FloatKind:
		return c.float(n, 32, path)
	case protoreflect.DoubleKind:
		return c.float(n, 64, path)
	case protoreflect.Int32Kind, protoreflect.Sint32Kind, protoreflect.Sfixed32Kind:
		return c.integer(n, path, math.MinInt32, math.MaxInt32)
	case protoreflect.Int64Kind, protoreflect.Sint64Kind, protoreflect.Sfixed64Kind:
		return c.integer(n, path, math.MinInt64, math.MaxInt64)
	case protoreflect.Uint32Kind, protoreflect.Fixed32Kind:
		return c.integer(n, path, 0, math.MaxUint32)
	case protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
		return c.integer(n, path, 0, math.MaxUint64)
	}
	c.problem(n, path, "must be %s, not %s", want(fd), Quote(n.Value))
	return nil
}

func (c *converter) integer(n *yaml.Node, path string, least int64, most uint64) any {
	v, ok := new(big.Int), false
	switch {
	case len(n.Value) > 40:
	case wholeNumber.MatchString(n.Value):
		v, ok = v.SetString(n.Value, 10)
	case anyNumber.MatchString(n.Value): // 5.0 or 1e3
		f, err := strconv.ParseFloat(n.Value, 64)
		if ok = err == nil && f == math.Trunc(f) && math.Abs(f) < 1<<53; ok {
			v.SetInt64(int64(f))
		}
	}
	switch {
	case !ok:
		c.problem(n, path, "must be a whole number in decimal digits without leading zeros, not %s", Quote(n.Value))
	case v.Cmp(big.NewInt(least)) < 0 || v.Cmp(new(big.Int).SetUint64(most)) > 0:
		c.problem(n, path, "must be from %d to %d, not %s", least, most, v)
	default:
		return json.Number(v.String())
	}
	return nil
}

// millimetres converts a decimal number of millimetres to whole micrometres, exactly, halves away from zero.
func (c *converter) millimetres(n *yaml.Node, path string) any {
	if len(n.Value) > 40 || !decimalNumber.MatchString(n.Value) {
		c.problem(n, path, "must be a number of millimetres such as 1372 or 0.5, not %s", Quote(n.Value))
		return nil
	}
	mm, _ := new(big.Rat).SetString(strings.TrimPrefix(n.Value, "+"))
	um := mm.Mul(mm, big.NewRat(1000, 1))
	rounded, ok := new(big.Int).SetString(um.FloatString(0), 10) // FloatString rounds halves away from zero
	if !ok || !rounded.IsInt64() {
		c.problem(n, path, "is too large, %s mm", Quote(n.Value))
		return nil
	}
	return json.Number(rounded.String())
}

func (c *converter) float(n *yaml.Node, bits int, path string) any {
	if anyNumber.MatchString(n.Value) {
		if f, err := strconv.ParseFloat(n.Value, bits); err == nil {
			return json.Number(strconv.FormatFloat(f, 'g', -1, bits))
		}
	}
	c.problem(n, path, "must be a finite number such as 0.5, not %s", Quote(n.Value))
	return nil
}

func (c *converter) enum(n *yaml.Node, ed protoreflect.EnumDescriptor, path string) any {
	var known []string
	for i := range ed.Values().Len() {
		v := ed.Values().Get(i)
		if word := keyword(v); n.Value == word || n.Value == string(v.Name()) || n.Value == strconv.Itoa(int(v.Number())) {
			return string(v.Name())
		} else if v.Number() != 0 {
			known = append(known, word)
		}
	}
	if near := didYouMean(n.Value, known); near != "" {
		c.problem(n, path, "has no value %s%s", Quote(n.Value), near)
	} else {
		c.problem(n, path, "has no value %s; it is one of %s", Quote(n.Value), strings.Join(known, ", "))
	}
	return nil
}

// keyword returns an enum value as RFC 8011 and the other standards write it: JOB_STATE_PENDING_HELD of JobState is
// pending-held.
func keyword(v protoreflect.EnumValueDescriptor) string {
	var prefix strings.Builder
	for i, r := range string(v.Parent().Name()) {
		if i > 0 && 'A' <= r && r <= 'Z' {
			prefix.WriteByte('_')
		}
		prefix.WriteRune(r)
	}
	word := strings.TrimPrefix(string(v.Name()), strings.ToUpper(prefix.String())+"_")
	return strings.ReplaceAll(strings.ToLower(word), "_", "-")
}

func (c *converter) plainScalar(n *yaml.Node, path string) any {
	switch n.ShortTag() {
	case "!!null":
		return nil
	case "!!bool":
		return strings.EqualFold(n.Value, "true")
	case "!!int", "!!float":
		return c.float(n, 64, path)
	}
	return n.Value
}

// want says what a field takes, for messages.
func want(fd protoreflect.FieldDescriptor) string {
	switch fd.Kind() {
	case protoreflect.StringKind:
		return "text"
	case protoreflect.BoolKind:
		return "true or false"
	case protoreflect.EnumKind:
		return "a keyword"
	case protoreflect.BytesKind:
		return "base64 text"
	}
	return "a number"
}

// describe says what a node is, for messages.
func describe(n *yaml.Node) string {
	switch {
	case n.Kind == yaml.MappingNode:
		return "a mapping"
	case n.Kind == yaml.SequenceNode:
		return "a list"
	case n.ShortTag() == "!!null":
		return "nothing"
	}
	return Quote(n.Value)
}
