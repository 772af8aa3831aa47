package vxi11

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"halfturn/drivers/link/internal/stream"
)

// ONC RPC version 2 (RFC 5531, 9) over TCP with record marking (RFC 5531,
// 11), its values in XDR (RFC 4506).
const (
	rpcVersion = 2

	msgCall  = 0
	msgReply = 1

	replyAccepted = 0
	replyDenied   = 1

	acceptSuccess      = 0
	acceptProgUnavail  = 1
	acceptProgMismatch = 2
	acceptProcUnavail  = 3
	acceptGarbageArgs  = 4

	rejectVersion = 0
	rejectAuth    = 1

	lastFragment = 1 << 31
	// verifierLimit is the longest opaque_auth body (RFC 5531, 8.2).
	verifierLimit = 400
)

// values reads XDR values; after the first that does not fit err is set and
// the rest are zero.
type values struct {
	rest []byte
	err  error
}

var errShort = errors.New("it ends too early")

func (v *values) uint() uint32 {
	if v.err != nil || len(v.rest) < 4 {
		v.err = cmp.Or(v.err, errShort)
		return 0
	}
	n := binary.BigEndian.Uint32(v.rest)
	v.rest = v.rest[4:]
	return n
}

// opaque reads variable-length bytes, at most limit (RFC 4506, 4.10). They
// stay where they are.
func (v *values) opaque(limit int) []byte {
	n := uint64(v.uint())
	switch padded := (n + 3) &^ 3; {
	case v.err != nil:
		return nil
	case n > uint64(limit):
		v.err = fmt.Errorf("%d bytes are announced, and %d are allowed", n, limit)
		return nil
	case padded > uint64(len(v.rest)):
		v.err = errShort
		return nil
	default:
		b := v.rest[:n:n]
		v.rest = v.rest[padded:]
		return b
	}
}

func appendUints(dst []byte, numbers ...uint32) []byte {
	for _, n := range numbers {
		dst = binary.BigEndian.AppendUint32(dst, n)
	}
	return dst
}

func appendOpaque(dst, b []byte) []byte {
	dst = binary.BigEndian.AppendUint32(dst, uint32(len(b)))
	dst = append(dst, b...)
	return append(dst, 0, 0, 0)[:len(dst)+(4-len(b)%4)%4]
}

// source is a Read or a ReadPending: 0 and nil say that nothing has come.
type source func(p []byte) (int, error)

// record collects the fragments of one record. It can stop at any byte, when
// a time limit passes, and go on there.
type record struct {
	mark [4]byte
	have int // bytes of mark
	left int // bytes of the fragment, to come
	last bool
	in   bool // within a fragment
	data []byte
}

// read returns done when the record is whole. It holds at most limit bytes,
// and no storage is taken for bytes that have not come, but for one step.
func (r *record) read(get source, limit int) (done bool, err error) {
	const step = 64 << 10
	for {
		if !r.in {
			n, err := get(r.mark[r.have:])
			if n == 0 || err != nil {
				return false, err
			}
			if r.have += n; r.have < len(r.mark) {
				continue
			}
			mark := binary.BigEndian.Uint32(r.mark[:])
			size := mark &^ lastFragment
			r.last = mark&lastFragment != 0
			switch {
			case uint64(size)+uint64(len(r.data)) > uint64(limit):
				return false, fmt.Errorf("an RPC record of %d bytes or more is announced, and %d are allowed", uint64(size)+uint64(len(r.data)), limit)
			case size == 0 && !r.last:
				return false, errors.New("an empty fragment of an RPC record")
			}
			r.left, r.in, r.have = int(size), true, 0
		}
		for r.left > 0 {
			r.data = slices.Grow(r.data, min(r.left, step))
			n, err := get(r.data[len(r.data):min(cap(r.data), len(r.data)+r.left)])
			r.data = r.data[:len(r.data)+n]
			r.left -= n
			if n == 0 || err != nil {
				return false, err
			}
		}
		r.in = false
		if r.last {
			return true, nil
		}
	}
}

// caller calls procedures, one after the other, on one connection.
type caller struct {
	s     stream.Stream
	xid   uint32
	out   []byte
	reply record
}

// send sends a call whose arguments args appends. started is false when
// nothing of it went out.
func (c *caller) send(program, version, procedure uint32, args func(dst []byte) []byte) (started bool, err error) {
	c.xid++
	c.out = appendUints(c.out[:0], 0, c.xid, msgCall, rpcVersion, program, version, procedure,
		0, 0, 0, 0) // credentials and verifier: none (AUTH_NONE)
	c.out = args(c.out)
	binary.BigEndian.PutUint32(c.out, uint32(len(c.out)-4)|lastFragment)
	c.reply.data = c.reply.data[:0]
	n, err := c.s.Write(c.out)
	return n > 0, err
}

// await reads the reply to the last call: its results, in storage that the
// next call uses again.
func (c *caller) await(get source, limit int) (results values, done bool, err error) {
	done, err = c.reply.read(get, limit)
	if !done || err != nil {
		return values{}, false, err
	}
	results, err = parseReply(c.reply.data, c.xid)
	return results, err == nil, err
}

// call is send and await.
func (c *caller) call(program, version, procedure uint32, limit int, args func(dst []byte) []byte) (values, error) {
	if _, err := c.send(program, version, procedure, args); err != nil {
		return values{}, err
	}
	results, _, err := c.await(c.s.Read, limit)
	return results, err
}

// parseReply reads up to the results (RFC 5531, 9).
func parseReply(b []byte, xid uint32) (values, error) {
	v := values{rest: b}
	bad := func(format string, args ...any) (values, error) {
		return values{}, fmt.Errorf("RPC reply: "+format, args...)
	}
	id, kind, status := v.uint(), v.uint(), v.uint()
	switch {
	case v.err != nil:
		return bad("%w", v.err)
	case kind != msgReply:
		return bad("a message of type %d came", kind)
	case id != xid:
		return bad("it answers call %#x, and %#x was sent", id, xid)
	case status == replyDenied:
		switch why := v.uint(); {
		case v.err != nil:
			return bad("%w", v.err)
		case why == rejectVersion:
			return bad("the call is denied, version %d of RPC is not spoken", rpcVersion)
		case why == rejectAuth:
			return bad("the call is denied, authentication is wanted (status %d)", v.uint())
		default:
			return bad("the call is denied for the unknown reason %d", why)
		}
	case status != replyAccepted:
		return bad("its status is %d, and 0 and 1 are known", status)
	}
	v.uint() // the verifier
	v.opaque(verifierLimit)
	accept := v.uint()
	if v.err != nil {
		return bad("%w", v.err)
	}
	switch accept {
	case acceptSuccess:
		return v, nil
	case acceptProgUnavail:
		return bad("the program is not there")
	case acceptProgMismatch:
		return bad("the program is there in versions %d to %d only", v.uint(), v.uint())
	case acceptProcUnavail:
		return bad("the procedure is not there")
	case acceptGarbageArgs:
		return bad("the arguments were not understood")
	}
	return bad("the call failed at the far end (status %d)", accept)
}
