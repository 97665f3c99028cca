package yamlfile

import (
	"fmt"
	"strings"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// converter turns nodes into what encoding/json writes and protojson reads: map[string]any, []any, string, bool,
// json.Number, nil. It walks the message's descriptor, so it knows what each value should be, and collects problems.
type converter struct {
	file     string
	lines    Lines
	problems []*Error
	depth    int
	aliases  int // aliases being followed
	repeated int // what aliases have added so far
	stop     bool
}

func (c *converter) err() error {
	if len(c.problems) == maxProblems {
		c.problems = append(c.problems, &Error{File: c.file, Problem: "there may be more problems; correct these first"})
	}
	return Join(c.problems)
}

func (c *converter) problem(n *yaml.Node, field, format string, args ...any) {
	if c.stop {
		return
	}
	c.problems = append(c.problems, &Error{File: c.file, Line: n.Line, Field: field, Problem: fmt.Sprintf(format, args...)})
	c.stop = len(c.problems) >= maxProblems
}

// follow resolves an alias, guards depth and growth, and lets convert work on the node.
func (c *converter) follow(n *yaml.Node, path string, convert func(*yaml.Node) any) any {
	if n.Kind == yaml.AliasNode {
		c.aliases++
		defer func() { c.aliases-- }()
		n = n.Alias
	}
	c.depth++
	defer func() { c.depth-- }()
	if c.aliases > 0 {
		c.repeated += 16 + len(n.Value)
	}
	switch {
	case c.stop:
		return nil
	case c.depth > MaxDepth:
		c.problem(n, path, "is nested deeper than %d", MaxDepth)
		c.stop = true
		return nil
	case c.repeated > maxRepeated:
		c.problem(n, path, "aliases make this file too large; write out what differs or use fewer")
		c.stop = true
		return nil
	case c.tagged(n, path):
		return nil
	}
	return convert(n)
}

// tagged refuses what only means something to one program: tags of its own, and binary text.
func (c *converter) tagged(n *yaml.Node, path string) bool {
	tag := n.ShortTag()
	if tag == "!!binary" || tag != "" && !strings.HasPrefix(tag, "!!") {
		c.problem(n, path, "has the tag %s; tags are not supported, leave it out", Quote(tag))
		return true
	}
	return false
}

func (c *converter) message(n *yaml.Node, md protoreflect.MessageDescriptor, path string) any {
	return c.follow(n, path, func(n *yaml.Node) any {
		switch name := md.FullName(); {
		case name == "google.protobuf.Duration":
			return c.duration(n, path)
		case name == "google.protobuf.Timestamp":
			return c.timestamp(n, path)
		case strings.HasPrefix(string(name), "google.protobuf."):
			return c.plain(n, path)
		}
		return c.fields(n, md, path)
	})
}

func (c *converter) fields(n *yaml.Node, md protoreflect.MessageDescriptor, path string) any {
	if n.Kind != yaml.MappingNode {
		c.problem(n, path, "must be a mapping of fields, not %s", describe(n))
		return nil
	}
	out := map[string]any{}
	given := map[protoreflect.FieldNumber]string{}
	oneofs := map[protoreflect.FullName]string{}
	for i := 0; i+1 < len(n.Content) && !c.stop; i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		name, ok := c.key(key, path)
		if !ok {
			continue
		}
		fd, millimetres := lookup(md, name)
		if fd == nil {
			c.problem(key, join(path, Quote(name)), "unknown key%s", didYouMean(name, names(md)))
			continue
		}
		field := join(path, name)
		if before, twice := given[fd.Number()]; twice {
			c.problem(key, field, "is given twice, here and as %s; keep one", before)
			continue
		}
		given[fd.Number()] = name
		if o := fd.ContainingOneof(); o != nil && !o.IsSynthetic() {
			if other, both := oneofs[o.FullName()]; both {
				c.problem(key, field, "stands beside %s; keep one of them", other)
				continue
			}
			oneofs[o.FullName()] = name
		}
		c.lines[field] = key.Line
		c.lines[join(path, string(fd.Name()))] = key.Line
		if null, problem := isNull(value); problem {
			c.problem(key, field, "has no value; give one or remove the key")
			continue
		} else if null {
			continue
		}
		out[fd.JSONName()] = c.field(value, fd, field, millimetres)
	}
	return out
}

func (c *converter) field(n *yaml.Node, fd protoreflect.FieldDescriptor, path string, millimetres bool) any {
	switch {
	case fd.IsMap():
		return c.follow(n, path, func(n *yaml.Node) any { return c.mapping(n, fd, path) })
	case fd.IsList():
		return c.follow(n, path, func(n *yaml.Node) any {
			if n.Kind != yaml.SequenceNode {
				c.problem(n, path, "must be a list, not %s; write [...], or a line with a dash for each", describe(n))
				return nil
			}
			list := make([]any, 0, len(n.Content))
			for i, item := range n.Content {
				at := fmt.Sprintf("%s[%d]", path, i)
				c.lines[at] = item.Line
				list = append(list, c.single(item, fd, at, millimetres))
			}
			return list
		})
	}
	return c.single(n, fd, path, millimetres)
}

func (c *converter) single(n *yaml.Node, fd protoreflect.FieldDescriptor, path string, millimetres bool) any {
	if fd.Message() != nil {
		return c.message(n, fd.Message(), path)
	}
	return c.follow(n, path, func(n *yaml.Node) any {
		if n.Kind != yaml.ScalarNode || n.ShortTag() == "!!null" {
			c.problem(n, path, "must be %s, not %s", want(fd), describe(n))
			return nil
		}
		if millimetres {
			return c.millimetres(n, path)
		}
		return c.scalar(n, fd, path)
	})
}

func (c *converter) mapping(n *yaml.Node, fd protoreflect.FieldDescriptor, path string) any {
	if n.Kind != yaml.MappingNode {
		c.problem(n, path, "must be a mapping, not %s", describe(n))
		return nil
	}
	out := map[string]any{}
	for i := 0; i+1 < len(n.Content) && !c.stop; i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		name, ok := c.key(key, path)
		if !ok {
			continue
		}
		at := fmt.Sprintf("%s[%s]", path, Quote(name))
		if _, twice := out[name]; twice {
			c.problem(key, at, "is given twice; keep one")
			continue
		}
		if fd.MapKey().Kind() != protoreflect.StringKind {
			if c.scalar(key, fd.MapKey(), at) == nil {
				continue
			}
		}
		c.lines[at] = key.Line
		if null, _ := isNull(value); null {
			c.problem(key, at, "has no value; give one or remove the key")
			continue
		}
		out[name] = c.single(value, fd.MapValue(), at, false)
	}
	return out
}

// plain converts what has no schema of ours: the well-known types that hold free JSON.
func (c *converter) plain(n *yaml.Node, path string) any {
	switch n.Kind {
	case yaml.MappingNode:
		out := map[string]any{}
		for i := 0; i+1 < len(n.Content) && !c.stop; i += 2 {
			key := n.Content[i]
			name, ok := c.key(key, path)
			if !ok {
				continue
			}
			at := join(path, name)
			if _, twice := out[name]; twice {
				c.problem(key, at, "is given twice; keep one")
				continue
			}
			c.lines[at] = key.Line
			out[name] = c.follow(n.Content[i+1], at, func(n *yaml.Node) any { return c.plain(n, at) })
		}
		return out
	case yaml.SequenceNode:
		out := make([]any, 0, len(n.Content))
		for i, item := range n.Content {
			at := fmt.Sprintf("%s[%d]", path, i)
			c.lines[at] = item.Line
			out = append(out, c.follow(item, at, func(n *yaml.Node) any { return c.plain(n, at) }))
		}
		return out
	}
	return c.plainScalar(n, path)
}

// key returns the text of a mapping's key.
func (c *converter) key(n *yaml.Node, path string) (string, bool) {
	switch {
	case n.Kind == yaml.AliasNode:
		c.problem(n, path, "has an alias as a key; write the key out")
	case n.Kind != yaml.ScalarNode:
		c.problem(n, path, "has %s as a key; a key is a word", describe(n))
	case c.tagged(n, path):
	case n.ShortTag() == "!!merge":
		c.problem(n, path, "has a merge key <<; it is not supported, write the fields out")
	case n.ShortTag() == "!!null":
		c.problem(n, path, "has an empty key")
	default:
		return n.Value, true
	}
	return "", false
}

// isNull says whether a value is null: written so, which means absent as in protobuf JSON, or (a problem) nothing at all.
func isNull(n *yaml.Node) (null, problem bool) {
	if n.Kind == yaml.AliasNode {
		n = n.Alias
	}
	null = n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null"
	return null, null && n.Value == ""
}

// lookup finds the field that a key names, and whether the key gives it in millimetres.
func lookup(md protoreflect.MessageDescriptor, key string) (fd protoreflect.FieldDescriptor, millimetres bool) {
	fields := md.Fields()
	if fd = fields.ByName(protoreflect.Name(key)); fd != nil {
		return fd, false
	}
	if fd = fields.ByJSONName(key); fd != nil {
		return fd, false
	}
	if base, ok := strings.CutSuffix(key, "_mm"); ok {
		fd = fields.ByName(protoreflect.Name(base + "_um"))
	} else if base, ok := strings.CutSuffix(key, "Mm"); ok {
		fd = fields.ByJSONName(base + "Um")
	}
	return fd, fd != nil && isLength(fd)
}

// isLength says whether a field holds micrometres.
func isLength(fd protoreflect.FieldDescriptor) bool {
	return fd.Kind() == protoreflect.Int64Kind && strings.HasSuffix(string(fd.Name()), "_um")
}

// millimetreName returns the name under which a length is written in millimetres.
func millimetreName(fd protoreflect.FieldDescriptor) string {
	return strings.TrimSuffix(string(fd.Name()), "_um") + "_mm"
}

// names returns the keys a message may have, lengths in millimetres first.
func names(md protoreflect.MessageDescriptor) []string {
	var list []string
	for i := range md.Fields().Len() {
		fd := md.Fields().Get(i)
		if isLength(fd) {
			list = append(list, millimetreName(fd))
		}
		list = append(list, string(fd.Name()))
	}
	return list
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}
