package daemon

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/argon2"

	"halfturn/cmd/halfturn/setup"
	"halfturn/sweep/queue"
)

// cheapToken is a token whose hash costs next to nothing, for tests that try
// many.
func cheapToken() (secret, hash string) {
	secret = "correct-horse"
	salt := []byte("0123456789abcdef")
	base := base64.RawStdEncoding
	return secret, "$argon2id$v=19$m=64,t=1,p=1$" + base.EncodeToString(salt) + "$" + base.EncodeToString(argon2.IDKey([]byte(secret), salt, 1, 64, 1, 32))
}

// Every route without a token, with a wrong one and with the right one; and no
// log line shows it.
func TestEveryRouteNeedsTheToken(t *testing.T) {
	t.Parallel()
	secret, hash := cheapToken()
	r := newRig(t, "  token_hash: "+hash+"\n").begin()
	free := map[string]bool{"GET /healthz": true}
	for _, route := range append(r.daemon.routes(), route{method: "POST", path: "/logout"}, route{method: "GET", path: "/"}, route{method: "GET", path: "/api/"}, route{method: "PUT", path: root + "/jobs"}) {
		name := route.method + " " + route.path
		path := strings.NewReplacer("{run}", "1", "{job}", "1").Replace(route.path)
		for what, header := range map[string]string{"none": "", "a wrong one": "Bearer wrong", "no bearer": "Basic " + secret, "an empty one": "Bearer "} {
			var headers []string
			if header != "" {
				headers = []string{"Authorization", header}
			}
			response, text := r.do(route.method, path, "", headers...)
			want := http.StatusUnauthorized
			if free[name] {
				want = http.StatusOK
			}
			if response.StatusCode != want {
				t.Errorf("%s with %s: %s %s", name, what, response.Status, text)
			}
			for _, header := range []string{"Content-Security-Policy", "X-Content-Type-Options", "Referrer-Policy", "X-Frame-Options"} {
				if response.Header.Get(header) == "" {
					t.Errorf("%s: no %s", name, header)
				}
			}
			if strings.Contains(response.Header.Get("Content-Security-Policy"), "unsafe-inline") {
				t.Errorf("%s: %s", name, response.Header.Get("Content-Security-Policy"))
			}
		}
	}
	if response, _ := r.do("GET", root+"/bench", "", "Cookie", cookieName+"="+strings.Repeat("0", 64)); response.StatusCode != http.StatusUnauthorized {
		t.Errorf("a made-up cookie: %s", response.Status)
	}
	if response, _ := r.do("GET", root+"/bench?token="+secret, ""); response.StatusCode != http.StatusUnauthorized {
		t.Errorf("a token in the address: %s", response.Status)
	}
	// A person is sent to the login page, and gets a cookie there.
	if response, _ := r.do("GET", "/", "", "Accept", "text/html"); response.StatusCode != http.StatusSeeOther || response.Header.Get("Location") != "/login" {
		t.Errorf("a page: %s to %q", response.Status, response.Header.Get("Location"))
	}
	if _, text := r.do("GET", "/login", ""); !strings.Contains(text, "<form") || strings.Contains(text, "<script") {
		t.Errorf("login page: %s", text)
	}
	form := func(token string) *http.Response {
		response, _ := r.do("POST", "/login", url.Values{"token": {token}}.Encode(), "Content-Type", "application/x-www-form-urlencoded")
		return response
	}
	if response := form("wrong"); response.StatusCode != http.StatusUnauthorized || len(response.Cookies()) > 0 {
		t.Errorf("a wrong login: %s", response.Status)
	}
	response := form(secret)
	if response.StatusCode != http.StatusSeeOther || len(response.Cookies()) != 1 {
		t.Fatalf("login: %s", response.Status)
	}
	cookie := response.Cookies()[0]
	if cookie.Name != cookieName || !cookie.HttpOnly || !cookie.Secure || cookie.SameSite != http.SameSiteStrictMode || cookie.Path != "/" || cookie.Domain != "" {
		t.Errorf("cookie %+v", cookie)
	}
	with := []string{"Cookie", cookie.Name + "=" + cookie.Value}
	if response, text := r.do("GET", root+"/bench", "", with...); response.StatusCode != http.StatusOK || strings.Contains(text, hash) {
		t.Errorf("with the cookie: %s", response.Status)
	}
	if response, _ := r.do("POST", root+"/jobs", `{"kind":"balun"}`, append(with, "Origin", "http://elsewhere.example", "Sec-Fetch-Site", "cross-site")...); response.StatusCode != http.StatusForbidden {
		t.Errorf("another site with the cookie: %s", response.Status)
	}
	if response, _ := r.do("POST", "/logout", "", with...); response.StatusCode != http.StatusSeeOther {
		t.Errorf("logout: %s", response.Status)
	}
	if response, _ := r.do("GET", root+"/bench", "", with...); response.StatusCode != http.StatusUnauthorized {
		t.Errorf("after the logout: %s", response.Status)
	}
	r.token = secret
	if response, _ := r.do("GET", root+"/bench", ""); response.StatusCode != http.StatusOK {
		t.Errorf("with the token: %s", response.Status)
	}
	_, tail := r.do("GET", root+"/log?lines=1000", "")
	for what, log := range map[string]string{"log": r.log.String(), "log at the API": tail} {
		for name, secret := range map[string]string{"token": secret, "hash": hash, "cookie": cookie.Value} {
			if strings.Contains(log, secret) {
				t.Errorf("the %s shows the %s", what, name)
			}
		}
	}
}

// Requests that another site's page could make a browser send.
func TestOtherSitesAreRefused(t *testing.T) {
	t.Parallel()
	r := newRig(t, "").begin()
	for name, c := range map[string]struct {
		method, path, body string
		headers            []string
		want               int
	}{
		"another origin":     {"POST", root + "/jobs", `{"kind":"balun"}`, []string{"Origin", "http://elsewhere.example"}, 403},
		"cross-site":         {"POST", root + "/jobs", `{"kind":"balun"}`, []string{"Sec-Fetch-Site", "cross-site"}, 403},
		"same-site":          {"POST", root + "/jobs", `{"kind":"balun"}`, []string{"Sec-Fetch-Site", "same-site"}, 403},
		"null origin":        {"POST", root + "/jobs/1/cancel", "", []string{"Origin", "null"}, 403},
		"a form":             {"POST", root + "/jobs", `{"kind":"balun"}`, []string{"Content-Type", "text/plain"}, 415},
		"a form's cancel":    {"POST", root + "/jobs/1/cancel", "", []string{"Content-Type", "application/x-www-form-urlencoded"}, 415},
		"reading":            {"GET", root + "/bench", "", []string{"Sec-Fetch-Site", "cross-site"}, 403},
		"another name":       {"GET", root + "/bench", "", []string{"Host", "rebound.example:8737"}, 421},
		"its own page":       {"GET", root + "/bench", "", []string{"Sec-Fetch-Site", "same-origin"}, 200},
		"a person's address": {"GET", root + "/bench", "", []string{"Sec-Fetch-Site", "none"}, 200},
		"by name":            {"GET", root + "/bench", "", []string{"Host", "localhost:8737"}, 200},
		"IPv6":               {"GET", root + "/bench", "", []string{"Host", "[::1]:8737"}, 200},
		"not a method":       {"DELETE", root + "/jobs/1", "", nil, 405},
		"not there":          {"GET", root + "/choke", "", nil, 404},
	} {
		response, text := r.do(c.method, c.path, c.body, c.headers...)
		if response.StatusCode != c.want {
			t.Errorf("%s: %s, want %d: %s", name, response.Status, c.want, text)
		}
		if c.want >= 400 && response.Header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s: %s", name, response.Header.Get("Content-Type"))
		}
	}
	if n := len(get[Jobs](r, root+"/jobs").Jobs); n != 0 {
		t.Errorf("%d jobs were queued", n)
	}
}

// A body of 100 MiB is refused before any of it is read; one whose length
// nobody said, as soon as it is too long.
func TestLargeBodies(t *testing.T) {
	t.Parallel()
	r := newRig(t, "").begin()
	conn, err := net.Dial("tcp", strings.TrimPrefix(r.base, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(10 * time.Second))
	fmt.Fprintf(conn, "POST %s/jobs HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n", root, 100<<20)
	response, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil || response.StatusCode != http.StatusRequestEntityTooLarge {
		t.Fatalf("%v %v", response, err)
	}
	response.Body.Close()
	request, err := http.NewRequest("POST", r.base+root+"/jobs", io.LimitReader(spaces{}, 100<<20))
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/json")
	response, err = http.DefaultClient.Do(request)
	if err == nil { // the daemon may have hung up while it was being sent
		defer response.Body.Close()
		if response.StatusCode != http.StatusRequestEntityTooLarge {
			t.Errorf("without a length: %s", response.Status)
		}
	}
	if n := len(get[Jobs](r, root+"/jobs").Jobs); n != 0 {
		t.Errorf("%d jobs were queued", n)
	}
}

type spaces struct{}

func (spaces) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = ' '
	}
	return len(p), nil
}

// certificate makes one for a loopback address.
func certificate(t *testing.T, dir string) (pool *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "bench"}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, DNSNames: []string{"localhost"}}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{"bench.pem": {Type: "CERTIFICATE", Bytes: der}, "key.pem": {Type: "PRIVATE KEY", Bytes: private}} {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	pool = x509.NewCertPool()
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool.AddCert(parsed)
	return pool
}

// Where others can reach it, there is a token and TLS, or no daemon.
func TestElsewhereNeedsTokenAndTLS(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	secret, hash := cheapToken()
	pool := certificate(t, dir)
	r := newRigIn(t, dir, "")
	plain, err := os.ReadFile(r.file())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		listen, more string
		works        bool
	}{
		{"0.0.0.0:0", "", false},
		{":0", "", false},
		{"[::]:0", "", false},
		{"192.0.2.1:0", "", false},
		{"bench.example:0", "", false},
		{"0.0.0.0:0", "  token_hash: " + hash + "\n", false},
		{"0.0.0.0:0", "  certificate: bench.pem\n  key: key.pem\n", false},
		{"0.0.0.0:0", "  token_hash: nonsense\n  certificate: bench.pem\n  key: key.pem\n", false},
		{"127.0.0.1:0", "  certificate: bench.pem\n", false},
		{"0.0.0.0:0", "  token_hash: " + hash + "\n  certificate: bench.pem\n  key: key.pem\n", true},
	} {
		text := strings.Replace(string(plain), "listen: 127.0.0.1:0", `listen: "`+c.listen+`"`, 1) + c.more
		if err := os.WriteFile(r.file(), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := setup.Load(r.file(), nil); (err == nil) != c.works || err != nil && !strings.Contains(err.Error(), "serve.") {
			t.Errorf("%s %q: %v", c.listen, c.more, err)
		}
	}
	r.begin()
	_, port, _ := net.SplitHostPort(strings.TrimPrefix(r.base, "http://"))
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, DisableKeepAlives: true}}
	request, _ := http.NewRequestWithContext(t.Context(), "GET", "https://localhost:"+port+root+"/bench", nil)
	response, err := client.Do(request)
	if err != nil || response.StatusCode != http.StatusUnauthorized {
		t.Fatal(response, err)
	}
	response.Body.Close()
	request.Header.Set("Authorization", "Bearer "+secret)
	response, err = client.Do(request)
	if err != nil || response.StatusCode != http.StatusOK || response.Header.Get("Strict-Transport-Security") == "" {
		t.Fatal(response, err)
	}
	response.Body.Close()
}

// reader reads a stream of events.
type reader struct {
	t    *testing.T
	body io.ReadCloser
	in   *bufio.Reader
	stop context.CancelFunc
}

type told struct{ kind, id, data string }

func listen(t *testing.T, r *rig, last string) *reader {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 40*time.Second)
	request, err := http.NewRequestWithContext(ctx, "GET", r.base+root+"/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	if last != "" {
		request.Header.Set("Last-Event-ID", last)
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil || response.StatusCode != http.StatusOK {
		t.Fatal(response, err)
	}
	l := &reader{t, response.Body, bufio.NewReader(response.Body), cancel}
	t.Cleanup(l.close)
	return l
}

func (l *reader) close() { l.stop(); l.body.Close() }

func (l *reader) next() (e told) {
	l.t.Helper()
	for {
		line, err := l.in.ReadString('\n')
		if err != nil {
			l.t.Fatal(err)
		}
		key, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ": ")
		switch key {
		case "event":
			e.kind = value
		case "id":
			e.id = value
		case "data":
			e.data = value
		case "":
			if e.kind != "" {
				return e
			}
		}
	}
}

// The stream tells every step once, also to one that was away; an ID that
// means nothing counts as none.
func TestEvents(t *testing.T) {
	t.Parallel()
	r := newRig(t, "").begin()
	first := listen(t, r, "")
	begun := first.next()
	if begun.kind != EventState {
		t.Fatalf("it begins with %v", begun)
	}
	job := r.submit(`{"kind": "dry-run"}`)
	var ids []string
	steps, ended := 0, false
	for !ended {
		e := first.next()
		ids = append(ids, e.id)
		switch e.kind {
		case EventStep:
			var s StepEvent
			if err := json.Unmarshal([]byte(e.data), &s); err != nil || s.Job != job.ID || s.Index != steps%points || s.Total != points {
				t.Errorf("step %d: %s %v", steps, e.data, err)
			}
			steps++
		case EventJob:
			var j queue.Job
			if err := json.Unmarshal([]byte(e.data), &j); err != nil {
				t.Error(err)
			}
			ended = j.State == queue.Done
		}
	}
	if steps != 2*points {
		t.Errorf("%d steps", steps)
	}
	first.close()
	again := listen(t, r, ids[2])
	for _, want := range ids[3:] {
		if e := again.next(); e.id != want {
			t.Fatalf("after %s came %s, want %s", ids[2], e.id, want)
		}
	}
	for _, id := range []string{"nonsense", "-", "1-1", strings.Split(begun.id, "-")[0] + "-99999999", strings.Split(begun.id, "-")[0] + "--1", "\x01", strings.Repeat("9", 4000)} {
		if strings.ContainsRune(id, 1) {
			continue // no client sends it
		}
		if e := listen(t, r, id).next(); e.kind != EventState {
			t.Errorf("after %q came %v", id, e)
		}
	}
	// One that was away for too long is told so.
	for range mostEvents + 10 {
		r.daemon.events.tell(EventState, struct{}{})
	}
	if e := listen(t, r, ids[0]).next(); e.kind != EventReset {
		t.Errorf("after a long time came %v", e)
	}
}
