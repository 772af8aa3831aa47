package message

// Inbox holds what arrived of replies and was not read, for links whose
// replies come in parts with their end beside them. The zero Inbox is empty.
type Inbox struct {
	buf     []byte // its storage is used again once all was read
	read    int    // of buf
	end     bool   // of the reply, after buf
	newline bool   // to be read next
	got     Scanner
}

// Put keeps a part of a reply, and what end says: it is the last.
func (b *Inbox) Put(p []byte, end bool) {
	if b.read == len(b.buf) {
		b.buf, b.read = b.buf[:0], 0
	}
	b.buf = append(b.buf, p...)
	b.end = b.end || end
}

// Read never waits: 0 says that nothing is here. A reply that ends without a
// newline gets one.
func (b *Inbox) Read(p []byte) int {
	if len(p) == 0 {
		return 0
	}
	if b.newline {
		b.newline = false
		p[0] = '\n'
		return 1
	}
	n := copy(p, b.buf[b.read:])
	for rest := p[:n]; len(rest) > 0; {
		k, _ := b.got.Next(rest)
		rest = rest[k:]
	}
	b.read += n
	if b.read < len(b.buf) || !b.end {
		return n
	}
	b.end = false
	switch lacks := b.got.End(); {
	case lacks && n < len(p):
		p[n] = '\n'
		n++
	case lacks:
		b.newline = true
	}
	return n
}

// Reset forgets what is here, and is at the beginning of a reply.
func (b *Inbox) Reset() { *b = Inbox{buf: b.buf[:0]} }
