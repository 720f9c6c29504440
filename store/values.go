package store

import (
	"time"

	"github.com/google/uuid"

	"nextprobe/internal/shop"
)

// newID returns id, or a fresh UUIDv7 when the caller left it out.
func newID(id shop.ID) shop.ID {
	if id != uuid.Nil {
		return id
	}
	return uuid.Must(uuid.NewV7()) // It fails only when the machine has no randomness left.
}

// firstTime returns the first time that is set.
func firstTime(times ...time.Time) time.Time {
	for _, t := range times {
		if !t.IsZero() {
			return t
		}
	}
	return time.Time{}
}

func firstText(texts ...string) string {
	for _, t := range texts {
		if t != "" {
			return t
		}
	}
	return ""
}

// object returns m, or an empty map for none, so that JSON columns hold objects
// and never null.
func object[V any](m map[string]V) map[string]V {
	if m == nil {
		return map[string]V{}
	}
	return m
}

// list returns s, or an empty slice for none, so that array columns are never null.
func list[V any](s []V) []V {
	if s == nil {
		return []V{}
	}
	return s
}
