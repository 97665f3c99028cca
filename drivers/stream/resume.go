package stream

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"go.uber.org/zap"
)

const (
	answerWithin = 5 * time.Second
	dialAgain    = 500 * time.Millisecond
)

// resume asks the device how many bytes of the run it has, and sends the rest. It gives up after resumeWithin.
//
// CAUTION: this goes on with motion without a new start. It is for a connection that was away for a moment while the
// device held its place, and only where the floor file says that the device tells; never after a restart of either side.
func (m *machine) resume(lost error) {
	w := m.work
	w.callBack()
	m.hangUp()
	before := w.sender
	w.lostAt, w.sender = m.desk.Now(), nil
	w.handed, w.closed = time.Time{}, false
	m.desk.Stand(reasonConnecting)
	m.env.Log.Warn("connection lost in the middle of a run; asking the device how far it is", zap.String("run", w.job.Run), zap.Error(lost))
	sent := w.job.Sent
	ctx, cancel := context.WithCancel(m.ctx)
	w.callBack = cancel
	post := m.desk.Post()
	go func() {
		if before != nil {
			<-before.ended
			sent = before.sent.Load()
		}
		l, at, err := m.askHowFar(ctx, sent)
		taken := post(ctx, func() {
			if err == nil && (m.work != w || ctx.Err() != nil) {
				_ = l.Close() // stopped meanwhile
				return
			}
			m.resumed(w, l, at, lost, err)
		})
		if !taken && err == nil {
			_ = l.Close()
		}
	}()
}

func (m *machine) resumed(w *work, l line, at int64, lost, err error) {
	if m.work != w {
		return
	}
	if err != nil {
		m.letGo()
		m.desk.LoseJob(fmt.Errorf("%w; %w", lost, err))
		return
	}
	m.env.Log.Info("the device has told how far it is; the rest is sent", zap.String("run", w.job.Run), zap.Int64("bytes", at))
	w.lostAt, w.moved = time.Time{}, m.desk.Now()
	m.desk.GoOn()
	m.send(m.listen(l), at)
}

// askHowFar opens a line anew and asks, until resumeWithin has passed. The answer must lie within what may have left.
func (m *machine) askHowFar(ctx context.Context, sent int64) (line, int64, error) {
	ctx, cancel := context.WithTimeout(ctx, m.resumeWithin)
	defer cancel()
	var last error
	for ctx.Err() == nil {
		l, err := m.open(ctx)
		if err == nil {
			var at int64
			if at, err = m.howFar(ctx, l, sent); err == nil {
				return l, at, nil
			}
			_ = l.Close() // it has said nothing that helps
			if errors.Is(err, errOtherPlace) {
				return nil, 0, err
			}
		}
		last = err
		again := time.NewTimer(dialAgain)
		select {
		case <-again.C:
		case <-ctx.Done():
			again.Stop()
		}
	}
	return nil, 0, fmt.Errorf("not back within %s: %w", m.resumeWithin, last)
}

// errOtherPlace says that a device is not where it can be.
var errOtherPlace = errors.New("the device tells a place that it cannot be at")

func (m *machine) howFar(ctx context.Context, l line, sent int64) (int64, error) {
	if err := say(ctx, l, m.resumeAsk); err != nil {
		return 0, err
	}
	told := make(chan []byte, 1)
	ended := make(chan error, 1)
	go func() {
		hear := listener{end: m.answers.end}
		one := make([]byte, 1) // byte by byte: what follows the answer belongs to whoever listens next
		for {
			n, err := l.Read(one)
			found := false
			hear.hear(one[:n], func(answer []byte) {
				if m.resumeAnswer.Match(answer) {
					found = true
					told <- slices.Clone(answer)
				}
			})
			if found || err != nil {
				ended <- err
				return
			}
		}
	}()
	patience := time.NewTimer(answerWithin)
	defer patience.Stop()
	select {
	case answer := <-told:
		return place(m.resumeAnswer.FindSubmatch(answer)[1], sent)
	case err := <-ended:
		select {
		case answer := <-told:
			return place(m.resumeAnswer.FindSubmatch(answer)[1], sent)
		default:
		}
		return 0, fmt.Errorf("no answer to resume-ask: %w", err)
	case <-patience.C:
		return 0, fmt.Errorf("no answer to resume-ask within %s", answerWithin)
	case <-ctx.Done():
		return 0, ctx.Err()
	}
}

// place reads how many bytes a device has, of those that may have left.
func place(digits []byte, sent int64) (int64, error) {
	at, err := strconv.ParseInt(string(digits), 10, 64)
	if err != nil || at < 0 || at > sent {
		return 0, fmt.Errorf("%w: %.40q of %d bytes", errOtherPlace, digits, sent)
	}
	return at, nil
}
