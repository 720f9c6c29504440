package api_test

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/google/uuid"

	"nextprobe/internal/shop"
)

// traces is everything that a refused request could have left behind.
func (b *bench) traces(job, part string) string {
	b.t.Helper()
	var all strings.Builder
	for _, path := range []string{
		v1 + "/jobs/" + job, v1 + "/jobs/" + job + "/log", v1 + "/parts/" + part + "/movements", v1 + "/parts", v1 + "/boards", v1 + "/jobs",
		v1 + "/library/versions", v1 + "/customers?query=",
	} {
		all.Write(b.do("GET", path, nil, 200).raw)
	}
	return all.String()
}

// TestBadInput: every mistake is named, and nothing is written.
func TestBadInput(t *testing.T) {
	t.Parallel()
	b := setup(t)
	boardID := b.board("INV-1")
	id := b.job(boardID, "green_corrosion")
	fresh := b.do("POST", v1+"/jobs", obj{"board_id": b.board("INV-2"), "complaint": "does not start"}, 201).text("id")
	closed := b.board("INV-3") // without an open job
	part := b.part("P-1", 2)
	board, job, newJob, stock := v1+"/boards/"+boardID, v1+"/jobs/"+id, v1+"/jobs/"+fresh, v1+"/parts/"+part
	none := uuid.NewString()
	long := strings.Repeat("ä", 5000) // 10 kB
	phase := obj{"r_ab": 100, "r_bc": 100, "r_ca": 100, "t_wind_c": 20, "r_model_20": nil, "flex_change_pct": 0}
	with := func(o obj, k string, v any) obj {
		out := obj{k: v}
		for name, old := range o {
			if name != k {
				out[name] = old
			}
		}
		return out
	}
	before := b.traces(id, part)
	for _, tc := range []struct {
		name, method, path string
		body               any
		status             int
		field              string
		opts               []option
	}{
		{"unknown job", "GET", v1 + "/jobs/" + none, nil, 404, "", nil},
		{"job id is none", "GET", v1 + "/jobs/42", nil, 404, "", nil},
		{"unknown board", "GET", v1 + "/boards/" + none, nil, 404, "", nil},
		{"unknown part", "GET", v1 + "/parts/" + none, nil, 404, "", nil},
		{"unknown connector", "PATCH", v1 + "/connectors/" + none, obj{"place": "x"}, 404, "", nil},
		{"unknown observation", "DELETE", job + "/observations/" + none, nil, 404, "", nil},
		{"job for unknown board", "POST", v1 + "/jobs", obj{"board_id": none, "complaint": "x"}, 400, "board_id", nil},
		{"job for no board", "POST", v1 + "/jobs", obj{"complaint": "x"}, 400, "board_id", nil},
		{"unknown symptom", "POST", job + "/observations", obj{"symptom": "nonsense", "present": true}, 400, "symptom", nil},
		{"unknown measurement", "POST", job + "/observations", obj{"measurement": "nonsense", "outcome": "x"}, 400, "measurement", nil},
		{"unknown outcome", "POST", job + "/observations", obj{"measurement": "exterior_walkround", "outcome": "nonsense"}, 400, "outcome", nil},
		{"unknown opening", "POST", job + "/access", obj{"opening": "nonsense", "state": "open"}, 400, "opening", nil},
		{"unknown state of an opening", "POST", job + "/access", obj{"opening": "charge_port", "state": "ajar"}, 400, "state", nil},
		{"unknown cause", "POST", job + "/faults", obj{"cause": "nonsense"}, 400, "cause", nil},
		{"unknown fault", "POST", job + "/faults/" + none + "/waive", obj{"reason": "because"}, 404, "", nil},
		{"unknown group", "GET", v1 + "/recurrence/colour/x", nil, 400, "group", nil},
		{"neither symptom nor measurement", "POST", job + "/observations", obj{}, 400, "symptom", nil},
		{"symptom and measurement", "POST", job + "/observations", obj{"symptom": "no_link", "present": true, "measurement": "bearing_play"}, 400, "symptom", nil},
		{"wrong unit", "POST", job + "/observations", obj{"measurement": "phase_resistance_3", "readings": with(phase, "r_ab", "100 kg")}, 400, "readings.r_ab", nil},
		{"wrong unit, object", "POST", job + "/observations", obj{"measurement": "phase_resistance_3", "readings": with(phase, "r_ab", obj{"value": 100, "unit": "kg"})}, 400, "readings.r_ab", nil},
		{"wrong unit, evaluate", "POST", v1 + "/measurements/phase_resistance_3/evaluate", obj{"readings": with(phase, "r_bc", "62 kg")}, 400, "readings.r_bc", nil},
		{"reading is NaN", "POST", job + "/observations", obj{"measurement": "phase_resistance_3", "readings": with(phase, "r_ab", "NaN")}, 400, "readings.r_ab", nil},
		{"reading is infinite", "POST", job + "/observations", obj{"measurement": "phase_resistance_3", "readings": with(phase, "r_ab", "Inf")}, 400, "readings.r_ab", nil},
		{"reading is 1e999", "POST", job + "/observations", `{"measurement": "phase_resistance_3", "readings": {"r_ab": 1e999}}`, 400, "readings.r_ab", nil},
		{"reading unknown", "POST", job + "/observations", obj{"measurement": "phase_resistance_3", "readings": with(phase, "r_xy", 1)}, 400, "readings.r_xy", nil},
		{"reading missing", "POST", job + "/observations", obj{"measurement": "phase_resistance_3", "readings": obj{"r_ab": 100}}, 400, "readings.r_bc", nil},
		{"reading of 10 kB", "POST", job + "/observations", obj{"measurement": "phase_resistance_3", "readings": with(phase, "r_ab", long)}, 400, "readings.r_ab", nil},
		// Three terminals of one star: no reading can exceed the sum of the others (Kirchhoff).
		{"impossible phase resistances", "POST", job + "/observations", obj{"measurement": "phase_resistance_3", "readings": with(phase, "r_ca", 300)}, 400, "readings.r_ca", nil},
		{"symptom twice", "POST", job + "/observations", obj{"symptom": "green_corrosion", "present": true}, 409, "symptom", nil},
		{"symptom twice at intake", "POST", v1 + "/jobs", obj{"board_id": closed, "complaint": "x", "symptoms": []string{"no_link", "no_link"}}, 400, "symptoms[1]", nil},
		{"exposure unknown", "POST", v1 + "/jobs", obj{"board_id": closed, "complaint": "x", "exposures": []string{"sun"}}, 400, "exposures[0]", nil},
		{"second open job", "POST", v1 + "/jobs", obj{"board_id": boardID, "complaint": "x"}, 409, "board_id", nil},
		{"state unknown", "POST", job + "/state", obj{"to": "lost"}, 400, "to", nil},
		{"state refused", "POST", job + "/state", obj{"to": "returned"}, 409, "to", nil},
		{"ready too early", "POST", newJob + "/state", obj{"to": "ready"}, 409, "to", nil},
		{"fault before diagnosis", "POST", newJob + "/faults", obj{"cause": "interbox_corroded"}, 409, "state", nil},
		{"repair of no fault", "POST", job + "/repairs", obj{"fault_id": none, "action": "x"}, 400, "fault_id", nil},
		{"repair without fault", "POST", job + "/repairs", obj{"action": "x"}, 400, "fault_id", nil},
		{"stock below zero", "POST", stock + "/movements", obj{"quantity": -3, "reason": "used"}, 409, "quantity", nil},
		{"stock of nothing", "POST", stock + "/movements", obj{"quantity": 0, "reason": "counted"}, 400, "quantity", nil},
		{"reason unknown", "POST", stock + "/movements", obj{"quantity": 1, "reason": "found"}, 400, "reason", nil},
		{"other currency", "POST", stock + "/movements", obj{"quantity": 1, "reason": "received", "unit_cost": obj{"amount": 1, "currency": "XTS"}}, 400, "unit_cost.currency", nil},
		{"money as text", "POST", stock + "/movements", obj{"quantity": 1, "reason": "received", "unit_cost": "12.50"}, 400, "unit_cost", nil},
		{"money in parts", "POST", v1 + "/parts", obj{"number": "P-9", "name": "x", "unit_cost": 12.5}, 400, "unit_cost", nil},
		{"negative cost", "POST", v1 + "/parts", obj{"number": "P-9", "name": "x", "unit_cost": -1}, 400, "unit_cost", nil},
		{"part number taken", "POST", v1 + "/parts", obj{"number": "P-1", "name": "x"}, 409, "number", nil},
		{"serial taken", "POST", v1 + "/boards", obj{"serial": "INV-1"}, 409, "serial", nil},
		{"serial empty", "POST", v1 + "/boards", obj{"serial": " "}, 400, "serial", nil},
		{"serial of 10 kB", "POST", v1 + "/boards", obj{"serial": long}, 400, "serial", nil},
		{"note of 10 kB", "PATCH", board, obj{"note": long}, 400, "note", nil},
		{"control character", "POST", v1 + "/boards", obj{"serial": "INV\u0000"}, 400, "serial", nil},
		{"odometer is NaN", "POST", v1 + "/boards", obj{"serial": "INV-9", "odometer_km": "NaN"}, 400, "odometer_km", nil},
		{"odometer below zero", "PATCH", board, obj{"odometer_km": -1}, 400, "odometer_km", nil},
		{"odometer backwards", "POST", v1 + "/jobs", obj{"board_id": closed, "complaint": "x", "odometer_km": 3}, 400, "odometer_km", nil},
		{"chemistry unknown", "PATCH", board, obj{"chemistry": "lead"}, 400, "chemistry", nil},
		{"fact unknown", "PATCH", board, obj{"facts": obj{"colour": "red"}}, 400, "facts.colour", nil},
		{"cells absurd", "PATCH", board, obj{"series_cells": 4000}, 400, "series_cells", nil},
		{"broken JSON", "POST", v1 + "/boards", "{\n  \"serial\": ", 400, "", nil},
		{"trailing data", "POST", v1 + "/boards", `{"serial": "INV-9"} {}`, 400, "", nil},
		{"empty body", "POST", v1 + "/boards", "", 400, "", nil},
		{"unknown field", "POST", v1 + "/boards", obj{"serial": "INV-9", "colour": "red"}, 400, "colour", nil},
		{"unknown field inside", "POST", v1 + "/boards", obj{"serial": "INV-9", "owner": obj{"nmae": "x"}}, 400, "owner.nmae", nil}, //nolint:misspell // The mistake is the case.
		{"wrong type", "PATCH", board, obj{"series_cells": "twenty"}, 400, "series_cells", nil},
		{"wrong type inside", "POST", job + "/repairs", obj{"fault_id": none, "action": "x", "parts": []obj{{"part_id": none, "quantity": "two"}}}, 400, "parts[0].quantity", nil},
		{"time is none", "POST", board + "/connectors", obj{"component": "interbox_connector", "fitted_at": "yesterday"}, 400, "fitted_at", nil},
		{"form", "POST", v1 + "/boards", "serial=INV-9", 415, "", []option{header("Content-Type", "application/x-www-form-urlencoded")}},
		{"library as JSON", "POST", v1 + "/library/versions", obj{}, 415, "", nil},
		{"library broken", "POST", v1 + "/library/versions", "meta: {version: 1}\ncauses: 7\n", 400, "", []option{header("Content-Type", "application/yaml")}},
		{"limit", "GET", v1 + "/jobs?limit=0", nil, 400, "limit", nil},
		{"limit is none", "GET", v1 + "/boards?limit=many", nil, 400, "limit", nil},
		{"cursor", "GET", v1 + "/jobs?cursor=nonsense", nil, 400, "cursor", nil},
		{"state list", "GET", v1 + "/jobs?state=ready,lost", nil, 400, "state", nil},
		{"board filter", "GET", v1 + "/jobs?board=7", nil, 400, "board", nil},
		{"group", "GET", v1 + "/recurrence?group=colour", nil, 400, "group", nil},
		{"exposure", "GET", v1 + "/recurrence?exposure=rain", nil, 400, "exposure", nil},
		{"from", "GET", v1 + "/recurrence?from=yesterday", nil, 400, "from", nil},
		{"window", "GET", v1 + "/recurrence?from=2026-03-01&to=2026-02-01", nil, 400, "from", nil},
		{"two cursors", "GET", v1 + "/parts?cursor=a&cursor=b", nil, 400, "cursor", nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			at := *b
			at.t = t
			at.refuse(tc.method, tc.path, tc.body, tc.status, tc.field, tc.opts...)
		})
	}
	if after := b.traces(id, part); after != before {
		t.Errorf("a refused request left traces:\n%s\n%s", before, after)
	}
}

// TestNearUnitIsWarnedOf: 62 mV is a voltage, but hardly a pack's.
func TestNearUnitIsWarnedOf(t *testing.T) {
	t.Parallel()
	b := setup(t)
	r := b.do("POST", v1+"/measurements/pack_voltage_soc/evaluate", obj{"readings": obj{"v_pack": "62 mV", "series": 20, "v_reported": nil, "chemistry": "layered_oxide"}}, 200)
	if len(r.list("warnings")) == 0 {
		t.Errorf("62 mV is no reason to warn: %s", r.raw)
	}
	r = b.do("POST", v1+"/measurements/pack_voltage_soc/evaluate", obj{"readings": obj{"v_pack": "74.0 V", "series": 20, "v_reported": 74.1, "chemistry": "layered_oxide"}}, 200)
	if r.text("outcome") != "in_range" || len(r.list("warnings")) != 0 {
		t.Errorf("a good pack answers %s", r.raw)
	}
	b.refuse("POST", v1+"/measurements/nonsense/evaluate", obj{"readings": obj{}}, 404, "")
}

// zeros is a body of n bytes that costs nothing to make.
type zeros struct{ n, read int64 }

func (z *zeros) Read(p []byte) (int, error) {
	if z.read >= z.n {
		return 0, io.EOF
	}
	n := min(int64(len(p)), z.n-z.read)
	z.read += n
	return int(n), nil
}

// TestHugeBody: 100 MB are refused without being read, announced or not.
func TestHugeBody(t *testing.T) {
	t.Parallel()
	b := setup(t)
	for name, length := range map[string]int64{"announced": 100 << 20, "chunked": -1} {
		body := &zeros{n: 100 << 20}
		r := httptest.NewRequest(http.MethodPost, v1+"/boards", body)
		r.ContentLength = length
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Idempotency-Key", "k-"+name)
		b.as(shop.Owner)(r)
		w := httptest.NewRecorder()
		b.handler.ServeHTTP(w, r)
		if w.Code != http.StatusRequestEntityTooLarge || body.read > 4<<20 {
			t.Errorf("%s: status %d after %d bytes", name, w.Code, body.read)
		}
	}
	hugeOverConnection(t, b)
	if n := len(b.do("GET", v1+"/boards", nil, 200).list("items")); n != 0 {
		t.Errorf("%d boards were written", n)
	}
}

// hugeOverConnection sends everything before it reads, as simple clients do.
func hugeOverConnection(t *testing.T, b *bench) {
	t.Helper()
	server := httptest.NewServer(b.handler)
	t.Cleanup(server.Close)
	conn, err := net.Dial("tcp", server.Listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	const size = 20 << 20
	fmt.Fprintf(conn, "POST %s/boards HTTP/1.1\r\nHost: shop.example\r\nAuthorization: Bearer %s\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n",
		v1, b.tokens[shop.Owner], size)
	if _, err := io.Copy(conn, &zeros{n: size}); err != nil {
		t.Fatalf("the connection broke while sending: %v", err)
	}
	res, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusRequestEntityTooLarge || !res.Close {
		t.Errorf("over a connection: status %d, close %v", res.StatusCode, res.Close)
	}
}

// TestAddressesThatAreNone: the router's refusals are problems too.
func TestAddressesThatAreNone(t *testing.T) {
	t.Parallel()
	b := setup(t)
	b.refuse("GET", v1+"/nonsense", nil, 404, "")
	b.refuse("GET", "/nonsense", nil, 404, "")
	r := b.refuse("DELETE", v1+"/boards", nil, 405, "")
	if allow := r.header.Get("Allow"); !strings.Contains(allow, "GET") || !strings.Contains(allow, "POST") {
		t.Errorf("Allow: %q", allow)
	}
}
