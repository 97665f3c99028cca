package ipp

import (
	"slices"

	"github.com/OpenPrinting/goipp"
)

// find returns the values of an attribute; none if it is not there or has no value (RFC 8010 section 3.8: out of band).
func find(attrs goipp.Attributes, name string) goipp.Values {
	i := slices.IndexFunc(attrs, func(a goipp.Attribute) bool { return a.Name == name })
	if i < 0 {
		return nil
	}
	return slices.DeleteFunc(slices.Clone(attrs[i].Values), func(v struct {
		T goipp.Tag
		V goipp.Value
	},
	) bool {
		_, void := v.V.(goipp.Void)
		return void || v.V == nil
	})
}

// texts returns the values that are strings of any kind.
func texts(attrs goipp.Attributes, name string) []string {
	var out []string
	for _, v := range find(attrs, name) {
		switch s := v.V.(type) {
		case goipp.String:
			out = append(out, string(s))
		case goipp.TextWithLang:
			out = append(out, s.Text)
		case goipp.Binary:
			out = append(out, string(s))
		}
	}
	return out
}

// text returns the first string, or nothing.
func text(attrs goipp.Attributes, name string) string {
	if all := texts(attrs, name); len(all) > 0 {
		return all[0]
	}
	return ""
}

// numbers returns the values that are integers or enums.
func numbers(attrs goipp.Attributes, name string) []int {
	var out []int
	for _, v := range find(attrs, name) {
		if n, ok := v.V.(goipp.Integer); ok {
			out = append(out, int(n))
		}
	}
	return out
}

// number returns the first integer or enum, or -1.
func number(attrs goipp.Attributes, name string) int {
	if all := numbers(attrs, name); len(all) > 0 {
		return all[0]
	}
	return -1
}

// yes returns a boolean, or what is said if the printer does not tell.
func yes(attrs goipp.Attributes, name string, otherwise bool) bool {
	for _, v := range find(attrs, name) {
		if b, ok := v.V.(goipp.Boolean); ok {
			return bool(b)
		}
	}
	return otherwise
}

// add gives a message an attribute with one or more keywords, or other strings.
func add(to *goipp.Attributes, name string, tag goipp.Tag, values ...string) {
	a := goipp.Attribute{Name: name}
	for _, v := range values {
		a.Values.Add(tag, goipp.String(v))
	}
	to.Add(a)
}

func addNumber(to *goipp.Attributes, name string, tag goipp.Tag, value int) {
	to.Add(goipp.MakeAttribute(name, tag, goipp.Integer(value)))
}

func addYes(to *goipp.Attributes, name string, value bool) {
	to.Add(goipp.MakeAttribute(name, goipp.TagBoolean, goipp.Boolean(value)))
}
