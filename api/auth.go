package api

import (
	"crypto/sha256"
	"strings"
	"sync"
	"time"

	"github.com/labstack/echo/v4"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

const actorKey = "api.actor"

// actorOf returns who sent the request; bearer has put it there.
func actorOf(c echo.Context) shop.Actor {
	a, _ := c.Get(actorKey).(shop.Actor)
	return a
}

// maxToken bounds what is hashed and looked up, in bytes.
const maxToken = 512

// bearer resolves the token of a request to its actor.
func bearer(svc Service, ttl time.Duration) echo.MiddlewareFunc {
	known := &tokenCache{ttl: ttl, actors: map[[sha256.Size]byte]knownActor{}}
	return func(next echo.HandlerFunc) echo.HandlerFunc {
		return func(c echo.Context) error {
			secret, err := tokenOf(c.Request().Header.Get(echo.HeaderAuthorization))
			if err != nil {
				return err
			}
			hash := sha256.Sum256([]byte(secret))
			a, ok := known.get(hash, time.Now())
			if !ok {
				if a, err = svc.ActorByToken(c.Request().Context(), secret); err != nil {
					if problem.Is(err, problem.NotFound) {
						return errToken.Because(err)
					}
					return err
				}
				known.put(hash, a, time.Now())
			}
			c.Set(actorKey, a)
			return next(c)
		}
	}
}

var errToken = problem.New(problem.Unauthorized, "This token is unknown or revoked.")

func tokenOf(header string) (string, error) {
	if header == "" {
		return "", problem.New(problem.Unauthorized, "Send the header Authorization: Bearer with a token of this shop.")
	}
	scheme, secret, ok := strings.Cut(header, " ")
	if secret = strings.TrimSpace(secret); !ok || !strings.EqualFold(scheme, "Bearer") || secret == "" {
		return "", problem.New(problem.Unauthorized, "The header Authorization must read: Bearer, a space, and the token.")
	}
	if len(secret) > maxToken {
		return "", errToken
	}
	return secret, nil
}

// tokenCache remembers the actors of good tokens by hash, so that a busy client
// does not cost a query more per request. Its time bounds how late a revocation
// takes effect; what is not known is always asked for.
type tokenCache struct {
	ttl    time.Duration
	mu     sync.RWMutex
	actors map[[sha256.Size]byte]knownActor
}

type knownActor struct {
	actor shop.Actor
	until time.Time
}

// maxKnown bounds the memory; beyond it the cache starts afresh.
const maxKnown = 4096

func (t *tokenCache) get(hash [sha256.Size]byte, now time.Time) (shop.Actor, bool) {
	t.mu.RLock()
	k, ok := t.actors[hash]
	t.mu.RUnlock()
	return k.actor, ok && now.Before(k.until)
}

func (t *tokenCache) put(hash [sha256.Size]byte, a shop.Actor, now time.Time) {
	if t.ttl <= 0 {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.actors) >= maxKnown {
		clear(t.actors)
	}
	t.actors[hash] = knownActor{actor: a, until: now.Add(t.ttl)}
}
