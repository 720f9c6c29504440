package api_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"flag"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/go-cmp/cmp"
	"github.com/labstack/echo/v4"

	"nextprobe/api"
	"nextprobe/internal/httpkit"
)

var update = flag.Bool("update", false, "accept the contract as it stands under its version")

// TestContractChangesWithItsVersion fails when openapi.yaml was changed and
// info.version was not. After raising the version: go test ./api -run Contract -update.
func TestContractChangesWithItsVersion(t *testing.T) {
	t.Parallel()
	const golden = "openapi.sum"
	sum := sha256.Sum256(api.Contract)
	now := contract().doc.Info.Version + " " + hex.EncodeToString(sum[:]) + "\n"
	before, err := os.ReadFile(golden)
	if err != nil && (!*update || !os.IsNotExist(err)) {
		t.Fatal(err)
	}
	if now == string(before) {
		return
	}
	version, _, _ := strings.Cut(string(before), " ")
	if version == contract().doc.Info.Version {
		t.Fatalf("openapi.yaml was changed and still is version %s: raise info.version", version)
	}
	if !*update {
		t.Fatalf("openapi.yaml is now version %s: run this test with -update", contract().doc.Info.Version)
	}
	if err := os.WriteFile(golden, []byte(now), 0o644); err != nil {
		t.Fatal(err)
	}
}

// TestRoutesAreTheContracts compares the router with the contract, both ways.
func TestRoutesAreTheContracts(t *testing.T) {
	t.Parallel()
	e := echo.New()
	if err := api.Register(e, nil, api.Options{Metrics: httpkit.NewMetrics()}); err != nil {
		t.Fatal(err)
	}
	param := regexp.MustCompile(`:(\w+)`)
	var routes, published []string
	for _, r := range e.Routes() {
		routes = append(routes, r.Method+" "+param.ReplaceAllString(r.Path, "{$1}"))
	}
	for path, item := range contract().doc.Paths.Map() {
		for method := range item.Operations() {
			published = append(published, method+" "+path)
		}
	}
	slices.Sort(routes)
	slices.Sort(published)
	if d := cmp.Diff(published, routes); d != "" {
		t.Errorf("contract (-) and router (+) differ:\n%s", d)
	}
}

// TestContractListsProblems keeps the contract honest about refusals.
func TestContractListsProblems(t *testing.T) {
	t.Parallel()
	for path, item := range contract().doc.Paths.Map() {
		if !strings.HasPrefix(path, "/api/v1/") {
			continue
		}
		for method, op := range item.Operations() {
			want := []string{"401", "403", "500", "503"}
			if strings.Contains(path, "{") && !strings.HasPrefix(path, "/api/v1/library") {
				want = append(want, "404")
			}
			if op.RequestBody != nil {
				want = append(want, "400", "409", "413", "415")
			}
			if method == "PATCH" {
				want = append(want, "412")
			}
			for _, s := range want {
				if op.Responses.Value(s) == nil {
					t.Errorf("%s %s does not list %s", method, path, s)
				}
			}
			keyed := slices.ContainsFunc(op.Parameters, func(p *openapi3.ParameterRef) bool { return p.Value.Name == "Idempotency-Key" })
			if keyed != (method == "POST") {
				t.Errorf("%s %s: Idempotency-Key listed: %v", method, path, keyed)
			}
			if op.Summary == "" || op.OperationID == "" {
				t.Errorf("%s %s has no summary or id", method, path)
			}
		}
	}
}

func TestContractIsServedAsJSON(t *testing.T) {
	t.Parallel()
	b := setup(t)
	r := b.do("GET", "/api/openapi.json", nil, 200, header("Authorization", ""))
	if got := r.text("info.version"); got != contract().doc.Info.Version {
		t.Errorf("version %q", got)
	}
	if bytes.Contains(r.raw, []byte("x-go-")) {
		t.Error("the contract speaks of Go")
	}
}
