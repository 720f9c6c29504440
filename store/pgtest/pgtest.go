// Package pgtest gives every test a Postgres database of its own.
//
// All test binaries of a user share one server, started on demand on a socket
// under the system's temporary folder and left running from package to package;
// `make stop` (and the end of `make test`) removes it. A database that needs the
// schema is cloned from a template that is migrated once per hash of the
// migrations. With NEXTPROBE_TEST_DATABASE_URL a server of one's own is used
// instead; its user must be allowed to create databases.
//
// A missing Postgres fails the test with the command that installs it. It never
// skips: a green run has seen the database.
package pgtest

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"net/url"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// serverEnv names a server to use instead of our own.
const serverEnv = "NEXTPROBE_TEST_DATABASE_URL"

// patience bounds each step; a laptop under full load may take a while for initdb.
const patience = 2 * time.Minute

// New makes an empty database and returns its URL. It is dropped when the test ends.
func New(t testing.TB) string {
	t.Helper()
	return create(t, server(t), "")
}

// NewMigrated makes a database whose schema migrate has put up, and returns its
// URL. migrate runs once per hash and server, on a template; hash names the
// schema's content (migrations.Hash). The function is passed in, so that store
// itself can be tested with this package.
func NewMigrated(t testing.TB, hash string, migrate func(ctx context.Context, url string) error) string {
	t.Helper()
	s := server(t)
	name := "nptemplate_" + short(hash)
	if err := ensureTemplate(s, name, migrate); err != nil {
		t.Fatalf("pgtest: template database: %v", err)
	}
	return create(t, s, name)
}

// place is a server as its user and its administrator see it.
type place struct {
	admin string // URL of the maintenance database, with the right to create databases
	user  string // URL whose path is replaced by the test's database
	role  string // owner of the test's databases; empty: whoever creates them
}

func (p place) database(name string) string {
	u, err := url.Parse(p.user)
	if err != nil {
		panic(err) // server has parsed it.
	}
	u.Path = "/" + name
	return u.String()
}

// server returns the place to make databases in, starting our own at first use.
func server(t testing.TB) place {
	t.Helper()
	if own := os.Getenv(serverEnv); own != "" {
		u, err := url.Parse(own)
		if err != nil || u.Scheme == "" {
			t.Fatalf("pgtest: %s must be a URL such as postgres://user@localhost/postgres", serverEnv)
		}
		return place{admin: own, user: own}
	}
	p, err := shared()
	if err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	return p
}

func create(t testing.TB, p place, template string) string {
	t.Helper()
	name := "nptest_" + random()
	sql := "create database " + name
	if template != "" {
		sql += " template " + template
	}
	if p.role != "" {
		sql += " owner " + p.role
	}
	// Copying files beats writing the log where nothing is synced (120 against 290 ms).
	sql += " strategy file_copy"
	if err := admin(p, func(ctx context.Context, conn *pgx.Conn) error { return execFree(ctx, conn, sql) }); err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	t.Cleanup(func() {
		err := admin(p, func(ctx context.Context, conn *pgx.Conn) error {
			_, err := conn.Exec(ctx, "drop database if exists "+name+" with (force)")
			return err
		})
		if err != nil {
			t.Errorf("pgtest: drop %s: %v", name, err)
		}
	})
	return p.database(name)
}

var (
	templatesMu sync.Mutex
	templates   = map[string]bool{} // by server and name: known to be ready
)

// ensureTemplate migrates the template once. Test binaries of several packages
// come here at the same time; an advisory lock of the server lets one work.
func ensureTemplate(p place, name string, migrate func(context.Context, string) error) error {
	templatesMu.Lock()
	defer templatesMu.Unlock()
	if templates[p.admin+name] {
		return nil
	}
	err := admin(p, func(ctx context.Context, conn *pgx.Conn) error {
		if _, err := conn.Exec(ctx, "select pg_advisory_lock(hashtext($1))", name); err != nil {
			return err
		}
		var there bool
		if err := conn.QueryRow(ctx, "select exists (select from pg_database where datname = $1)", name).Scan(&there); err != nil || there {
			return err
		}
		return buildTemplate(ctx, conn, p, name, migrate)
	})
	if err == nil {
		templates[p.admin+name] = true
	}
	return err
}

// buildTemplate works under another name and renames at the end, so that a
// template that exists is whole.
func buildTemplate(ctx context.Context, conn *pgx.Conn, p place, name string, migrate func(context.Context, string) error) error {
	making := name + "_new"
	if _, err := conn.Exec(ctx, "drop database if exists "+making+" with (force)"); err != nil {
		return err
	}
	sql := "create database " + making
	if p.role != "" {
		sql += " owner " + p.role
	}
	if err := execFree(ctx, conn, sql); err != nil {
		return err
	}
	if err := migrate(ctx, p.database(making)); err != nil {
		return fmt.Errorf("migrate: %w", err)
	}
	return execFree(ctx, conn, "alter database "+making+" rename to "+name)
}

// execFree retries while somebody is still connected to the database concerned: a
// client's close returns before the server's process has gone.
func execFree(ctx context.Context, conn *pgx.Conn, sql string) error {
	for {
		_, err := conn.Exec(ctx, sql)
		var pg *pgconn.PgError
		if !errors.As(err, &pg) || pg.Code != "55006" { // object_in_use
			return err
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("%s: %w", sql, errors.Join(err, ctx.Err()))
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// admin runs do on a connection of its own. There is no pool: its goroutines
// would fail the leak checks of the packages under test.
func admin(p place, do func(context.Context, *pgx.Conn) error) error {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	conn, err := pgx.Connect(ctx, p.admin)
	if err != nil {
		return fmt.Errorf("connect to the test server: %w", err)
	}
	return errors.Join(do(ctx, conn), conn.Close(ctx))
}

func random() string {
	b := make([]byte, 8)
	_, _ = rand.Read(b) // It never fails.
	return hex.EncodeToString(b)
}

// short makes a hash fit for a name: at most 24 letters and digits.
func short(hash string) string {
	var name []byte
	for _, c := range []byte(hash) {
		if (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') {
			name = append(name, c)
		}
		if len(name) == 24 {
			break
		}
	}
	return string(name)
}
