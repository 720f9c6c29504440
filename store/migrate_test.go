package store_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"nextprobe/migrations"
	"nextprobe/store"
	"nextprobe/store/storetest"
)

// describe prints the whole public schema as the catalogue has it.
func describe(t *testing.T, url string) []string {
	t.Helper()
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(ctx) }()
	rows, err := conn.Query(ctx, `
select format('column %s.%s %s %s %s', c.relname, a.attname, format_type(a.atttypid, a.atttypmod), a.attnotnull,
         pg_get_expr(d.adbin, d.adrelid))
  from pg_class c join pg_namespace n on n.oid = c.relnamespace and n.nspname = 'public'
  join pg_attribute a on a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped
  left join pg_attrdef d on d.adrelid = c.oid and d.adnum = a.attnum
 where c.relkind = 'r'
union all
select format('constraint %s.%s %s: %s', conrelid::regclass, conname, pg_get_constraintdef(oid), obj_description(oid))
  from pg_constraint where connamespace = 'public'::regnamespace
union all
select format('index %s: %s', indexdef, obj_description((schemaname || '.' || quote_ident(indexname))::regclass))
  from pg_indexes where schemaname = 'public'
union all
select format('trigger %s %s', tgname, pg_get_triggerdef(oid)) from pg_trigger where not tgisinternal
union all
select format('function %s %s', proname, md5(prosrc)) from pg_proc where pronamespace = 'public'::regnamespace
union all
select format('sequence %s', relname) from pg_class where relkind = 'S' and relnamespace = 'public'::regnamespace
 order by 1`)
	if err != nil {
		t.Fatal(err)
	}
	lines, err := pgx.CollectRows(rows, pgx.RowTo[*string])
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, l := range lines {
		if l == nil {
			t.Fatal("a line of the catalogue is null; the query is wrong")
		}
		out = append(out, *l)
	}
	return out
}

func TestMigrationsGoDownAndUpAgain(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	url := storetest.URL(t)
	before := describe(t, url)
	if len(before) < 200 {
		t.Fatalf("the schema has only %d entries", len(before))
	}
	for step := migrations.Latest(); step > 0; step-- {
		if err := store.MigrateDown(ctx, url, 1); err != nil {
			t.Fatalf("down from %d: %v", step, err)
		}
	}
	for _, line := range describe(t, url) {
		if !strings.Contains(line, "schema_migrations") {
			t.Errorf("left after all down: %s", line)
		}
	}
	version, dirty, latest, err := store.MigrateStatus(ctx, url)
	if err != nil || version != 0 || dirty || latest != migrations.Latest() {
		t.Fatalf("after all down: version %d, dirty %t, latest %d, %v", version, dirty, latest, err)
	}
	if err := store.Migrate(ctx, url); err != nil {
		t.Fatal(err)
	}
	same(t, describe(t, url), before)
	version, dirty, _, err = store.MigrateStatus(ctx, url)
	if err != nil || version != migrations.Latest() || dirty {
		t.Fatalf("after up: version %d, dirty %t, %v", version, dirty, err)
	}
	if err := store.Migrate(ctx, url); err != nil {
		t.Fatalf("a second time: %v", err)
	}
}

func TestMigrateRefusesNonsense(t *testing.T) {
	t.Parallel()
	url := storetest.URL(t)
	if err := store.MigrateDown(context.Background(), url, 0); err == nil {
		t.Error("down by 0 steps was accepted")
	}
	if err := store.Migrate(context.Background(), "postgres://[::bad"); err == nil {
		t.Error("a malformed URL was accepted")
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := store.Migrate(ctx, url); err == nil {
		t.Error("a cancelled migration reported success")
	}
}

func TestMigrationFilesArePaired(t *testing.T) {
	t.Parallel()
	entries, err := migrations.FS.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	var want []string
	for n := uint(1); n <= migrations.Latest(); n++ {
		prefix := fmt.Sprintf("%06d_", n)
		i := slices.IndexFunc(names, func(s string) bool { return strings.HasPrefix(s, prefix) })
		if i < 0 {
			t.Fatalf("no migration %d", n)
		}
		title := strings.TrimSuffix(strings.TrimSuffix(names[i], ".up.sql"), ".down.sql")
		want = append(want, title+".down.sql", title+".up.sql")
	}
	same(t, names, want)
	empty := sha256.Sum256(nil)
	if h := migrations.Hash(); len(h) != 64 || h == hex.EncodeToString(empty[:]) {
		t.Errorf("hash %q", h)
	}
}
