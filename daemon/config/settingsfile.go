package config

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/pflag"
	"google.golang.org/protobuf/types/known/structpb"

	"tandem/proto/yamlfile"
)

// settingsFile is what a settings file says; nothing if there is none.
type settingsFile struct {
	path   string
	lines  yamlfile.Lines
	values map[string]string
	bad    []error
}

func readSettingsFile(flags *pflag.FlagSet, host Host) (*settingsFile, error) {
	path, named := fromFlag(flags, configFlag)
	if !named {
		path, named = host.LookupEnv(variable(configFlag))
	}
	if !named {
		var err error
		if path, err = settingsFolder.file(host, "tandemd.yaml"); err != nil {
			return &settingsFile{}, nil //nolint:nilerr // without a home folder there is no such file
		}
	}
	content := new(structpb.Struct)
	lines, err := yamlfile.ReadLines(path, content)
	if errors.Is(err, fs.ErrNotExist) && !named {
		return &settingsFile{}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read settings file: %w", err)
	}
	f := &settingsFile{path: path, lines: lines, values: map[string]string{}}
	for name, v := range content.GetFields() {
		switch v := v.GetKind().(type) {
		case *structpb.Value_StringValue:
			f.values[name] = v.StringValue
		case *structpb.Value_NumberValue:
			f.values[name] = strconv.FormatFloat(v.NumberValue, 'f', -1, 64)
		case *structpb.Value_BoolValue:
			f.values[name] = strconv.FormatBool(v.BoolValue)
		default:
			f.bad = append(f.bad, &SettingError{Name: name, Origin: f.at(name), Problem: "must be one value, not a list, a mapping or nothing"})
		}
	}
	return f, nil
}

func (f *settingsFile) at(key string) string { return fmt.Sprintf("%s:%d", f.path, f.lines.At(key)) }

// problems returns what is wrong with the keys of the file.
func (f *settingsFile) problems() []error {
	var known []string
	for _, s := range allSettings() {
		known = append(known, key(s.name))
	}
	byLine := func(a, b string) int { return cmp.Or(cmp.Compare(f.lines.At(a), f.lines.At(b)), cmp.Compare(a, b)) }
	problems := f.bad
	for _, name := range slices.SortedFunc(maps.Keys(f.values), byLine) {
		switch near := yamlfile.Nearest(name, known); {
		case slices.Contains(known, name):
		case near != "":
			problems = append(problems, &SettingError{Origin: f.at(name), Problem: fmt.Sprintf("unknown setting %s; did you mean %s?", yamlfile.Quote(name), near)})
		default:
			problems = append(problems, &SettingError{Origin: f.at(name), Problem: fmt.Sprintf("unknown setting %s; there are %s", yamlfile.Quote(name), strings.Join(known, ", "))})
		}
	}
	return problems
}
