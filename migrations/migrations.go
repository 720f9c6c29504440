// Package migrations embeds the schema: numbered pairs of SQL files that
// golang-migrate applies in order. The schema holds the shop's invariants as
// named constraints, each with its reason as a comment in the database.
package migrations

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"strconv"
	"strings"
)

// FS holds the migration files.
//
//go:embed *.sql
var FS embed.FS

// Hash returns the SHA-256 over all names and files, in hexadecimal. It names a
// template database that is up to date exactly when the hash is the same.
func Hash() string {
	h := sha256.New()
	for _, name := range names() {
		b, err := FS.ReadFile(name)
		if err != nil {
			panic(err) // The file was embedded at build time.
		}
		h.Write([]byte(name + "\x00" + strconv.Itoa(len(b)) + "\x00"))
		h.Write(b)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// Latest returns the number of the newest migration.
func Latest() uint {
	var latest uint64
	for _, name := range names() {
		number, _, _ := strings.Cut(name, "_")
		n, err := strconv.ParseUint(number, 10, 32)
		if err != nil {
			panic("migrations: " + name + " does not begin with its number")
		}
		latest = max(latest, n)
	}
	return uint(latest)
}

// names lists the files in lexical order, which is the order of their numbers.
func names() []string {
	list, err := fs.Glob(FS, "*.sql")
	if err != nil {
		panic(err) // Only a malformed pattern fails.
	}
	return list
}
