package daemon

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Event types of the stream at /api/v1/events.
const (
	EventStep  = "step"  // data: Step, with the job and the total
	EventJob   = "job"   // data: queue.Job
	EventState = "state" // data: Bench
	EventReset = "reset" // data: {}: events were missed, read all lists anew
)

// StepEvent is the data of a step event.
type StepEvent struct {
	Step
	Job   int64 `json:"job"`
	Total int   `json:"total"`
}

// event is one line of the stream.
type event struct {
	number uint64
	kind   string
	data   []byte
}

// stream keeps the last events and hands new ones on. Its zero value is not
// ready; see newStream.
type stream struct {
	life string // of this process, so that numbers of another are not taken for ours

	mu      sync.Mutex
	last    uint64
	kept    []event // ring, the oldest at last % len once it is full
	readers map[chan struct{}]bool
}

// mostEvents is how many can be caught up with.
const mostEvents = 1024

func newStream(now time.Time) *stream {
	return &stream{life: strconv.FormatInt(now.UnixNano(), 36), readers: map[chan struct{}]bool{}}
}

// tell appends an event.
func (s *stream) tell(kind string, data any) {
	text, err := json.Marshal(data)
	if err != nil {
		text = []byte("{}") // no type of ours does this
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.last++
	e := event{s.last, kind, text}
	if len(s.kept) < mostEvents {
		s.kept = append(s.kept, e)
	} else {
		s.kept[(s.last-1)%mostEvents] = e
	}
	for r := range s.readers {
		select {
		case r <- struct{}{}:
		default:
		}
	}
}

// id is what a reader reconnects with.
func (s *stream) id(number uint64) string { return fmt.Sprintf("%s-%d", s.life, number) }

// after reads an ID. One that is malformed, or of another life, is none; then
// there is nothing to catch up with.
func (s *stream) after(id string) (number uint64, ok bool) {
	life, text, found := strings.Cut(id, "-")
	n, err := strconv.ParseUint(text, 10, 64)
	s.mu.Lock()
	defer s.mu.Unlock()
	if !found || err != nil || life != s.life || n > s.last {
		return s.last, false
	}
	return n, true
}

// since gives the events after a number; complete is false where the oldest of
// them are no longer kept.
func (s *stream) since(number uint64) (events []event, complete bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	first := number + 1
	complete = true
	if oldest := s.last - uint64(len(s.kept)) + 1; first < oldest {
		first, complete = oldest, false
	}
	for n := first; n <= s.last; n++ {
		events = append(events, s.kept[(n-1)%mostEvents])
	}
	return events, complete
}

// join gives a channel on which something comes when there are new events.
func (s *stream) join() (wake <-chan struct{}, leave func()) {
	c := make(chan struct{}, 1)
	s.mu.Lock()
	s.readers[c] = true
	s.mu.Unlock()
	return c, func() {
		s.mu.Lock()
		delete(s.readers, c)
		s.mu.Unlock()
	}
}
