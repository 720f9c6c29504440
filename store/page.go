package store

import (
	"encoding/base64"
	"encoding/json"
	"strings"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// Limits of a page.
const (
	defaultLimit = 50
	maxLimit     = 200
)

// limitOf checks a limit: 1..200, 0 means 50.
func limitOf(n int) (int, error) {
	switch {
	case n == 0:
		return defaultLimit, nil
	case n < 0 || n > maxLimit:
		return 0, problem.InField("limit", "must be between 1 and %d, not %d", maxLimit, n)
	}
	return n, nil
}

// A cursor is the list it belongs to and the sort key of the last row given, as
// base64 of JSON. It is opaque to callers and no secret: it holds nothing that
// the row itself did not show.

func encodeCursor(list string, key any) string {
	b, err := json.Marshal([]any{list, key})
	if err != nil {
		panic(err) // Keys are structs of strings, numbers, times and ids.
	}
	return base64.RawURLEncoding.EncodeToString(b)
}

// decodeCursor reads a cursor of the list into key, and reports whether there
// was one. A cursor that was not given out by this list is Invalid.
func decodeCursor[K any](list, cursor string) (key K, ok bool, err error) {
	if cursor == "" {
		return key, false, nil
	}
	bad := problem.InField("cursor", `must be the "next" of an earlier answer of the same list`)
	raw, err := base64.RawURLEncoding.DecodeString(cursor)
	if err != nil {
		return key, false, bad
	}
	var parts []json.RawMessage
	var name string
	if json.Unmarshal(raw, &parts) != nil || len(parts) != 2 ||
		json.Unmarshal(parts[0], &name) != nil || name != list {
		return key, false, bad
	}
	if json.Unmarshal(parts[1], &key) != nil {
		return key, false, bad
	}
	return key, true, nil
}

// page cuts a list that was read with one row more than limit, and makes the
// cursor from the last row given.
func page[T any](rows []T, limit int, list string, key func(T) any) shop.List[T] {
	if len(rows) <= limit {
		return shop.List[T]{Items: rows}
	}
	rows = rows[:limit]
	return shop.List[T]{Items: rows, Next: encodeCursor(list, key(rows[limit-1]))}
}

// contains makes a LIKE pattern that finds text anywhere; the pattern characters
// in the text stand for themselves. Case is folded by the database on both
// sides, because its folding depends on its locale and Go's does not.
func contains(text string) string {
	r := strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`)
	return "%" + r.Replace(strings.TrimSpace(text)) + "%"
}
