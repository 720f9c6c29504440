package api_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"nextprobe/api"
	"nextprobe/internal/shop"
)

// TestTokens: without a good token there is nothing but 401.
func TestTokens(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for name, value := range map[string]string{
		"none": "", "other scheme": "Basic " + b.tokens[shop.Owner], "no token": "Bearer", "blank": "Bearer  ", "wrong": "Bearer nonsense",
		"cut short": "Bearer " + b.tokens[shop.Owner][:20], "10 kB": "Bearer " + strings.Repeat("x", 10_000), "not ASCII": "Bearer ä\x80",
	} {
		for _, op := range []struct{ method, path string }{{"GET", "/jobs"}, {"POST", "/boards"}, {"GET", "/library"}} {
			r := b.refuse(op.method, v1+op.path, nil, 401, "", header("Authorization", value))
			if !strings.HasPrefix(r.header.Get("WWW-Authenticate"), "Bearer") {
				t.Errorf("%s: WWW-Authenticate %q", name, r.header.Get("WWW-Authenticate"))
			}
		}
	}
	b.do("GET", v1+"/jobs", nil, 200, header("Authorization", "bearer "+b.tokens[shop.Owner]))
	if strings.Contains(b.log.String(), b.tokens[shop.Owner]) {
		t.Error("a token stands in the log")
	}
	if err := b.svc.RevokeToken(context.Background(), b.owner, "the owner"); err != nil {
		t.Fatal(err)
	}
	b.refuse("GET", v1+"/jobs", nil, 401, "")
}

// TestRevocationTakesEffectInTime: a remembered token is forgotten again.
func TestRevocationTakesEffectInTime(t *testing.T) {
	t.Parallel()
	b := setupWith(t, api.Options{TokenTTL: 50 * time.Millisecond})
	b.do("GET", v1+"/shop", nil, 200, b.as(shop.Counter))
	if err := b.svc.RevokeToken(context.Background(), b.owner, "the counter"); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the revoked token is refused", func() bool {
		return b.send("GET", v1+"/shop", nil, b.as(shop.Counter)).status == 401
	})
}

// TestRoles: who may do what, over every address of the service.
func TestRoles(t *testing.T) {
	t.Parallel()
	b := setup(t)
	boardID := b.board("INV-1")
	jobID := b.job(boardID, "green_corrosion")
	partID := b.part("P-1", 5)
	board, job, part := v1+"/boards/"+boardID, v1+"/jobs/"+jobID, v1+"/parts/"+partID
	fault := b.do("POST", job+"/faults", obj{"cause": "interbox_corroded"}, 201).text("id")
	all := []shop.Role{shop.Owner, shop.Technician, shop.Counter}
	benchOnly, ownerOnly := all[:2], all[:1]
	yaml := header("Content-Type", "application/yaml")
	// Bodies are those of no effect: the right is asked for before the body is judged.
	for _, tc := range []struct {
		method, path string
		body         any
		may          []shop.Role
		opts         []option
	}{
		{"GET", v1 + "/shop", nil, all, nil},
		{"GET", v1 + "/customers", nil, all, nil},
		{"GET", v1 + "/boards", nil, all, nil},
		{"POST", v1 + "/boards", obj{}, all, nil},
		{"GET", board, nil, all, nil},
		{"PATCH", board, obj{"serial": ""}, all, nil},
		{"GET", board + "/history", nil, all, nil},
		{"POST", board + "/connectors", obj{}, all, nil},
		{"GET", v1 + "/jobs", nil, all, nil},
		{"POST", v1 + "/jobs", obj{"board_id": boardID}, all, nil},
		{"GET", job, nil, all, nil},
		{"PATCH", job, obj{"odometer_km": -1}, all, nil},
		{"POST", job + "/state", obj{"to": "repairing", "reason": strings.Repeat("x", 9000)}, benchOnly, nil},
		{"GET", job + "/log", nil, all, nil},
		{"GET", job + "/diagnosis", nil, all, nil},
		{"GET", job + "/requirements", nil, all, nil},
		{"POST", job + "/observations", obj{"symptom": "nonsense"}, all, nil},
		{"POST", job + "/observations", obj{"measurement": "nonsense"}, benchOnly, nil},
		{"POST", job + "/access", obj{}, benchOnly, nil},
		{"POST", job + "/faults", obj{}, benchOnly, nil},
		{"POST", job + "/faults/" + fault + "/waive", obj{}, benchOnly, nil},
		{"POST", job + "/repairs", obj{"fault_id": fault}, benchOnly, nil},
		{"POST", job + "/verifications", obj{}, benchOnly, nil},
		{"GET", v1 + "/parts", nil, all, nil},
		{"POST", v1 + "/parts", obj{}, benchOnly, nil},
		{"GET", part, nil, all, nil},
		{"PATCH", part, obj{"number": ""}, benchOnly, nil},
		{"GET", part + "/movements", nil, all, nil},
		{"POST", part + "/movements", obj{}, benchOnly, nil},
		{"GET", v1 + "/recurrence", nil, all, nil},
		{"GET", v1 + "/recurrence/filters", nil, all, nil},
		{"GET", v1 + "/library", nil, all, nil},
		{"GET", v1 + "/library/versions", nil, all, nil},
		{"POST", v1 + "/library/versions", "causes: 7", ownerOnly, []option{yaml}},
		{"POST", v1 + "/measurements/phase_resistance_3/evaluate", obj{"readings": obj{}}, all, nil},
	} {
		for i, role := range all {
			r := b.send(tc.method, tc.path, tc.body, append(tc.opts, b.as(role))...)
			switch allowed := i < len(tc.may); {
			case !allowed && r.status != 403:
				t.Errorf("%s %s as %s: status %d, want 403: %s", tc.method, tc.path, role, r.status, r.raw)
			case allowed && (r.status == 401 || r.status == 403 || r.status >= 500):
				t.Errorf("%s %s as %s: status %d: %s", tc.method, tc.path, role, r.status, r.raw)
			}
		}
	}
}

// TestTenantsAreApart: a token of another shop finds nothing of this one.
func TestTenantsAreApart(t *testing.T) {
	t.Parallel()
	b := setup(t)
	boardID := b.board("INV-1")
	jobID, partID := b.job(boardID, "green_corrosion"), b.part("P-1", 5)
	connector := b.do("POST", v1+"/boards/"+boardID+"/connectors", obj{"place": "between the boxes", "component": "interbox_connector", "family": "bullet 5.5 mm"}, 201).text("id")
	fault := b.do("POST", v1+"/jobs/"+jobID+"/faults", obj{"cause": "interbox_corroded"}, 201).text("id")
	observation := b.do("GET", v1+"/jobs/"+jobID, nil, 200).text("observations.0.id")
	before := b.traces(jobID, partID)

	n := b.neighbour()
	job, board := v1+"/jobs/"+jobID, v1+"/boards/"+boardID
	for _, tc := range []struct {
		method, path string
		body         any
		status       int
	}{
		{"GET", board, nil, 404}, {"PATCH", board, obj{"note": "x"}, 404}, {"GET", board + "/history", nil, 404},
		{"POST", board + "/connectors", obj{"place": "p", "component": "interbox_connector", "family": "f"}, 404},
		{"GET", v1 + "/connectors/" + connector, nil, 404}, {"PATCH", v1 + "/connectors/" + connector, obj{"note": "x"}, 404},
		{"POST", v1 + "/jobs", obj{"board_id": boardID, "complaint": "x"}, 400},
		{"GET", job, nil, 404}, {"PATCH", job, obj{"complaint": "x"}, 404}, {"POST", job + "/state", obj{"to": "repairing"}, 404},
		{"GET", job + "/diagnosis", nil, 404}, {"GET", job + "/requirements", nil, 404},
		{"POST", job + "/observations", obj{"symptom": "no_link", "present": true}, 404}, {"DELETE", job + "/observations/" + observation, nil, 404},
		{"POST", job + "/access", obj{"opening": "charge_port", "state": "open"}, 404}, {"POST", job + "/faults", obj{"cause": "vent_failed"}, 404},
		{"POST", job + "/faults/" + fault + "/waive", obj{"reason": "because"}, 404},
		{"POST", job + "/repairs", obj{"fault_id": fault, "action": "x"}, 404},
		{"POST", job + "/verifications", obj{"verification": "exterior_walkround", "outcome": "intact"}, 404},
		{"GET", v1 + "/parts/" + partID, nil, 404}, {"PATCH", v1 + "/parts/" + partID, obj{"note": "x"}, 404},
		{"GET", v1 + "/parts/" + partID + "/movements", nil, 404},
		{"POST", v1 + "/parts/" + partID + "/movements", obj{"quantity": 1, "reason": "received"}, 404},
	} {
		n.refuse(tc.method, tc.path, tc.body, tc.status, "")
	}
	for _, list := range []string{"/boards", "/jobs", "/parts", "/customers?query=Example", "/jobs?board=" + boardID} {
		if got := n.do("GET", v1+list, nil, 200).list("items"); len(got) != 0 {
			t.Errorf("%s shows %d things of another shop", list, len(got))
		}
	}
	n.refuse("GET", job+"/log", nil, 404, "")
	b.refuse("GET", v1+"/jobs/"+boardID+"/log", nil, 404, "")
	// Keys are a shop's own: the same key and body do not replay across shops.
	same := obj{"serial": "INV-7"}
	first := b.do("POST", v1+"/boards", same, 201, header("Idempotency-Key", "shared"))
	second := n.do("POST", v1+"/boards", same, 201, header("Idempotency-Key", "shared"))
	if first.text("id") == second.text("id") || second.header.Get("Idempotency-Replayed") != "" {
		t.Error("an answer was replayed to another shop")
	}
	if n.do("POST", v1+"/jobs", obj{"board_id": second.text("id"), "complaint": "x"}, 201).number("number") != 1 {
		t.Error("job numbers are shared between shops")
	}
	if after := b.traces(jobID, partID); !strings.HasPrefix(after, before[:len(before)/3]) {
		t.Error("the neighbour left traces")
	}
}

func TestIdempotency(t *testing.T) {
	t.Parallel()
	b := setup(t)
	key := func(k string) option { return header("Idempotency-Key", k) }
	first := b.do("POST", v1+"/boards", obj{"serial": "INV-1"}, 201, key("one"))
	again := b.do("POST", v1+"/boards", obj{"serial": "INV-1"}, 201, key("one"))
	if string(again.raw) != string(first.raw) || again.header.Get("ETag") != first.header.Get("ETag") ||
		again.header.Get("Location") != first.header.Get("Location") || again.header.Get("Content-Type") != "application/json" {
		t.Errorf("replayed %v %s, first was %v %s", again.header, again.raw, first.header, first.raw)
	}
	if first.header.Get("Idempotency-Replayed") != "" || again.header.Get("Idempotency-Replayed") != "true" {
		t.Error("Idempotency-Replayed is wrong")
	}
	b.refuse("POST", v1+"/boards", obj{"serial": "INV-2"}, 409, "Idempotency-Key", key("one"))
	b.refuse("POST", v1+"/boards", obj{"serial": "INV-1"}, 409, "Idempotency-Key", key("one"), b.as(shop.Counter))
	b.refuse("POST", v1+"/parts", obj{"serial": "INV-1"}, 409, "Idempotency-Key", key("one"))

	// A request that failed does not use the key up.
	b.refuse("POST", v1+"/boards", obj{"serial": ""}, 400, "serial", key("two"))
	b.do("POST", v1+"/boards", obj{"serial": "INV-2"}, 201, key("two"))

	for _, bad := range []string{" ", strings.Repeat("x", 201), "tab\there", "ä"} {
		r := b.request("POST", v1+"/boards", obj{"serial": "INV-3"})
		r.Header["Idempotency-Key"] = []string{bad}
		w := httptest.NewRecorder()
		b.handler.ServeHTTP(w, r)
		if w.Code != 400 || !strings.Contains(w.Body.String(), "Idempotency-Key") {
			t.Errorf("key %q: %d %s", bad, w.Code, w.Body)
		}
	}
	b.do("POST", v1+"/boards", obj{"serial": "INV-3"}, 201, key(strings.Repeat("x", 200)))
	if n := len(b.do("GET", v1+"/boards", nil, 200).list("items")); n != 3 {
		t.Errorf("%d boards, want 3", n)
	}
	// A GET has no key.
	b.do("GET", v1+"/boards", nil, 200, key("one"))
}

// TestIdempotencyAtOnce: of many equal requests at once one does the work.
func TestIdempotencyAtOnce(t *testing.T) {
	t.Parallel()
	b := setup(t)
	part := b.part("P-1", 0)
	statuses := make([]int, 12)
	var wg sync.WaitGroup
	for i := range statuses {
		wg.Go(func() {
			r := b.request("POST", v1+"/parts/"+part+"/movements", obj{"quantity": 5, "reason": "received"}, header("Idempotency-Key", "delivery 7"))
			w := httptest.NewRecorder()
			b.handler.ServeHTTP(w, r)
			statuses[i] = w.Code
		})
	}
	wg.Wait()
	for _, s := range statuses {
		if s != http.StatusCreated && s != http.StatusConflict {
			t.Errorf("statuses %v", statuses)
			break
		}
	}
	if got := b.do("GET", v1+"/parts/"+part, nil, 200).number("stock"); got != 5 {
		t.Errorf("stock %v, want 5", got)
	}
}

// TestETags: a change made from an old version is refused, on all that can be edited.
func TestETags(t *testing.T) {
	t.Parallel()
	b := setup(t)
	boardID := b.board("INV-1")
	connector := b.do("POST", v1+"/boards/"+boardID+"/connectors", obj{"place": "between the boxes", "component": "interbox_connector", "family": "bullet 5.5 mm"}, 201)
	for name, tc := range map[string]struct {
		path string
		edit func(i int) obj
		read string
		want func(i int) any
	}{
		"board":     {v1 + "/boards/" + boardID, func(i int) obj { return obj{"odometer_km": 900 + i} }, "odometer_km", func(i int) any { return float64(900 + i) }},
		"connector": {v1 + "/connectors/" + connector.text("id"), func(i int) obj { return obj{"note": fmt.Sprint(i)} }, "note", func(i int) any { return fmt.Sprint(i) }},
		"part":      {v1 + "/parts/" + b.part("P-1", 1), func(i int) obj { return obj{"min_stock": i} }, "min_stock", func(i int) any { return float64(i) }},
		"job":       {v1 + "/jobs/" + b.job(boardID, "no_link"), func(i int) obj { return obj{"condition": fmt.Sprint(i)} }, "condition", func(i int) any { return fmt.Sprint(i) }},
	} {
		read := b.do("GET", tc.path, nil, 200)
		old := read.header.Get("ETag")
		if want := fmt.Sprintf(`"v%v"`, read.number("version")); old != want {
			t.Errorf("%s: ETag %s, want %s", name, old, want)
		}
		edited := b.do("PATCH", tc.path, tc.edit(1), 200, header("If-Match", old))
		if fresh := edited.header.Get("ETag"); fresh == old || fresh != b.do("GET", tc.path, nil, 200).header.Get("ETag") {
			t.Errorf("%s: ETag after the edit is %s", name, fresh)
		}
		b.refuse("PATCH", tc.path, tc.edit(2), 412, "", header("If-Match", old))
		b.refuse("PATCH", tc.path, tc.edit(2), 412, "", header("If-Match", `"v0"`))
		b.refuse("PATCH", tc.path, tc.edit(2), 412, "", header("If-Match", `"other"`))
		b.refuse("PATCH", tc.path, tc.edit(2), 400, "If-Match", header("If-Match", "W/"+edited.header.Get("ETag")))
		b.refuse("PATCH", tc.path, tc.edit(2), 400, "If-Match", header("If-Match", "v2"))
		b.refuse("PATCH", tc.path, tc.edit(2), 400, "If-Match", header("If-Match", `"v1", "v2"`))
		if got := b.do("GET", tc.path, nil, 200).find(tc.read); got != tc.want(1) {
			t.Errorf("%s: %s is %v after refused edits", name, tc.read, got)
		}
		b.do("PATCH", tc.path, tc.edit(3), 200, header("If-Match", "*"))
		if got := b.do("PATCH", tc.path, tc.edit(4), 200).find(tc.read); got != tc.want(4) {
			t.Errorf("%s: %s is %v", name, tc.read, got)
		}
	}
}
