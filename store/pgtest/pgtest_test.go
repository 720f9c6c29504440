package pgtest

import (
	"context"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/jackc/pgx/v5"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func query(t *testing.T, url, sql string, args ...any) string {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatalf("connect: %v", err)
	}
	defer conn.Close(t.Context()) //nolint:errcheck // A connection that only read.
	var v string
	if err := conn.QueryRow(t.Context(), sql, args...).Scan(&v); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return v
}

func run(ctx context.Context, url, sql string) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return err
	}
	defer conn.Close(ctx) //nolint:errcheck // The statement has been committed.
	_, err = conn.Exec(ctx, sql)
	return err
}

func TestEachTestHasADatabaseOfItsOwn(t *testing.T) {
	t.Parallel()
	a, b := New(t), New(t)
	if a == b {
		t.Fatalf("both are %s", a)
	}
	if err := run(t.Context(), a, "create table here (n int)"); err != nil {
		t.Fatal(err)
	}
	if got := query(t, b, "select coalesce(to_regclass('here')::text, 'none')"); got != "none" {
		t.Errorf("the other database sees %s", got)
	}
}

func TestTheTemplateIsMigratedOnce(t *testing.T) {
	t.Parallel()
	var runs atomic.Int32
	migrate := func(ctx context.Context, url string) error {
		runs.Add(1)
		return run(ctx, url, "create table part as select 'bearing' as name")
	}
	hash := random()
	for range 3 {
		t.Run("clone", func(t *testing.T) {
			t.Parallel()
			url := NewMigrated(t, hash, migrate)
			if got := query(t, url, "select name from part"); got != "bearing" {
				t.Errorf("name = %s", got)
			}
			if err := run(t.Context(), url, "drop table part"); err != nil {
				t.Errorf("the clone belongs to somebody else: %v", err)
			}
		})
	}
	t.Cleanup(func() {
		if n := runs.Load(); n != 1 {
			t.Errorf("migrated %d times, want once", n)
		}
		p := server(t)
		if err := run(context.Background(), p.admin, "drop database nptemplate_"+short(hash)); err != nil {
			t.Error(err)
		}
	})
}

func TestTheDatabaseIsDroppedEvenWhileInUse(t *testing.T) {
	t.Parallel()
	var url string
	var keep *pgx.Conn
	ok := t.Run("leaves a connection", func(t *testing.T) {
		url = New(t)
		conn, err := pgx.Connect(t.Context(), url)
		if err != nil {
			t.Fatal(err)
		}
		if err := conn.Ping(t.Context()); err != nil {
			t.Fatal(err)
		}
		keep = conn
	})
	if !ok {
		return
	}
	if conn, err := pgx.Connect(t.Context(), url); err == nil {
		_ = conn.Close(t.Context())
		t.Error("the database is still there")
	}
	if err := keep.Ping(t.Context()); err == nil {
		t.Error("the connection left behind still works")
	}
}

// A test binary that uses the server keeps others from stopping it.
func TestStopSparesAServerInUse(t *testing.T) {
	t.Parallel()
	p, err := shared() // Our own server, also where the environment names another.
	if err != nil {
		t.Fatal(err)
	}
	url := create(t, p, "")
	runtime.GC() // An unreferenced lock file would be closed here.
	runtime.GC()
	stopped, err := Stop(t.Context())
	if err != nil || stopped {
		t.Errorf("Stop: %v, %v; want it to leave the server alone", stopped, err)
	}
	if got := query(t, url, "select 'up'"); got != "up" {
		t.Error(got)
	}
}

func TestShortFitsAName(t *testing.T) {
	t.Parallel()
	got := short(strings.Repeat("aB-9", 40))
	if want := strings.Repeat("a9", 12); got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if !strings.HasPrefix(base(), filepath.Clean(os.TempDir())) {
		t.Errorf("base %s", base())
	}
}
