package main

import (
	"fmt"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

const (
	// seldomEvery is how often a line that is written seldom is written at most.
	seldomEvery = 10 * time.Second
	// mostSeldom bounds how many different lines are remembered.
	mostSeldom = 1000
)

// seldom returns a logger that writes a line with one of these messages at most every ten seconds, each with its own fields, and says how
// often it was left out since. It is for what is tried again many times in a second for as long as a person does nothing: it would bury the
// lines that tell what to do. Lines whose order tells a story, as lost and back, are not for it.
func seldom(log *zap.Logger, messages ...string) *zap.Logger {
	return log.WithOptions(zap.WrapCore(func(core zapcore.Core) zapcore.Core {
		return &seldomCore{Core: core, messages: messages, said: &saidLines{lines: make(map[string]*saidLine)}}
	}))
}

type seldomCore struct {
	zapcore.Core
	messages []string
	said     *saidLines
}

type saidLines struct {
	mu    sync.Mutex
	lines map[string]*saidLine
}

type saidLine struct {
	at      time.Time
	leftOut int
}

func (c *seldomCore) With(fields []zapcore.Field) zapcore.Core {
	return &seldomCore{Core: c.Core.With(fields), messages: c.messages, said: c.said}
}

func (c *seldomCore) Check(e zapcore.Entry, checked *zapcore.CheckedEntry) *zapcore.CheckedEntry {
	if !slices.Contains(c.messages, e.Message) {
		return c.Core.Check(e, checked)
	}
	if c.Enabled(e.Level) {
		return checked.AddCore(e, c)
	}
	return checked
}

func (c *seldomCore) Write(e zapcore.Entry, fields []zapcore.Field) error {
	values := zapcore.NewMapObjectEncoder()
	for _, f := range fields {
		f.AddTo(values)
	}
	leftOut, now := c.said.now(fmt.Sprint(e.Message, values.Fields), e.Time) // maps are printed in the order of their keys
	switch {
	case !now:
		return nil
	case leftOut > 0:
		fields = append(slices.Clone(fields), zap.Int("lines_left_out", leftOut))
	}
	return c.Core.Write(e, fields)
}

// now says whether a line is due, and how often it was left out since it was written last.
func (s *saidLines) now(line string, at time.Time) (leftOut int, due bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	before, known := s.lines[line]
	if known {
		if age := at.Sub(before.at); age >= 0 && age < seldomEvery { // a clock that is set back must not silence it
			before.leftOut++
			return 0, false
		}
		leftOut = before.leftOut
	}
	if !known && len(s.lines) >= mostSeldom {
		clear(s.lines)
	}
	s.lines[line] = &saidLine{at: at}
	return leftOut, true
}
