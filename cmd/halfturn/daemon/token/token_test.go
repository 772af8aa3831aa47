package token

import (
	"strings"
	"testing"
)

// A hash that another implementation made, the reference one's command line
// tool: echo -n password | argon2 somesalt -id -t 2 -m 16 -p 1 (its
// README and test.c; from memory).
const known = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"

func TestKnownHash(t *testing.T) {
	v, err := NewVerifier(known)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 { // computed, then remembered
		if !v.Is("password") {
			t.Error("the known password is refused")
		}
	}
	if v.Is("Password") || v.Is("") || v.Is(strings.Repeat("p", 10_000)) {
		t.Error("another password is taken for it")
	}
}

func TestNew(t *testing.T) {
	a, hash, err := New()
	if err != nil {
		t.Fatal(err)
	}
	b, _, err := New()
	if err != nil || a == b || len(a) < 40 || strings.Contains(hash, a) {
		t.Fatalf("%q %q %q: %v", a, b, hash, err)
	}
	v, err := NewVerifier(hash)
	if err != nil || !v.Is(a) || v.Is(b) {
		t.Errorf("%v", err)
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{known, "", "$$$$$", "$argon2id$v=19$m=1,t=1,p=1$AAAA$AAAA", "$argon2i$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFh",
		"$argon2id$v=19$m=4294967295,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := parse(s)
		if err != nil {
			return
		}
		if p.passes > mostPasses || p.memory > mostMemory || p.lanes > mostLanes || p.lanes < 1 || len(p.salt) < 8 || len(p.sum) < 16 {
			t.Errorf("%q gives %+v", s, p)
		}
	})
}
