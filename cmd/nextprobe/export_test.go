package main

import (
	"archive/zip"
	"encoding/csv"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"nextprobe/store/storetest"
)

// readTable reads an exported file as its header and rows by column.
func readTable(t *testing.T, text string) (head []string, rows []map[string]string) {
	t.Helper()
	all, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil || len(all) == 0 {
		t.Fatalf("%v in %.80q", err, text)
	}
	for _, r := range all[1:] {
		row := map[string]string{}
		for i, name := range all[0] {
			row[name] = r[i]
		}
		rows = append(rows, row)
	}
	return all[0], rows
}

func readFolder(t *testing.T, dir string) map[string]string {
	t.Helper()
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, e := range list {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		out[e.Name()] = string(b)
	}
	return out
}

func TestExport(t *testing.T) {
	t.Parallel()
	url, dir := historyShop(t), t.TempDir()
	folder, archive := filepath.Join(dir, "all"), filepath.Join(dir, "all.zip")
	for _, to := range []string{folder, archive} {
		if status, out, errOut := call(t, "export", to, "--database-url", url); status != 0 || !strings.Contains(out, "about.csv") {
			t.Fatalf("status %d: %s%s", status, out, errOut)
		}
	}
	files := readFolder(t, folder)
	// The archive holds the same.
	z, err := zip.OpenReader(archive)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	if len(z.File) != len(files) {
		t.Errorf("%d files in the archive, %d in the folder", len(z.File), len(files))
	}
	for _, f := range z.File {
		if f.UncompressedSize64 != uint64(len(files[f.Name])) {
			t.Errorf("%s: %d and %d bytes", f.Name, f.UncompressedSize64, len(files[f.Name]))
		}
	}
	// Every file is described, column by column.
	described := map[string][]string{}
	_, about := readTable(t, files["about.csv"])
	for _, r := range about {
		if r["meaning"] == "" {
			t.Errorf("%s %s has no meaning", r["file"], r["column"])
		}
		if r["column"] != "" {
			described[r["file"]] = append(described[r["file"]], r["column"])
		}
	}
	have := map[string][]map[string]string{}
	for name, text := range files {
		if name == "about.csv" || strings.HasSuffix(name, ".yaml") {
			continue
		}
		head, rows := readTable(t, text)
		if !slices.Equal(head, described[name]) {
			t.Errorf("%s has the columns %v, described are %v", name, head, described[name])
		}
		have[name] = rows
	}
	for _, name := range []string{"owners", "boards", "connectors", "parts", "jobs", "job_states", "observations", "openings", "installed_parts", "faults", "repairs", "repair_parts", "verifications", "stock_movements", "audit"} {
		if len(have[name+".csv"]) == 0 {
			t.Errorf("%s.csv is empty", name)
		}
	}
	if !strings.Contains(files["library-1.yaml"], "causes:") {
		t.Error("the library is not there")
	}
	checkReferences(t, have)
}

// checkReferences follows the references between the files.
func checkReferences(t *testing.T, have map[string][]map[string]string) {
	t.Helper()
	for _, link := range []struct{ from, column, to string }{
		{"boards", "owner", "owners"}, {"connectors", "board", "boards"}, {"jobs", "board", "boards"}, {"jobs", "comeback_of", "jobs"}, {"observations", "job", "jobs"},
		{"faults", "job", "jobs"}, {"faults", "connector", "connectors"}, {"faults", "installed_part", "installed_parts"}, {"repairs", "fault", "faults"},
		{"repair_parts", "repair", "repairs"}, {"installed_parts", "board", "boards"}, {"verifications", "job", "jobs"}, {"stock_movements", "repair", "repairs"},
	} {
		known := map[string]bool{"": true}
		for _, r := range have[link.to+".csv"] {
			known[r["reference"]] = true
		}
		named := 0
		for _, r := range have[link.from+".csv"] {
			if !known[r[link.column]] {
				t.Errorf("%s names the %s %q, which is not in %s", link.from, link.column, r[link.column], link.to)
			}
			if r[link.column] != "" {
				named++
			}
		}
		if named == 0 && link.column != "installed_part" && link.column != "comeback_of" {
			t.Errorf("no row of %s names a %s", link.from, link.column)
		}
	}
	readings := 0
	for _, r := range have["observations.csv"] {
		if strings.HasPrefix(r["readings"], "{") && r["outcome"] != "" {
			readings++
		}
		if _, err := time.Parse(time.RFC3339, r["at"]); err != nil || !strings.HasSuffix(r["at"], "Z") {
			t.Errorf("time %q", r["at"])
		}
	}
	if readings == 0 {
		t.Error("no readings are there")
	}
}

func TestExportRefuses(t *testing.T) {
	t.Parallel()
	url, dir := storetest.URL(t), t.TempDir()
	taken := filepath.Join(dir, "taken.zip")
	if err := os.WriteFile(taken, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	if status, _, errOut := call(t, "user", "add", "--login", "runa", "--role", "owner", "--database-url", url); status != 0 {
		t.Fatal(errOut)
	}
	for _, c := range []struct {
		args   []string
		status int
		want   string
	}{
		{[]string{"export"}, 2, "accepts"},
		{[]string{"export", taken}, 1, "exists already"},
		{[]string{"export", dir}, 1, "exists already"},
		{[]string{"export", filepath.Join(dir, "x"), "--shop", "elsewhere"}, 1, "shop"},
		{[]string{"export", filepath.Join(dir, "no", "such", "place")}, 1, "no such file"},
	} {
		if status, _, errOut := call(t, append(c.args, "--database-url", url)...); status != c.status || !strings.Contains(errOut, c.want) {
			t.Errorf("%v: status %d, %q; want %d and %q", c.args, status, errOut, c.status, c.want)
		}
	}
	if got := readFolder(t, dir); len(got) != 1 || got["taken.zip"] != "mine" {
		t.Errorf("something was left behind, or overwritten: %v", got)
	}
}
