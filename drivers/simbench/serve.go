package simbench

import (
	"context"
	"fmt"
	"io"
	"net"
	"sync"
	"time"

	"halfturn/drivers/simbench/device"
	"halfturn/units"
)

// Server is a bench that answers.
type Server struct {
	bench       *bench
	instruments [2]*served
	cancel      context.CancelFunc
	running     sync.WaitGroup
	closing     sync.Once
}

// served is one instrument and the places where it answers.
type served struct {
	name     Instrument
	device   *device.Device
	listener net.Listener
	line     *serialLine // nil without a pseudo-terminal
	wire     *wire       // the line with a terminal's habits; nil where it carries bytes as they come
}

// Serve starts both instruments. They answer until ctx is done or Close is
// called. The scenario must not be changed afterwards.
func Serve(ctx context.Context, scenario *Scenario, o Options) (*Server, error) {
	if err := scenario.Check(); err != nil {
		return nil, err
	}
	s := &Server{bench: newBench(scenario, o.ScopeSpeaks)}
	if o.Now != nil {
		s.bench.now = o.Now
	}
	ctx, s.cancel = context.WithCancel(ctx)
	for name := range Instrument(len(s.instruments)) {
		inst, err := o.open(name, s.bench)
		if err != nil {
			_ = s.Close() // ends what was opened before
			return nil, err
		}
		s.instruments[name] = inst
	}
	for _, inst := range s.instruments {
		s.running.Go(func() { s.accept(ctx, inst) })
		if inst.line != nil {
			s.running.Go(func() { serveLine(ctx, inst) })
		}
		if inst.wire != nil {
			s.running.Go(inst.wire.take)
		}
		// Closing is what ends a read; a done context must do it, too.
		context.AfterFunc(ctx, inst.close)
	}
	return s, nil
}

// open makes an instrument and the places where it answers.
func (o Options) open(name Instrument, b *bench) (*served, error) {
	listen, speaks := o.GeneratorListen, o.GeneratorSpeaks
	if name == Scope {
		listen, speaks = o.ScopeListen, o.ScopeSpeaks
	}
	inst := &served{name: name}
	var err error
	if inst.device, err = speaks.device(name, b); err != nil {
		return nil, fmt.Errorf("what the simulated %v speaks: %w", name, err)
	}
	if listen == "" {
		listen = "127.0.0.1:0"
	}
	if inst.listener, err = net.Listen("tcp", listen); err != nil {
		return nil, fmt.Errorf("simulated %v cannot listen on %s: %w", name, listen, err)
	}
	if !o.PTY {
		return inst, nil
	}
	if inst.line, err = openLine(); err != nil {
		inst.close()
		return nil, fmt.Errorf("simulated %v on a pseudo-terminal: %w", name, err)
	}
	if speaks.Serial() {
		inst.wire = newWire(inst.line, o.CharacterTime)
	}
	return inst, nil
}

// close ends whatever waits for a client or for bytes.
func (i *served) close() {
	_ = i.listener.Close() // the second time fails, and does not matter
	if i.line != nil {
		i.line.close()
	}
	if i.wire != nil {
		i.wire.close()
	}
}

// accept serves each client in a goroutine of its own.
func (s *Server) accept(ctx context.Context, inst *served) {
	for {
		conn, err := inst.listener.Accept()
		if err != nil {
			return // closed
		}
		s.running.Go(func() {
			hangUp := func() { _ = conn.Close() }
			stop := context.AfterFunc(ctx, hangUp)
			defer stop()
			defer hangUp()
			// How a client goes is its own affair; a bad message is in the error queue.
			_ = inst.device.Converse(ctx, conn, hangUp)
		})
	}
}

// serveLine serves a serial line, which has no beginning and no end: a hang-up
// only forgets what was read of the next message.
func serveLine(ctx context.Context, inst *served) {
	var link io.ReadWriter = inst.line
	if inst.wire != nil {
		link = inst.wire
	}
	for ctx.Err() == nil {
		if err := inst.device.Converse(ctx, link, nil); err != nil {
			return
		}
	}
}

// Close ends all conversations and waits for them. It may be called again.
func (s *Server) Close() error {
	s.closing.Do(func() {
		s.cancel()
		for _, inst := range s.instruments {
			if inst != nil {
				inst.close()
			}
		}
		s.running.Wait()
	})
	return nil
}

// GeneratorAddress is tcp://host:port.
func (s *Server) GeneratorAddress() string { return s.address(Generator) }

// ScopeAddress is tcp://host:port.
func (s *Server) ScopeAddress() string { return s.address(Scope) }

func (s *Server) address(i Instrument) string {
	return "tcp://" + s.instruments[i].listener.Addr().String()
}

// SerialAddresses are serial:///dev/pts/5?baud=115200, with the pace and the flow
// control that a terminal needs; empty without Options.PTY.
func (s *Server) SerialAddresses() (generator, scope string) {
	address := func(i *served) string {
		if i.line == nil {
			return ""
		}
		address := "serial://" + i.line.path + "?baud=115200"
		if i.wire != nil {
			address += "&pace=1ms&flow=xonxoff"
		}
		return address
	}
	return address(s.instruments[Generator]), address(s.instruments[Scope])
}

// Converse lets an instrument answer on a link of the caller's, such as that of a
// peer in drivers/link, until the link ends. The error is the link's.
func (s *Server) Converse(ctx context.Context, i Instrument, link io.ReadWriter) error {
	return s.instruments[i].device.Converse(ctx, link, nil)
}

// Fit puts a thing into the fixture, as a person does. It counts as a change
// of a setting.
func (s *Server) Fit(what Fixture) { s.bench.fit(what) }

// FitForCalibration fits what the scenario has in the fixture during a
// calibration: the calibration cable, where nobody makes a mistake.
func (s *Server) FitForCalibration() { s.bench.fit(s.bench.scenario.Fixture.Calibration) }

// FitForMeasurement fits what the scenario has in the fixture during a balun run.
func (s *Server) FitForMeasurement() { s.bench.fit(s.bench.scenario.Fixture.Balun) }

// Truth is the exact result at f; see Scenario.Truth.
func (s *Server) Truth(f units.Hertz) Truth { return s.bench.scenario.Truth(f) }

// Interfere makes hook see every command of an instrument before it takes
// effect, and decide what goes wrong; nil ends it. Faults ready made are in
// package device: Interfere(Scope, device.OnNth("TRACe", 3, device.ShortBlock)).
func (s *Server) Interfere(i Instrument, hook Hook) { s.instruments[i].device.Interfere(hook) }

// Busy is how long an instrument has been at work on commands; see device.Device.
func (s *Server) Busy(i Instrument) time.Duration { return s.instruments[i].device.Busy() }
