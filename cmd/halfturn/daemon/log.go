package daemon

import (
	"context"
	"io"
	"log/slog"
	"sync"
)

// mostLines of the log are kept for the page.
const mostLines = 1000

// tail keeps the last lines of the log.
type tail struct {
	mu    sync.Mutex
	lines []LogLine
}

func newTail() *tail { return &tail{} }

// handler writes JSON lines to out and keeps them.
func (t *tail) handler(out io.Writer) slog.Handler {
	return &tailing{Handler: slog.NewJSONHandler(out, &slog.HandlerOptions{ReplaceAttr: hide}), tail: t}
}

// secret are attributes that no log shows, whoever may come to write them.
var secret = map[string]bool{"token": true, "token_hash": true, "authorization": true, "cookie": true, "webhook": true}

func hide(_ []string, a slog.Attr) slog.Attr {
	if secret[a.Key] {
		a.Value = slog.StringValue("(hidden)")
	}
	return a
}

type tailing struct {
	slog.Handler
	tail  *tail
	attrs []slog.Attr
}

func (h *tailing) Handle(ctx context.Context, r slog.Record) error {
	line := LogLine{Time: r.Time, Level: r.Level.String(), Message: r.Message}
	add := func(a slog.Attr) bool {
		if line.Fields == nil {
			line.Fields = map[string]any{}
		}
		v := hide(nil, a).Value.Resolve()
		switch v.Kind() {
		case slog.KindInt64, slog.KindUint64, slog.KindFloat64, slog.KindBool:
			line.Fields[a.Key] = v.Any()
		default:
			line.Fields[a.Key] = v.String()
		}
		return true
	}
	for _, a := range h.attrs {
		add(a)
	}
	r.Attrs(add)
	t := h.tail
	t.mu.Lock()
	if len(t.lines) >= 2*mostLines {
		t.lines = append(t.lines[:0], t.lines[len(t.lines)-mostLines:]...)
	}
	t.lines = append(t.lines, line)
	t.mu.Unlock()
	return h.Handler.Handle(ctx, r)
}

func (h *tailing) WithAttrs(attrs []slog.Attr) slog.Handler {
	return &tailing{h.Handler.WithAttrs(attrs), h.tail, append(append([]slog.Attr{}, h.attrs...), attrs...)}
}

func (h *tailing) WithGroup(name string) slog.Handler {
	return &tailing{h.Handler.WithGroup(name), h.tail, h.attrs}
}

// last gives the last n lines.
func (t *tail) last(n int) []LogLine {
	t.mu.Lock()
	defer t.mu.Unlock()
	n = min(n, len(t.lines), mostLines)
	return append([]LogLine{}, t.lines[len(t.lines)-n:]...)
}
