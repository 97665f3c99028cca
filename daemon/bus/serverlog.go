package bus

import (
	"fmt"
	"slices"
	"strings"
	"sync"

	natsserver "github.com/nats-io/nats-server/v2/server"
	"go.uber.org/zap"
	"golang.org/x/time/rate"
)

// The server writes lines for each connection that fails, so a peer could fill a disk with them. A start writes about
// 30 lines.
const (
	serverLinesBurst     = 200
	serverLinesPerSecond = 2
)

// serverLog turns the server's lines into log entries. It drops lines above its rate and says how many.
type serverLog struct {
	log     *zap.Logger
	limiter *rate.Limiter
	failed  func(line string)

	mu      sync.Mutex
	leftOut int
	died    error
}

var _ natsserver.Logger = (*serverLog)(nil)

func newServerLog(log *zap.Logger, failed func(line string)) *serverLog {
	return &serverLog{
		failed:  failed,
		log:     log.Named("nats").WithOptions(zap.WithCaller(false)),
		limiter: rate.NewLimiter(serverLinesPerSecond, serverLinesBurst),
	}
}

func (l *serverLog) debugging() bool { return l.log.Core().Enabled(zap.DebugLevel) }

// fatal returns the line with which the server gave up, if it has.
func (l *serverLog) fatal() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.died
}

func (l *serverLog) Noticef(format string, v ...any) { l.write(l.log.Info, format, v) }
func (l *serverLog) Warnf(format string, v ...any)   { l.write(l.log.Warn, format, v) }
func (l *serverLog) Errorf(format string, v ...any)  { l.write(l.log.Error, format, v) }

// Fatalf never ends the process: StartServer returns the line as its error.
func (l *serverLog) Fatalf(format string, v ...any) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.died == nil {
		l.died = fmt.Errorf(format, v...)
	}
}

// Debugf and Tracef have no limit: whoever asks for them wants them all.
func (l *serverLog) Debugf(format string, v ...any) { l.log.Debug(fmt.Sprintf(format, v...)) }
func (l *serverLog) Tracef(format string, v ...any) { l.log.Debug(fmt.Sprintf(format, v...)) }

// storeFailures begin or contain the lines with which the server tells that a stream takes no more messages. It answers none
// of them, and goes on like that until it is started anew (nats-server 2.15.2, stream.go and filestore.go).
var storeFailures = []string{"JetStream failed to store a msg", "Critical write error", "Filesystem permission denied while writing"}

func (l *serverLog) write(entry func(string, ...zap.Field), format string, v []any) {
	line := fmt.Sprintf(format, v...)
	if l.failed != nil && slices.ContainsFunc(storeFailures, func(s string) bool { return strings.Contains(line, s) }) {
		l.failed(line)
	}
	l.mu.Lock()
	if !l.limiter.Allow() {
		l.leftOut++
		l.mu.Unlock()
		return
	}
	leftOut := l.leftOut
	l.leftOut = 0
	l.mu.Unlock()
	if leftOut > 0 {
		entry(line, zap.Int("lines_left_out", leftOut))
		return
	}
	entry(line)
}
