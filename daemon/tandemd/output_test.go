package main

import (
	"bytes"
	"strings"
	"testing"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// said runs tandemd and returns what it prints.
func said(t *testing.T, args ...string) string {
	t.Helper()
	var out bytes.Buffer
	root := rootCommand()
	root.SetArgs(args)
	root.SetOut(&out)
	root.SetErr(&out)
	if err := root.ExecuteContext(t.Context()); err != nil {
		t.Fatalf("tandemd %q: %v", args, err)
	}
	return out.String()
}

// Names of settings fit into their column, or what is behind them stands crooked.
func TestSettingsStandInColumns(t *testing.T) {
	for _, c := range []struct {
		args          []string
		indent, width int
	}{
		{[]string{"config", "--floor", "../../testdata/floors/harbour.yaml"}, 0, 13},
		{[]string{"drivers"}, 4, 16},
	} {
		rows := 0
		for line := range strings.Lines(said(t, c.args...)) {
			name, indented := strings.CutPrefix(line, strings.Repeat(" ", c.indent))
			if !indented || strings.HasPrefix(name, "for example ") || strings.HasPrefix(name, "floor file is good") || strings.TrimSpace(name) == "" {
				continue
			}
			rows++
			if field := strings.Fields(name)[0]; len(field) > c.width {
				t.Errorf("tandemd %q: %q is longer than its column of %d", c.args, field, c.width)
			}
			if len(name) > c.width && name[c.width] != ' ' {
				t.Errorf("tandemd %q: the column does not end at %d in %q", c.args, c.width, line)
			}
		}
		if rows < 10 {
			t.Errorf("tandemd %q lists %d settings", c.args, rows)
		}
	}
}

// A log that is set to errors only stays as it is, without a word about levels on standard error.
func TestLogOfErrorsAlone(t *testing.T) {
	for level, want := range map[zapcore.Level]zapcore.Level{
		zap.DebugLevel: zap.DebugLevel, zap.InfoLevel: zap.WarnLevel, zap.WarnLevel: zap.WarnLevel, zap.ErrorLevel: zap.ErrorLevel,
	} {
		var out, faults bytes.Buffer
		core := zapcore.NewCore(zapcore.NewJSONEncoder(zap.NewProductionEncoderConfig()), zapcore.AddSync(&out), level)
		log := natsLog(zap.New(core, zap.ErrorOutput(zapcore.AddSync(&faults))))
		if got := zapcore.LevelOf(log.Core()); got != want || faults.Len() > 0 {
			t.Errorf("of a log of %v: %v, want %v; said %q", level, got, want, faults.String())
		}
	}
}
