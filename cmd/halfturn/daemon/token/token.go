// Package token makes the daemon's access token and the hash that its
// configuration holds, and tells whether a token is the one.
//
// The hash is Argon2id (RFC 9106) in the form that other programs write it,
// $argon2id$v=19$m=65536,t=3,p=4$salt$hash with both in base64 without
// padding.
package token

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"

	"golang.org/x/crypto/argon2"
)

// What RFC 9106, section 4, recommends second, where memory is constrained:
// 3 passes over 64 MiB in 4 lanes, a salt of 128 and a hash of 256 bits.
const (
	passes   = 3
	memory   = 64 << 10 // KiB
	lanes    = 4
	saltSize = 16
	hashSize = 32
)

// A hash from elsewhere may not cost more than this.
const (
	mostPasses = 16
	mostMemory = 256 << 10 // KiB
	mostLanes  = 16
)

// tokenSize is more bytes than anybody can guess.
const tokenSize = 32

var plain = base64.RawStdEncoding

// New makes a token and its hash.
func New() (token, hash string, err error) {
	random := make([]byte, tokenSize+saltSize)
	if _, err := rand.Read(random); err != nil {
		return "", "", err
	}
	token = base64.RawURLEncoding.EncodeToString(random[:tokenSize])
	salt := random[tokenSize:]
	sum := argon2.IDKey([]byte(token), salt, passes, memory, lanes, hashSize)
	hash = fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memory, passes, lanes, plain.EncodeToString(salt), plain.EncodeToString(sum))
	return token, hash, nil
}

// parsed is a hash that was read.
type parsed struct {
	memory, passes uint32
	lanes          uint8
	salt, sum      []byte
}

var errHash = errors.New("no hash of a token: `halfturn token` makes one")

func parse(hash string) (p parsed, err error) {
	parts := strings.Split(hash, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return p, errHash
	}
	var lanes uint32
	if n, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &p.memory, &p.passes, &lanes); err != nil || n != 3 {
		return p, errHash
	}
	if p.passes < 1 || p.passes > mostPasses || lanes < 1 || lanes > mostLanes || p.memory < 8*lanes || p.memory > mostMemory {
		return p, errHash
	}
	p.lanes = uint8(lanes)
	if p.salt, err = plain.DecodeString(parts[4]); err != nil || len(p.salt) < 8 {
		return p, errHash
	}
	if p.sum, err = plain.DecodeString(parts[5]); err != nil || len(p.sum) < 16 || len(p.sum) > 64 {
		return p, errHash
	}
	return p, nil
}

// Valid says what is wrong with a hash.
func Valid(hash string) error {
	_, err := parse(hash)
	return err
}

// Verifier tells whether a token is the one. Hashing is slow on purpose, so
// that the token which was right once is remembered, as a digest.
type Verifier struct {
	hash parsed

	mu    sync.Mutex // one hash at a time: each takes its memory
	right atomic.Pointer[[sha256.Size]byte]
}

// NewVerifier refuses a hash that is none.
func NewVerifier(hash string) (*Verifier, error) {
	p, err := parse(hash)
	if err != nil {
		return nil, err
	}
	return &Verifier{hash: p}, nil
}

// longest is more than any token that New makes.
const longest = 128

// Is tells whether a token is the one.
func (v *Verifier) Is(token string) bool {
	if token == "" || len(token) > longest {
		return false
	}
	digest := sha256.Sum256([]byte(token))
	if right := v.right.Load(); right != nil && subtle.ConstantTimeCompare(digest[:], right[:]) == 1 {
		return true
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	sum := argon2.IDKey([]byte(token), v.hash.salt, v.hash.passes, v.hash.memory, v.hash.lanes, uint32(len(v.hash.sum)))
	if subtle.ConstantTimeCompare(sum, v.hash.sum) != 1 {
		return false
	}
	v.right.Store(&digest)
	return true
}
