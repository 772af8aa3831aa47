package scpi

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"time"

	"halfturn/drivers"
)

// AppendBlock appends payload to dst as a definite-length arbitrary block
// (488.2, 8.7.9): '#', how many digits follow, the length, the bytes.
func AppendBlock(dst, payload []byte) []byte {
	var digits [20]byte
	length := strconv.AppendInt(digits[:0], int64(len(payload)), 10)
	dst = append(dst, '#', byte('0'+len(length)))
	dst = append(dst, length...)
	return append(dst, payload...)
}

// readHeader reads up to the first byte of the payload.
func readHeader(r *bufio.Reader, limit int) (size int, definite bool, err error) {
	var head [11]byte // "#9123456789"
	n := 0
	next := func() (byte, error) {
		b, err := r.ReadByte()
		if err != nil {
			return 0, unexpected(err)
		}
		head[n] = b
		n++
		return b, nil
	}
	bad := func(why string) (int, bool, error) {
		return 0, false, fmt.Errorf("%w: %q does not begin a block, %s", drivers.ErrReply, head[:n], why)
	}
	b, err := next()
	if err != nil {
		return 0, false, err
	}
	if b != '#' {
		return bad("which starts with #")
	}
	if b, err = next(); err != nil {
		return 0, false, err
	}
	if b == '0' {
		return 0, false, nil
	}
	if b < '1' || b > '9' {
		return bad("# is followed by how many digits the length has")
	}
	for range b - '0' {
		if b, err = next(); err != nil {
			return 0, false, err
		}
		if b < '0' || b > '9' {
			return bad("its length is not a number")
		}
		size = size*10 + int(b-'0') // nine digits at most: no overflow
	}
	if size > limit {
		return 0, false, fmt.Errorf("%w: a block of %d bytes is announced, and %d are allowed", drivers.ErrReply, size, limit)
	}
	return size, true, nil
}

// shortBlock is a definite block that broke off.
type shortBlock struct {
	got, size int
	err       error
}

func (e *shortBlock) what() string {
	return fmt.Sprintf("only %d of %d bytes of a block came", e.got, e.size)
}
func (e *shortBlock) Error() string { return e.what() + ": " + e.err.Error() }
func (e *shortBlock) Unwrap() error { return e.err }

// trust is how much storage the announced length alone is given. A longer
// block gets more as its bytes arrive.
const trust = 1 << 20

func readPayload(r io.Reader, buf []byte, size int) ([]byte, error) {
	buf = buf[:0]
	for len(buf) < size {
		if len(buf) == cap(buf) || len(buf) == 0 {
			buf = slices.Grow(buf, min(size-len(buf), max(trust, len(buf))))
		}
		n, err := io.ReadFull(r, buf[len(buf):min(cap(buf), size)])
		buf = buf[:len(buf)+n]
		if err != nil {
			return nil, &shortBlock{len(buf), size, unexpected(err)}
		}
	}
	return buf, nil
}

// readSome appends what comes next.
func readSome(r *bufio.Reader, buf []byte, limit int) ([]byte, error) {
	buf = slices.Grow(buf, 1)
	n, err := r.Read(buf[len(buf):cap(buf)])
	buf = buf[:len(buf)+n]
	if len(buf) > limit+1 { // and a newline
		return buf, fmt.Errorf("%w: the indefinite block does not end within %d bytes", drivers.ErrReply, limit)
	}
	return buf, err
}

// endIndefinite takes off the newline that ends an indefinite block.
func endIndefinite(buf []byte) ([]byte, error) {
	if len(buf) == 0 || buf[len(buf)-1] != '\n' {
		return nil, fmt.Errorf("an indefinite block broke off after %d bytes: %w", len(buf), io.ErrUnexpectedEOF)
	}
	return buf[:len(buf)-1], nil
}

// unexpected is err where the input may not end.
func unexpected(err error) error {
	if err == io.EOF {
		return io.ErrUnexpectedEOF
	}
	return err
}

// unknownSize is that of a block whose caller does not know it.
const unknownSize = -1

// readBlock reads the block that answers query.
func (c *Conn) readBlock(ctx context.Context, query string, expected int, buf []byte) ([]byte, error) {
	limit := time.Now().Add(c.o.TimeLimit)
	for {
		found, err := c.findBlock(query)
		if err != nil {
			return nil, err
		}
		if found {
			break
		}
		if !c.staleIdentity(query) {
			return nil, fmt.Errorf("%w: text where a block was expected", drivers.ErrReply)
		}
	}
	size, definite, err := readHeader(c.in, c.o.MaxBlock)
	if err != nil {
		return nil, err
	}
	if !definite && c.o.Prompt != "" {
		return nil, fmt.Errorf("%w: a block without a length comes, of which the end cannot be told from the prompt behind it", drivers.ErrReply)
	}
	if !definite {
		return c.readIndefinite(ctx, expected, buf, limit)
	}
	if buf, err = readPayload(c.in, buf, size); err != nil {
		return nil, err
	}
	return buf, c.readTerminator(ctx)
}

// findBlock reads up to the # of a block, or else a line into c.line.
func (c *Conn) findBlock(query string) (found bool, err error) {
	if c.o.Headers && headerOf(query) != "" {
		return c.skipHeader(query)
	}
	for {
		b, err := c.in.ReadByte()
		if err != nil {
			return false, err
		}
		if blank(b) {
			continue
		}
		// Just read: there is room to put it back.
		_ = c.in.UnreadByte()
		if b == '#' {
			return true, nil
		}
		return false, c.readLine(c.o.MaxReply, false)
	}
}

// readTerminator takes the newline after a definite block. An instrument that
// sends none costs one wait, and none from then on: a newline that comes late
// is white space before the next reply.
func (c *Conn) readTerminator(ctx context.Context) error {
	if c.o.Prompt != "" {
		if err := c.awaitPrompt(); err != nil {
			return err
		}
		return c.nothingMore()
	}
	if c.in.Buffered() == 0 && !c.bare {
		if err := c.limitFor(ctx, time.Now().Add(c.o.Quiet)); err != nil {
			return err
		}
		_, err := c.in.Peek(1)
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded) && ctx.Err() == nil:
			c.bare = true
		case errors.Is(err, io.EOF): // the block is complete; the next exchange will see
		case err != nil:
			return err
		}
	}
	return c.nothingMore()
}

// readIndefinite reads until a newline that silence follows, or the one that
// stands where it is expected.
func (c *Conn) readIndefinite(ctx context.Context, expected int, buf []byte, limit time.Time) ([]byte, error) {
	buf = buf[:0]
	var err error
	for {
		if buf, err = readSome(c.in, buf, c.o.MaxBlock); err != nil {
			if !errors.Is(err, drivers.ErrReply) {
				err = fmt.Errorf("an indefinite block broke off after %d bytes: %w", len(buf), err)
			}
			return nil, err
		}
		if len(buf) == 0 || buf[len(buf)-1] != '\n' || c.in.Buffered() > 0 {
			continue
		}
		if len(buf) == expected+1 {
			return endIndefinite(buf)
		}
		quiet := time.Now().Add(c.o.Quiet)
		if quiet.After(limit) {
			return nil, fmt.Errorf("an indefinite block had not ended after %d bytes: %w", len(buf), os.ErrDeadlineExceeded)
		}
		if err := c.limitFor(ctx, quiet); err != nil {
			return nil, err
		}
		_, err := c.in.Peek(1)
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded) && ctx.Err() == nil, errors.Is(err, io.EOF):
			return endIndefinite(buf)
		case err != nil:
			return nil, err
		}
		if err := c.limitFor(ctx, limit); err != nil {
			return nil, err
		}
	}
}
