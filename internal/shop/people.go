package shop

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"github.com/alexedwards/argon2id"

	"nextprobe/internal/problem"
)

// minPassword is the shortest password accepted, in characters.
const minPassword = 10

// maxPassword bounds the work of hashing what somebody sends.
const maxPassword = 200

// tokenPrefix marks a secret as ours wherever it leaks to, so that a scanner of
// texts can find it.
const tokenPrefix = "npt_"

// strangerHash is compared against when the login is unknown, so that the
// answer takes about as long as a wrong password does and does not tell which
// of the two was wrong. It is the hash of random bytes nobody kept.
const strangerHash = "$argon2id$v=19$m=65536,t=3,p=1$9kKmu31xBxAK3WuEtUWVzg$kplCrumu8U5lCiOTYOEoPICo1URGWbPzmWLZFnJMi3w"

// hashing bounds how many passwords are hashed at once: each takes 64 MiB.
var hashing = make(chan struct{}, 4)

func hashPassword(pw string) (string, error) {
	hashing <- struct{}{}
	defer func() { <-hashing }()
	return argon2id.CreateHash(pw, passwordParams)
}

func matchPassword(pw, hash string) (bool, error) {
	hashing <- struct{}{}
	defer func() { <-hashing }()
	return argon2id.ComparePasswordAndHash(pw, hash)
}

// passwordParams are the second recommended option of RFC 9106 section 4 (64 MiB,
// 3 passes) with one lane instead of four: the server is a small machine.
var passwordParams = &argon2id.Params{Memory: 64 * 1024, Iterations: 3, Parallelism: 1, SaltLength: 16, KeyLength: 32}

// SignIn checks login and password. Unauthorized is the same for an unknown
// login, a wrong password and a disabled user; TooMany after too many failures.
func (s *Service) SignIn(ctx context.Context, shopID ID, login, password string) (Actor, error) {
	key := shopID.String() + "/" + strings.ToLower(strings.TrimSpace(login))
	if !s.attempts.allow(key, s.now()) {
		return Actor{}, problem.New(problem.TooMany, "Too many attempts to sign in with this login; wait %d minutes and try again.", int(attemptWindow.Minutes()))
	}
	login = strings.TrimSpace(login)
	u, err := User{}, error(problem.New(problem.NotFound, "no such login"))
	if utf8.ValidString(login) && !hasControl(login, false) {
		u, err = s.store.UserByLogin(ctx, shopID, login)
	}
	known := err == nil
	if err != nil && !problem.Is(err, problem.NotFound) {
		return Actor{}, err
	}
	hash := strangerHash
	if known {
		hash = u.PasswordHash
	}
	if len(password) > 4*maxPassword {
		password = ""
	}
	match, err := matchPassword(password, hash)
	if err != nil {
		return Actor{}, err
	}
	if !known || !match || u.DisabledAt != nil {
		return Actor{}, problem.New(problem.Unauthorized, "This login and password do not fit.")
	}
	s.attempts.clear(key)
	return actorOf(shopID, u), nil
}

func actorOf(shopID ID, u User) Actor {
	return Actor{ShopID: shopID, ID: u.ID, Name: u.Name, Role: u.Role}
}

// Actor returns a user as an actor; Unauthorized when unknown or disabled.
func (s *Service) Actor(ctx context.Context, shopID, userID ID) (Actor, error) {
	u, err := s.store.UserByID(ctx, shopID, userID)
	if problem.Is(err, problem.NotFound) || err == nil && u.DisabledAt != nil {
		return Actor{}, problem.New(problem.Unauthorized, "Sign in again.")
	}
	if err != nil {
		return Actor{}, err
	}
	return actorOf(shopID, u), nil
}

// Users lists the people of the shop.
func (s *Service) Users(ctx context.Context, a Actor) ([]User, error) {
	if err := a.may(mayPeople); err != nil {
		return nil, err
	}
	users, err := s.store.Users(ctx, a.ShopID)
	for i := range users {
		// Nobody who lists people needs their hashes.
		users[i].PasswordHash = ""
	}
	return users, err
}

func (c *checker) password(pw string) {
	switch n := len([]rune(pw)); {
	case n < minPassword:
		c.failf("password", "must have at least %d characters", minPassword)
	case n > maxPassword:
		c.failf("password", "must have at most %d characters", maxPassword)
	}
}

func (c *checker) role(r Role) {
	c.oneOf("role", string(r), string(Owner), string(Technician), string(Counter))
}

// AddUser adds a person who signs in on the pages.
func (s *Service) AddUser(ctx context.Context, a Actor, login, name string, role Role, password string) (User, error) {
	if err := a.may(mayPeople); err != nil {
		return User{}, err
	}
	var c checker
	login = c.line("login", login, 1, maxSerial)
	name = c.line("name", name, 1, maxName)
	c.role(role)
	c.password(password)
	if err := c.err(); err != nil {
		return User{}, err
	}
	hash, err := hashPassword(password)
	if err != nil {
		return User{}, err
	}
	u := User{ID: newID(), Login: login, Name: name, Role: role, PasswordHash: hash, CreatedAt: s.time()}
	err = s.store.AddUser(ctx, a.ShopID, u, s.audit(a, "user.create", "user", u.ID, map[string]any{"login": login, "role": string(role)}))
	return u, err
}

// SetPassword sets a user's password.
func (s *Service) SetPassword(ctx context.Context, a Actor, login, password string) error {
	if err := a.may(mayPeople); err != nil {
		return err
	}
	var c checker
	login = c.line("login", login, 1, maxSerial)
	c.password(password)
	if err := c.err(); err != nil {
		return err
	}
	u, err := s.store.UserByLogin(ctx, a.ShopID, login)
	if err != nil {
		return err
	}
	hash, err := hashPassword(password)
	if err != nil {
		return err
	}
	return s.store.SetPassword(ctx, a.ShopID, login, hash, s.audit(a, "user.password", "user", u.ID, map[string]any{"login": u.Login}))
}

// DisableUser stops a user from signing in.
func (s *Service) DisableUser(ctx context.Context, a Actor, login string) error {
	if err := a.may(mayPeople); err != nil {
		return err
	}
	var c checker
	login = c.line("login", login, 1, maxSerial)
	if err := c.err(); err != nil {
		return err
	}
	u, err := s.store.UserByLogin(ctx, a.ShopID, login)
	if err != nil {
		return err
	}
	return s.store.DisableUser(ctx, a.ShopID, login, s.time(), s.audit(a, "user.disable", "user", u.ID, map[string]any{"login": u.Login}))
}

// AddToken makes a bearer token and returns its secret, which is shown once and
// kept as a SHA-256 only: 32 random bytes need no slow hash.
func (s *Service) AddToken(ctx context.Context, a Actor, name string, role Role) (Token, string, error) {
	if err := a.may(mayPeople); err != nil {
		return Token{}, "", err
	}
	var c checker
	name = c.line("name", name, 1, maxName)
	c.role(role)
	if err := c.err(); err != nil {
		return Token{}, "", err
	}
	raw := make([]byte, 32)
	if _, err := rand.Read(raw); err != nil {
		return Token{}, "", err
	}
	secret := tokenPrefix + base64.RawURLEncoding.EncodeToString(raw)
	t := Token{ID: newID(), Name: name, Role: role, CreatedAt: s.time()}
	err := s.store.AddToken(ctx, a.ShopID, t, tokenHash(secret), s.audit(a, "token.create", "token", t.ID, map[string]any{"name": name, "role": string(role)}))
	if err != nil {
		return Token{}, "", err
	}
	return t, secret, nil
}

func tokenHash(secret string) []byte {
	sum := sha256.Sum256([]byte(secret))
	return sum[:]
}

// RevokeToken ends a token by its name.
func (s *Service) RevokeToken(ctx context.Context, a Actor, name string) error {
	if err := a.may(mayPeople); err != nil {
		return err
	}
	var c checker
	name = c.line("name", name, 1, maxName)
	if err := c.err(); err != nil {
		return err
	}
	tokens, err := s.store.Tokens(ctx, a.ShopID)
	if err != nil {
		return err
	}
	subject := ID{}
	for _, t := range tokens {
		if t.RevokedAt == nil && strings.EqualFold(t.Name, name) {
			subject = t.ID
		}
	}
	return s.store.RevokeToken(ctx, a.ShopID, name, s.time(), s.audit(a, "token.revoke", "token", subject, map[string]any{"name": name}))
}

// Tokens lists the tokens of the shop, without their secrets.
func (s *Service) Tokens(ctx context.Context, a Actor) ([]Token, error) {
	if err := a.may(mayPeople); err != nil {
		return nil, err
	}
	return s.store.Tokens(ctx, a.ShopID)
}

// ActorByToken resolves a bearer token; Unauthorized when unknown or revoked.
func (s *Service) ActorByToken(ctx context.Context, secret string) (Actor, error) {
	unknown := problem.New(problem.Unauthorized, "This token is unknown or was revoked.")
	if !strings.HasPrefix(secret, tokenPrefix) || len(secret) > 200 {
		return Actor{}, unknown
	}
	a, err := s.store.ActorByToken(ctx, tokenHash(secret), s.time())
	if problem.Is(err, problem.NotFound) {
		return Actor{}, unknown
	}
	return a, err
}

// Sign-in attempts: maxAttempts failures of one login within the window close
// it until the oldest has left the window.
const (
	maxAttempts   = 8
	attemptWindow = 10 * time.Minute
	// maxLogins bounds the memory that made-up logins can take.
	maxLogins = 10_000
)

// attempts counts sign-ins per login in memory: after a restart the count
// begins anew, which costs an attacker more than it gives.
type attempts struct {
	mu sync.Mutex
	at map[string][]time.Time
}

func newAttempts() *attempts { return &attempts{at: map[string][]time.Time{}} }

// allow notes an attempt and reports whether it may go on. The attempt counts
// before its outcome is known, so that many at once cannot pass together.
func (t *attempts) allow(key string, now time.Time) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	recent := t.recent(key, now)
	if len(recent) >= maxAttempts {
		t.at[key] = recent
		return false
	}
	if len(t.at) >= maxLogins {
		t.sweep(now)
	}
	t.at[key] = append(recent, now)
	return true
}

func (t *attempts) recent(key string, now time.Time) []time.Time {
	var recent []time.Time
	for _, at := range t.at[key] {
		if now.Sub(at) < attemptWindow {
			recent = append(recent, at)
		}
	}
	return recent
}

func (t *attempts) sweep(now time.Time) {
	for key := range t.at {
		if len(t.recent(key, now)) == 0 {
			delete(t.at, key)
		}
	}
}

func (t *attempts) clear(key string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	delete(t.at, key)
}
