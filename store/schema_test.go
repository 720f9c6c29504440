package store_test

import (
	"slices"
	"testing"

	"github.com/jackc/pgx/v5"

	"nextprobe/store"
	"nextprobe/store/storetest"
)

// tenantless are the only tables without a shop_id, and why.
var tenantless = map[string]string{
	"shops":             "is the tenant",
	"sessions":          "is looked up before the shop is known",
	"schema_migrations": "belongs to the migrator",
}

type key struct {
	Table, Name, First string
	Kind               string // p primary, f foreign, u unique, i unique index
	Target             string // the first column a foreign key points to
}

func keys(t *testing.T, s *store.Store) []key {
	t.Helper()
	rows, err := s.Pool().Query(t.Context(), `
select c.relname, k.conname, a.attname, k.contype::text, coalesce(fa.attname, '')
  from pg_constraint k
  join pg_class c on c.oid = k.conrelid
  join pg_attribute a on a.attrelid = k.conrelid and a.attnum = k.conkey[1]
  left join pg_attribute fa on fa.attrelid = k.confrelid and fa.attnum = k.confkey[1]
 where k.connamespace = 'public'::regnamespace and k.contype in ('p', 'f', 'u')
union all
select c.relname, ic.relname, coalesce(a.attname, '(expression)'), 'i', ''
  from pg_index i
  join pg_class ic on ic.oid = i.indexrelid
  join pg_class c on c.oid = i.indrelid and c.relnamespace = 'public'::regnamespace
  left join pg_attribute a on a.attrelid = i.indrelid and a.attnum = i.indkey[0]
 where i.indisunique and not exists (select from pg_constraint k where k.conindid = i.indexrelid and k.contype in ('p', 'u'))
 order by 1, 2`)
	if err != nil {
		t.Fatal(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[key])
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func TestShopIsFirstInEveryKey(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	rows, err := s.Pool().Query(t.Context(), `
select c.relname, exists (select from pg_attribute a where a.attrelid = c.oid and a.attname = 'shop_id' and a.attnotnull)
  from pg_class c where c.relkind in ('r', 'p') and c.relnamespace = 'public'::regnamespace order by 1`)
	if err != nil {
		t.Fatal(err)
	}
	type table struct {
		Name    string
		HasShop bool
	}
	tables, err := pgx.CollectRows(rows, pgx.RowToStructByPos[table])
	if err != nil {
		t.Fatal(err)
	}
	if len(tables) < 20 {
		t.Fatalf("only %d tables found", len(tables))
	}
	for _, tb := range tables {
		if _, free := tenantless[tb.Name]; free == tb.HasShop {
			t.Errorf("table %s: shop_id not null is %t", tb.Name, tb.HasShop)
		}
	}
	primary := map[string]bool{}
	for _, k := range keys(t, s) {
		primary[k.Table] = primary[k.Table] || k.Kind == "p"
		if _, free := tenantless[k.Table]; free {
			continue
		}
		if k.First != "shop_id" {
			t.Errorf("%s on %s (%s) begins with %s, not shop_id", k.Name, k.Table, k.Kind, k.First)
		}
		if k.Kind == "f" && k.Target != "shop_id" && k.Target != "id" {
			t.Errorf("%s on %s points to %s", k.Name, k.Table, k.Target)
		}
	}
	for _, tb := range tables {
		if !primary[tb.Name] {
			t.Errorf("table %s has no primary key", tb.Name)
		}
	}
}

// A foreign key may begin at shops(id) only as the plain reference to the shop.
func TestForeignKeysStayInTheShop(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	rows, err := s.Pool().Query(t.Context(), `
select k.conname from pg_constraint k
  join pg_attribute fa on fa.attrelid = k.confrelid and fa.attnum = k.confkey[1]
 where k.connamespace = 'public'::regnamespace and k.contype = 'f' and fa.attname <> 'shop_id'
   and not (k.confrelid = 'shops'::regclass and array_length(k.conkey, 1) = 1)`)
	if err != nil {
		t.Fatal(err)
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	if len(names) > 0 {
		t.Errorf("these reach across shops: %v", names)
	}
}

// Every constraint has a message for the caller and a reason in the database.
func TestEveryConstraintHasMessageAndReason(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	rows, err := s.Pool().Query(t.Context(), `
select k.conname, k.contype in ('c', 'u') or k.contype = 'f' and array_length(k.conkey, 1) > 1, coalesce(obj_description(k.oid), '')
  from pg_constraint k where k.connamespace = 'public'::regnamespace and k.conrelid <> 'schema_migrations'::regclass
   and k.contype <> 't'
union all
select ic.relname, true, coalesce(obj_description(ic.oid), '')
  from pg_index i join pg_class ic on ic.oid = i.indexrelid
 where i.indisunique and ic.relnamespace = 'public'::regnamespace
   and not exists (select from pg_constraint k where k.conindid = i.indexrelid and k.contype in ('p', 'u'))
union all
select replace(t.tgname, '_post', '_part'), false, '' from pg_trigger t
 where not t.tgisinternal and t.tgfoid not in ('recurrence_mark_added'::regproc, 'recurrence_mark_changed'::regproc) -- these refuse nothing
 order by 1`)
	if err != nil {
		t.Fatal(err)
	}
	type named struct {
		Name        string
		NeedsReason bool
		Reason      string
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[named])
	if err != nil {
		t.Fatal(err)
	}
	have := map[string]bool{}
	known := store.ConstraintNames()
	for _, c := range list {
		have[c.Name] = true
		if !slices.Contains(known, c.Name) {
			t.Errorf("%s has no message in constraints.go", c.Name)
		}
		if c.NeedsReason && c.Reason == "" {
			t.Errorf("%s has no reason (COMMENT ON)", c.Name)
		}
	}
	for _, name := range known {
		if !have[name] {
			t.Errorf("%s stands in constraints.go and not in the schema", name)
		}
	}
}
