package archtest

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var migrationName = regexp.MustCompile(`^(\d{6})_([a-z0-9_]+)\.(up|down)\.sql$`)

func TestMigrationsFollowEachOther(t *testing.T) {
	t.Parallel()
	entries, err := os.ReadDir(filepath.Join(root, "migrations"))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".sql") {
			names = append(names, e.Name())
		}
	}
	for _, msg := range lintMigrations(names) {
		t.Error(msg)
	}
	for _, name := range names {
		raw, err := os.ReadFile(filepath.Join(root, "migrations", name))
		if err != nil {
			t.Fatal(err)
		}
		if strings.TrimSpace(string(raw)) == "" {
			t.Errorf("%s is empty", name)
		}
	}
}

func TestTheMigrationLintRefuses(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		names []string
		want  string
	}{
		{[]string{"000001_a.up.sql", "000001_a.down.sql"}, ""},
		{nil, "no migrations"},
		{[]string{"000001_a.up.sql"}, "000001: needs one up and one down"},
		{[]string{"000001_a.up.sql", "000001_b.down.sql"}, "000001: up and down differ in name"},
		{[]string{"000002_a.up.sql", "000002_a.down.sql"}, "000002 stands where 000001 is due"},
		{[]string{"000001_a.up.sql", "000001_a.down.sql", "000001_b.up.sql", "000001_b.down.sql"}, "000001: needs one up and one down"},
		{[]string{"1_a.up.sql"}, "1_a.up.sql is not named"},
	} {
		if got := strings.Join(lintMigrations(tc.names), "; "); !strings.HasPrefix(got, tc.want) || (tc.want == "") != (got == "") {
			t.Errorf("%v: %q, want %q", tc.names, got, tc.want)
		}
	}
}

// lintMigrations checks that the files are pairs 000001_x.up.sql and
// 000001_x.down.sql, numbered from 1 without a gap or a double.
func lintMigrations(names []string) []string {
	var msgs []string
	pairs := map[string][][]string{}
	for _, name := range names {
		m := migrationName.FindStringSubmatch(name)
		if m == nil {
			msgs = append(msgs, name+" is not named 000001_words.up.sql or .down.sql")
			continue
		}
		pairs[m[1]] = append(pairs[m[1]], m)
	}
	numbers := make([]string, 0, len(pairs))
	for n := range pairs {
		numbers = append(numbers, n)
	}
	slices.Sort(numbers)
	if len(names) == 0 {
		msgs = append(msgs, "no migrations found: looking in the wrong place")
	}
	for i, n := range numbers {
		if want := fmt.Sprintf("%06d", i+1); n != want {
			msgs = append(msgs, n+" stands where "+want+" is due")
			break
		}
		p := pairs[n]
		switch {
		case len(p) != 2 || p[0][3] == p[1][3]:
			msgs = append(msgs, n+": needs one up and one down")
		case p[0][2] != p[1][2]:
			msgs = append(msgs, n+": up and down differ in name")
		}
	}
	return msgs
}
