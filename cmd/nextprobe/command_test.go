package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"nextprobe/store/storetest"
)

// call runs one command line as main does.
func call(t *testing.T, args ...string) (status int, out, errOut string) {
	t.Helper()
	var o, e bytes.Buffer
	status = run(context.Background(), args, &o, &e)
	return status, o.String(), e.String()
}

// calls runs command lines that must succeed, and returns what each printed.
func calls(t *testing.T) func(args ...string) string {
	return func(args ...string) string {
		t.Helper()
		status, out, errOut := call(t, args...)
		if status != 0 {
			t.Fatalf("%v: status %d: %s", args, status, errOut)
		}
		return out
	}
}

func TestExitStatuses(t *testing.T) {
	t.Parallel()
	bad := filepath.Join(t.TempDir(), "bad.yaml")
	if err := os.WriteFile(bad, []byte("meta: {version: 1}\ncauses:\n  - id: only\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		args   []string
		status int
		stderr string
	}{
		{"version", []string{"version"}, 0, ""},
		{"no command", nil, 2, "name a command"},
		{"unknown command", []string{"polish"}, 2, "polish"},
		{"unknown flag", []string{"version", "--loud"}, 2, "loud"},
		{"missing flag", []string{"token", "add", "--name", "x"}, 2, "role"},
		{"bad listen address", []string{"serve", "--listen", "nowhere"}, 2, "listen"},
		{"good library", []string{"library", "check"}, 0, ""},
		{"bad library", []string{"library", "check", bad}, 1, ""},
		{"missing library", []string{"library", "check", bad + ".not"}, 2, "--library"},
		{"infer without evidence", []string{"library", "infer"}, 2, "--evidence"},
		{"restore of nothing", []string{"restore", bad + ".not"}, 2, ".not"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			status, _, errOut := call(t, c.args...)
			if status != c.status || !strings.Contains(errOut, c.stderr) {
				t.Errorf("status %d, standard error %q; want %d and %q", status, errOut, c.status, c.stderr)
			}
		})
	}
}

func TestLibraryCheckNamesLineAndColumn(t *testing.T) {
	t.Parallel()
	bad := filepath.Join(t.TempDir(), "bad.yaml")
	if err := os.WriteFile(bad, []byte("meta: {version: 1}\ncauses:\n  - id: only\n    colour: blue\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, out, _ := call(t, "library", "check", "--json", bad)
	var got struct {
		Valid  bool `json:"valid"`
		Issues []struct {
			Severity     string `json:"severity"`
			Line, Column int
			Message      string
		} `json:"issues"`
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	found := false
	for _, i := range got.Issues {
		found = found || i.Line == 4 && i.Column == 5 && strings.Contains(i.Message, "colour")
	}
	if got.Valid || !found {
		t.Errorf("no issue at 4:5 about colour: %s", out)
	}
}

func TestLibraryInferFromEvidence(t *testing.T) {
	t.Parallel()
	write := func(body string) string {
		p := filepath.Join(t.TempDir(), "evidence.json")
		if err := os.WriteFile(p, []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
		return p
	}
	good := write(`{"context":{},"open":[],"observations":[{"symptom":"soot_at_pin","present":true},{"measurement":"interbox_visual","outcome":"soot"}]}`)
	status, out, errOut := call(t, "library", "infer", "--evidence", good, "--json")
	if status != 0 {
		t.Fatalf("status %d: %s", status, errOut)
	}
	var got struct {
		PEvidence float64 `json:"p_evidence"`
		Causes    []struct {
			ID          string  `json:"id"`
			Probability float64 `json:"probability"`
		} `json:"causes"`
		Advice struct{ Kind string } `json:"advice"`
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if got.PEvidence <= 0 || len(got.Causes) == 0 || got.Causes[0].ID != "interbox_burned" || got.Advice.Kind == "" {
		t.Errorf("answer %.400s", out)
	}
	for body, want := range map[string]string{
		`{"observations":[{"symptom":"no_such_thing","present":true}]}`: "observations[0]",
		`{"observations":[`: "JSON",
		`{"observations":[{"measurement":"interbox_visual","outcome":"purple"}]}`: "purple",
	} {
		if status, _, errOut := call(t, "library", "infer", "--evidence", write(body), "--json"); status != 1 || !strings.Contains(errOut, want) {
			t.Errorf("%s: status %d, %q; want 1 and %q", body, status, errOut, want)
		}
	}
}

func TestPeopleAndTokensOnADatabase(t *testing.T) {
	t.Parallel()
	url := storetest.URL(t)
	db := func(args ...string) []string { return append(args, "--database-url", url) }
	status, out, errOut := call(t, db("token", "add", "--shop", "default", "--role", "owner", "--name", "till")...)
	if status != 0 || strings.Count(out, "\n") != 1 || strings.ContainsAny(strings.TrimSuffix(out, "\n"), " \t\n") {
		t.Fatalf("token add: status %d, output %q, %s", status, out, errOut)
	}
	for _, c := range []struct {
		args   []string
		status int
		want   string
	}{
		{[]string{"token", "add", "--role", "owner", "--name", "till"}, 1, "another token"},
		{[]string{"token", "add", "--role", "king", "--name", "crown"}, 1, "role"},
		{[]string{"token", "add", "--shop", "elsewhere", "--role", "owner", "--name", "x"}, 1, "shop"},
		{[]string{"token", "revoke", "--name", "till"}, 0, ""},
		{[]string{"token", "revoke", "--name", "nobody"}, 1, "token"},
		{[]string{"user", "add", "--login", "runa", "--role", "owner"}, 0, ""},
		{[]string{"user", "add", "--login", "runa", "--role", "owner"}, 1, "login"},
		{[]string{"user", "password", "--login", "runa"}, 0, ""},
		{[]string{"user", "disable", "--login", "runa"}, 0, ""},
		{[]string{"user", "disable", "--login", "nobody"}, 1, "user"},
	} {
		status, _, errOut := call(t, db(c.args...)...)
		if status != c.status || !strings.Contains(strings.ToLower(errOut), c.want) {
			t.Errorf("%v: status %d, %q; want %d and %q", c.args, status, errOut, c.status, c.want)
		}
	}
	if status, out, _ := call(t, db("migrate", "status", "--json")...); status != 0 || !strings.Contains(out, `"dirty":false`) {
		t.Errorf("migrate status: %d %q", status, out)
	}
}

// TestBackupAndRestoreOnTheEmbeddedDatabase fills one data folder, backs it up
// and finds the same people in another.
func TestBackupAndRestoreOnTheEmbeddedDatabase(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	from, to, file := filepath.Join(dir, "from"), filepath.Join(dir, "to"), filepath.Join(dir, "copy.dump")
	must := calls(t)
	must("user", "add", "--login", "runa", "--role", "owner", "--data", from)
	must("backup", file, "--data", from)
	if status, _, errOut := call(t, "backup", file, "--data", from); status != 1 || !strings.Contains(errOut, "exists") {
		t.Errorf("a second backup onto the same file: status %d, %s", status, errOut)
	}
	must("restore", file, "--data", to)
	if status, _, errOut := call(t, "user", "add", "--login", "runa", "--role", "owner", "--data", to); status != 1 || !strings.Contains(errOut, "login") {
		t.Errorf("the restored database does not know the user: status %d, %s", status, errOut)
	}
	if status, _, errOut := call(t, "restore", file, "--data", to); status != 1 || !strings.Contains(errOut, "empty") {
		t.Errorf("restore over data: status %d, %s", status, errOut)
	}
}
