package daemon

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"mime"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"
)

// Names of the cookie: the prefix makes browsers insist on Secure, on this
// host and on the path / (RFC 6265bis, 4.1.3.2).
const cookieName = "__Host-halfturn"

const (
	sessionLife  = 12 * time.Hour
	mostSessions = 1000
)

// sessions are those who gave the token to the login page. Only digests of
// their cookies are kept, in memory: a restart ends all.
type sessions struct {
	now func() time.Time
	mu  sync.Mutex
	ids map[[sha256.Size]byte]time.Time // until
}

func newSessions(now func() time.Time) *sessions {
	return &sessions{now: now, ids: map[[sha256.Size]byte]time.Time{}}
}

func (s *sessions) begin() (id string, err error) {
	random := make([]byte, 32)
	if _, err := rand.Read(random); err != nil {
		return "", err
	}
	id = hex.EncodeToString(random)
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.now()
	for k, until := range s.ids {
		if now.After(until) || len(s.ids) >= mostSessions {
			delete(s.ids, k)
		}
	}
	s.ids[sha256.Sum256([]byte(id))] = now.Add(sessionLife)
	return id, nil
}

func (s *sessions) holds(id string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	until, ok := s.ids[sha256.Sum256([]byte(id))]
	return ok && s.now().Before(until)
}

func (s *sessions) end(id string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.ids, sha256.Sum256([]byte(id)))
}

// allowed tells whether a request may go on: everybody where there is no
// token, since then only this machine is listened to.
func (d *Daemon) allowed(r *http.Request) bool {
	if d.verifier == nil {
		return true
	}
	if scheme, value, ok := strings.Cut(r.Header.Get("Authorization"), " "); ok && strings.EqualFold(scheme, "Bearer") {
		return d.verifier.Is(strings.TrimSpace(value))
	}
	cookie, err := r.Cookie(cookieName)
	return err == nil && d.sessions.holds(cookie.Value)
}

// open are the paths that need no token: they tell nothing of the bench.
func open(path string) bool {
	return path == "/healthz" || path == "/login" || strings.HasPrefix(path, "/public/")
}

// largestBody of a request.
const largestBody = 64 << 10

// guard is what every request passes before its handler.
func (d *Daemon) guard(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		problem(w, http.StatusForbidden, "a request from another site is refused")
	}))
	inner := cross.Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case r.Header.Get("Sec-Fetch-Site") == "cross-site" && strings.HasPrefix(r.URL.Path, "/api/"):
			problem(w, http.StatusForbidden, "a request from another site is refused")
			return
		case !open(r.URL.Path) && !d.allowed(r):
			if isPage(r) {
				http.Redirect(w, r, "/login", http.StatusSeeOther)
				return
			}
			w.Header().Set("WWW-Authenticate", `Bearer realm="halfturn"`)
			problem(w, http.StatusUnauthorized, "this needs the access token, as `Authorization: Bearer ...`, or a login at /login")
			return
		case r.Method == http.MethodPost && strings.HasPrefix(r.URL.Path, "/api/") && !isJSON(r):
			problem(w, http.StatusUnsupportedMediaType, "the content type must be application/json")
			return
		}
		next.ServeHTTP(w, r)
	}))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		headers(w.Header(), r)
		switch {
		case !d.ourHost(r.Host):
			problem(w, http.StatusMisdirectedRequest, "this daemon is not called that")
			return
		case r.ContentLength > largestBody:
			w.Header().Set("Connection", "close") // nothing of the body is read
			problem(w, http.StatusRequestEntityTooLarge, "a body may have 64 KiB")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, largestBody)
		inner.ServeHTTP(w, r)
	})
}

// ourHost refuses names that a page elsewhere has made point to this machine:
// where only this machine is listened to, it goes by its own names.
func (d *Daemon) ourHost(host string) bool {
	if !d.Config.Serve.Loopback() {
		return true
	}
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.Trim(host, "[]")
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// headers are those of every reply. The pages have their script and style in
// files of their own; the report, which is one file, has a policy of its own.
func headers(h http.Header, r *http.Request) {
	h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; frame-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
	h.Set("Cache-Control", "no-store")
	if r.TLS != nil {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
}

func isJSON(r *http.Request) bool {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	return err == nil && kind == "application/json"
}

// isPage tells whether a person's browser asks for a page.
func isPage(r *http.Request) bool {
	return r.Method == http.MethodGet && !strings.HasPrefix(r.URL.Path, "/api/") && strings.Contains(r.Header.Get("Accept"), "text/html")
}

// wrongToken is waited after a wrong token, so that guessing is slow.
const wrongToken = 500 * time.Millisecond

// login exchanges the token for a cookie.
func (d *Daemon) login(w http.ResponseWriter, r *http.Request) {
	if d.verifier == nil {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	if r.Method != http.MethodPost {
		loginPage(w, http.StatusOK, "")
		return
	}
	if err := r.ParseForm(); err != nil {
		loginPage(w, http.StatusBadRequest, "That could not be read.")
		return
	}
	if !d.verifier.Is(strings.TrimSpace(r.PostForm.Get("token"))) {
		d.log.Warn("a wrong token was given", "from", peer(r))
		select {
		case <-time.After(wrongToken):
		case <-r.Context().Done():
		}
		loginPage(w, http.StatusUnauthorized, "That is not the token.")
		return
	}
	id, err := d.sessions.begin()
	if err != nil {
		problem(w, http.StatusInternalServerError, err.Error())
		return
	}
	http.SetCookie(w, &http.Cookie{
		Name: cookieName, Value: id, Path: "/", MaxAge: int(sessionLife.Seconds()),
		Secure: true, HttpOnly: true, SameSite: http.SameSiteStrictMode,
	})
	d.log.Info("somebody logged in", "from", peer(r))
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

func (d *Daemon) logout(w http.ResponseWriter, r *http.Request) {
	if cookie, err := r.Cookie(cookieName); err == nil {
		d.sessions.end(cookie.Value)
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName, Path: "/", MaxAge: -1, Secure: true, HttpOnly: true, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/login", http.StatusSeeOther)
}

func peer(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

// loginPage needs neither script nor style.
func loginPage(w http.ResponseWriter, status int, message string) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	said := ""
	if message != "" {
		said = "<p role=\"alert\">" + message + "</p>"
	}
	_, _ = w.Write([]byte(`<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark"><title>Log in to the bench</title>
<link rel="icon" href="/public/mark.svg" type="image/svg+xml">
<link rel="stylesheet" href="/public/panel.css"></head>
<body><main><h1>The bench</h1>` + said + `
<form method="post" action="/login"><p><label for="token">Access token <span class="hint">printed by <code>halfturn token</code></span></label><br>
<input id="token" name="token" type="password" autocomplete="current-password" required autofocus></p>
<p><button>Log in</button></p></form></main></body></html>
`))
}
