package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"nextprobe/internal/shop"
	"nextprobe/store"
	"nextprobe/store/storetest"
)

var recurrenceGroups = []shop.RecurrenceGroup{shop.ByComponent, shop.ByConnectorFamily, shop.ByFailureMode, shop.ByCause, shop.ByPart, shop.ByLot, shop.BySealing, shop.ByAction}

// recurrenceOf is the whole recurrence list of a shop in words, group by group.
func recurrenceOf(t *testing.T, url string) string {
	t.Helper()
	st, err := store.Open(t.Context(), url, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	s, err := st.ShopBySlug(t.Context(), defaultShop)
	if err != nil {
		t.Fatal(err)
	}
	out := ""
	for _, g := range recurrenceGroups {
		q := shop.RecurrenceQuery{Group: g, From: historyStart.AddDate(0, 0, -10), To: historyStart.AddDate(1, 0, 0), Now: historyStart.AddDate(0, 11, 0)}
		rows, err := st.Recurrence(t.Context(), s.ID, q)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rows {
			if g == shop.ByPart {
				r.Key = "" // the id of the article, which is another one in another shop
			}
			out += fmt.Sprintf("%s %q %q: %d failures, %d at entry, on %d boards, %d twice; carried by %d for %.6f d, %.6f km; %d comebacks, last %s\n", g, r.Key, r.Name, r.Failures, r.AtEntry,
				r.Boards, r.RepeatBoards, r.Carriers, r.BoardDays, r.DistanceKM, r.Comebacks, r.LastAt.UTC())
		}
	}
	return out
}

// importArgs are the files of an export that an import reads.
func importArgs(folder, url string, more ...string) []string {
	args := []string{"import", "--database-url", url}
	for _, f := range shop.ImportForms() {
		args = append(args, "--"+strings.ReplaceAll(f.Kind, "_", "-"), filepath.Join(folder, f.Kind+".csv"))
	}
	return append(args, more...)
}

// What one shop exports, an empty shop imports, and both have the same recurrence list.
func TestExportIsImportedWhole(t *testing.T) {
	t.Parallel()
	from, to := historyShop(t), storetest.URL(t)
	folder := filepath.Join(t.TempDir(), "all")
	must := calls(t)
	must("export", folder, "--database-url", from)
	if out := must(importArgs(folder, to, "--check", "--json")...); !strings.Contains(out, `{"kind":"jobs","new":7,"already_there":0,"open":0}`) || !strings.Contains(out, `"checked_only":true`) {
		t.Errorf("check says %s", out)
	}
	if got := recurrenceOf(t, to); got != "" {
		t.Errorf("a check wrote something: %s", got)
	}
	if out := must(importArgs(folder, to)...); !strings.Contains(out, "jobs: 7 imported.") || !strings.Contains(out, "installed parts: 3 imported.") {
		t.Errorf("import says %s", out)
	}
	want := recurrenceOf(t, from)
	for _, g := range recurrenceGroups {
		if !strings.Contains(want, string(g)+" ") {
			t.Errorf("no row by %s to compare", g)
		}
	}
	if got := recurrenceOf(t, to); got != want {
		t.Errorf("the list is\n%s\nwas\n%s", got, want)
	}
	// Twice changes nothing, and says so; so does a shop's own export.
	for _, url := range []string{to, from} {
		if out := must(importArgs(folder, url)...); !strings.Contains(out, "jobs: 0 imported, 7 there already") {
			t.Errorf("again: %s", out)
		}
		if got := recurrenceOf(t, url); got != want {
			t.Errorf("after the second import the list is\n%s", got)
		}
	}
}

func TestImportCommandNamesMistakes(t *testing.T) {
	t.Parallel()
	url, dir := storetest.URL(t), t.TempDir()
	write := func(name, text string) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return p
	}
	boards := write("boards.csv", "\ufeffReference;serial;first_seen_at;odometer_km\nB1;NP-1;2024-03-01;812,5\n")
	for _, c := range []struct {
		args   []string
		status int
		want   []string
	}{
		{[]string{}, 2, []string{"name at least one file"}},
		{[]string{"--jobs", filepath.Join(dir, "none.csv")}, 2, []string{"none.csv"}},
		{[]string{"--boards", write("b.csv", "reference,colour\nB1,red\n")}, 1, []string{"b.csv line 1", "colour", "serial is missing"}},
		{[]string{"--boards", boards, "--jobs", write("jobs.csv", "reference,board,opened_at,closed_at,cause\nJ1,B1,2024-05-01,2024-05-02,\nJ2,B7,yesterday,2024-05-02,gone\n")}, 1,
			[]string{`jobs.csv line 3, board: names "B7"`, `jobs.csv line 3, opened_at: must be a date as`, `jobs.csv line 3, cause: "gone" is no cause`, "Nothing was imported: 3 mistakes"}},
		{[]string{"--boards", boards}, 0, nil},
		// A board that is there is named by its reference or its serial.
		{[]string{"--jobs", write("more.csv", "reference,board,opened_at,closed_at\nJ1,B1,2024-05-01,2024-05-02\nJ2,np-1,2024-06-01,2024-06-02\n")}, 0, nil},
	} {
		status, out, errOut := call(t, append([]string{"import", "--database-url", url}, c.args...)...)
		for _, want := range c.want {
			if !strings.Contains(errOut, want) {
				t.Errorf("%v: %q lacks %q", c.args, errOut, want)
			}
		}
		if status != c.status {
			t.Errorf("%v: status %d, %s%s", c.args, status, out, errOut)
		}
	}
}
