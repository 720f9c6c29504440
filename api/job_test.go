package api_test

import (
	"context"
	"math"
	"slices"
	"strings"
	"testing"

	"nextprobe/internal/faultlib"
)

// patient answers measurements as a board with one cause would, most likely
// outcome first: what the library's links say of the cause, normal otherwise.
type patient struct {
	lib   *faultlib.Library
	cause string
}

func (p patient) outcome(measurement string) string {
	m := p.lib.Measurement(measurement)
	best, rest := "", 1.0
	bestP := 0.0
	for _, l := range p.lib.Links {
		if l.Cause != p.cause {
			continue
		}
		for _, o := range m.Outcomes {
			if pr := l.Outcomes[measurement][o.ID]; pr > 0 {
				rest -= pr
				if pr > bestP {
					best, bestP = o.ID, pr
				}
			}
		}
	}
	if rest >= bestP {
		best = m.Outcomes[len(m.Outcomes)-1].ID
	}
	return best
}

// TestMainJob follows a board from the counter to its return by what the
// service itself proposes and demands, and then sees it come back.
func TestMainJob(t *testing.T) {
	t.Parallel()
	b := setup(t)
	lib, _, err := b.svc.Library(context.Background(), b.owner)
	if err != nil {
		t.Fatal(err)
	}
	sick := patient{lib: lib, cause: "interbox_corroded"}
	board := b.board("INV-0042")
	plug := b.do("POST", v1+"/boards/"+board+"/connectors", obj{
		"place": "between the boxes", "component": "interbox_connector", "family": "bullet 5.5 mm", "poles": 2,
		"polarity": "as_marked", "pin_map": obj{"1": "red, pack plus"}, "sealing": "gasket", "fitted_at": "2026-01-05T10:00:00Z",
	}, 201).text("id")
	stock := b.part("P-100", 3)

	intake := b.do("POST", v1+"/jobs", obj{
		"board_id": board, "complaint": "cuts out uphill after rain", "odometer_km": 830, "exposures": []string{"rain"},
		"symptoms": []string{"green_corrosion", "sudden_cutoff"}, "absent_symptoms": []string{"smell_burnt"}, "condition": "dirty",
	}, 201)
	job := v1 + "/jobs/" + intake.text("id")
	if intake.text("state") != "received" || intake.number("number") != 1 || intake.find("comeback_of") != nil || intake.find("warranty_of") != nil {
		t.Errorf("intake answered %s", intake.raw)
	}
	b.do("POST", job+"/state", obj{"to": "diagnosing"}, 200)

	diagnose(t, b, job, sick)
	fault := b.do("POST", job+"/faults", obj{"cause": sick.cause, "connector_id": plug, "note": "green all over"}, 201)
	if p := fault.number("probability"); p < 0.5 {
		t.Errorf("the confirmed cause had the probability %v", p)
	}
	if got := b.do("GET", v1+"/boards/"+board, nil, 200); got.text("open_job.id") != intake.text("id") || len(got.list("connectors")) != 1 {
		t.Errorf("board answered %s", got.raw)
	}
	b.do("POST", job+"/state", obj{"to": "repairing"}, 200)
	b.do("POST", job+"/repairs", obj{
		"fault_id": fault.text("id"), "action": "connector pair replaced", "minutes": 45, "note": "dried both boxes",
		"parts": []obj{{"part_id": stock, "quantity": 2, "lot": "L1"}},
	}, 201)
	if got := b.do("GET", v1+"/parts/"+stock, nil, 200).number("stock"); got != 1 {
		t.Errorf("stock after the repair is %v, want 1", got)
	}
	b.do("POST", job+"/state", obj{"to": "verifying"}, 200)
	b.refuse("POST", job+"/state", obj{"to": "ready"}, 409, "")
	close(t, b, job)
	b.do("POST", job+"/state", obj{"to": "ready"}, 200)
	done := b.do("POST", job+"/state", obj{"to": "returned"}, 200)
	if done.text("state") != "returned" || done.find("closed_at") == nil || done.find("ready_at") == nil {
		t.Errorf("returned job: %s", done.raw)
	}
	checkFile(t, b.do("GET", job, nil, 200))
	comeback(t, b, board, intake.text("id"), sick.cause)
}

// diagnose measures what is advised until the cause is to be repaired.
func diagnose(t *testing.T, b *bench, job string, sick patient) {
	t.Helper()
	for range 25 {
		d := b.do("GET", job+"/diagnosis", nil, 200)
		sum := 0.0
		for _, e := range d.list("explanations") {
			sum += e.(map[string]any)["probability"].(float64)
		}
		if covered := d.number("covered"); covered < 0 || covered > 1+1e-9 || sum > 1+1e-9 {
			t.Errorf("explanations cover %v and sum to %v", covered, sum)
		}
		switch kind := d.text("advice.kind"); kind {
		case "measure":
			m := d.text("advice.measurement")
			if d.text("next.0.measurement") != m {
				t.Fatalf("advice is %s, next begins with %s", m, d.text("next.0.measurement"))
			}
			if h := d.number("next.0.hazard.level"); h > 0 && len(d.list("next.0.cautions")) == 0 {
				t.Errorf("%s has hazard %v and no caution", m, h)
			}
			if m == "pack_heat_triage" { // one by raw readings, written three ways
				got := b.do("POST", job+"/observations", obj{"measurement": m, "readings": obj{"t_box_c": "24 C", "t_amb_c": 21, "t_box10_c": obj{"value": 24, "unit": "Cel"}}}, 201)
				if got.text("outcome") != "normal" || got.number("values.rise.value") != 3 || got.text("values.rise.unit") != "K" {
					t.Errorf("triage answered %s", got.raw)
				}
				continue
			}
			b.do("POST", job+"/observations", obj{"measurement": m, "outcome": sick.outcome(m)}, 201)
		case "repair":
			if got := d.text("advice.cause"); got != sick.cause {
				t.Fatalf("advice is to repair %s, the board has %s", got, sick.cause)
			}
			if d.text("causes.0.id") != sick.cause || len(d.list("causes.0.evidence")) == 0 {
				t.Errorf("causes begin with %v", d.find("causes.0"))
			}
			return
		default:
			t.Fatalf("advice %s: %s", kind, d.text("advice.text"))
		}
	}
	t.Fatal("no repair was advised within 25 measurements")
}

// close does what still bars ready, in the order in which it is asked for.
func close(t *testing.T, b *bench, job string) {
	t.Helper()
	for range 60 {
		req := b.do("GET", job+"/requirements", nil, 200)
		items := req.list("items")
		if ready := req.find("ready").(bool); ready != (len(items) == 0) {
			t.Fatalf("ready is %v with %d items", ready, len(items))
		}
		if len(items) == 0 {
			if len(req.list("met")) == 0 {
				t.Error("nothing was ever required")
			}
			return
		}
		// A measurement may need an opening again: openings are closed last.
		at := max(0, slices.IndexFunc(items, func(i any) bool { return i.(map[string]any)["kind"] != "opening" }))
		item := items[at].(map[string]any)
		switch item["kind"] {
		case "verification", "recheck":
			got := b.do("POST", job+"/verifications", obj{"verification": item["measurement"], "outcome": item["outcomes"].([]any)[0]}, 201)
			if got.find("passed") != true {
				t.Fatalf("%v did not pass: %s", item["measurement"], got.raw)
			}
		case "opening":
			b.do("POST", job+"/access", obj{"opening": item["opening"], "state": "closed"}, 200)
		default:
			t.Fatalf("unexpected requirement %v", item)
		}
	}
	t.Fatal("the requirements never ended")
}

func checkFile(t *testing.T, file *reply) {
	t.Helper()
	var path []string
	for _, s := range file.list("states") {
		path = append(path, s.(map[string]any)["to"].(string))
	}
	if want := []string{"received", "diagnosing", "repairing", "verifying", "ready", "returned"}; !slices.Equal(path, want) {
		t.Errorf("states %v, want %v", path, want)
	}
	if file.find("states.0.from") != nil || file.text("board.serial") != "INV-0042" || file.number("faults.0.repairs.0.parts.0.quantity") != 2 ||
		len(file.list("verifications")) == 0 || len(file.list("access")) == 0 || file.header.Get("ETag") == "" {
		t.Errorf("file %s", file.raw)
	}
	fromRain := slices.ContainsFunc(file.list("observations"), func(o any) bool {
		m := o.(map[string]any)
		return m["symptom"] == "water_history" && m["from_exposure"] == true && m["present"] == true
	})
	if !fromRain {
		t.Error("rain did not set water_history")
	}
}

// comeback takes the board in again with the same failure.
func comeback(t *testing.T, b *bench, board, earlier, cause string) {
	t.Helper()
	again := b.do("POST", v1+"/jobs", obj{"board_id": board, "complaint": "cuts out again", "odometer_km": 871}, 201)
	if again.find("warranty_of") != earlier {
		t.Errorf("warranty_of is %v, want %s", again.find("warranty_of"), earlier)
	}
	job := v1 + "/jobs/" + again.text("id")
	b.do("POST", job+"/state", obj{"to": "diagnosing"}, 200)
	fault := b.do("POST", job+"/faults", obj{"cause": cause}, 201).text("id")
	if got := b.do("GET", job, nil, 200).find("comeback_of"); got != earlier {
		t.Errorf("comeback_of is %v, want %s", got, earlier)
	}
	waived := b.do("POST", job+"/faults/"+fault+"/waive", obj{"reason": "the owner takes it elsewhere"}, 200)
	if waived.find("waive_reason") != "the owner takes it elsewhere" || waived.find("waived_at") == nil {
		t.Errorf("waived: %s", waived.raw)
	}
	history := b.do("GET", v1+"/boards/"+board+"/history", nil, 200)
	if len(history.list("items")) != 2 || history.find("items.1.faults.0.cause") != cause {
		t.Errorf("history %s", history.raw)
	}
	log := b.do("GET", job+"/log?limit=2", nil, 200)
	if len(log.list("items")) != 2 || log.find("next") == nil {
		t.Errorf("log %s", log.raw)
	}
	b.do("GET", job+"/log?limit=2&cursor="+log.text("next"), nil, 200)
	r := b.do("GET", v1+"/recurrence?group=cause", nil, 200)
	if r.find("items.0.key") != cause || r.number("items.0.failures") < 1 {
		t.Errorf("recurrence %s", r.raw)
	}
	if r.find("items.0.trend.direction") != "unknown" || !strings.Contains(r.text("items.0.sentence"), "too few to say") || r.text("trend_note") == "" {
		t.Errorf("trend of one failure %s", r.raw)
	}
	detail := b.do("GET", v1+"/recurrence/cause/"+cause+"?exposure=distance", nil, 200)
	if len(detail.list("events")) == 0 || detail.find("row.key") != cause {
		t.Errorf("recurrence detail %s", detail.raw)
	}
	if detail.find("life.age_unit") != "km" || detail.find("life.trend.direction") == nil || detail.find("row.rank") == nil {
		t.Errorf("life of the detail %s", detail.raw)
	}
	detail = b.do("GET", v1+"/recurrence/cause/"+cause+"?until=contact", nil, 200)
	if detail.find("life.age_unit") != "d" || len(detail.list("life.repairs")) == 0 {
		t.Errorf("lives after repair %s", detail.raw)
	}
	b.narrowedRecurrence(cause, r.number("total"))
	b.refuse("GET", v1+"/recurrence/cause/"+cause+"?against=none", nil, 400, "against")
	b.refuse("GET", v1+"/recurrence/cause/"+cause+"?until=ever", nil, 400, "until")
}

// TestEvaluateAgainstStandards checks the bench computation as the service
// answers it against published definitions, computed here by hand.
func TestEvaluateAgainstStandards(t *testing.T) {
	t.Parallel()
	b := setup(t)
	r := b.do("POST", v1+"/measurements/phase_resistance_3/evaluate", obj{"readings": obj{
		"r_ab": "0R101", "r_bc": obj{"value": 0.1, "unit": "Ohm"}, "r_ca": 112, "t_wind_c": 45, "r_model_20": nil, "flex_change_pct": 0.2,
	}}, 200)
	quantity := func(name string) float64 {
		if v, ok := r.find("values." + name).(float64); ok {
			return v
		}
		return r.number("values." + name + ".value")
	}
	// NEMA MG 1, definition of unbalance: 100 times the largest deviation from
	// the average over the average; (101 + 100 + 112)/3 = 104.3333, 112 is 7.6667 off.
	if got, want := quantity("unbalance_pct"), 100*(112-313.0/3)/(313.0/3); math.Abs(got-want) > 1e-6 {
		t.Errorf("unbalance %v %%, want %v", got, want)
	}
	// IEC 60034-1, correction of a copper winding's resistance with k = 235, here
	// 234.5 as in IEEE 112 (from memory): R20 = R (k + 20)/(k + t).
	if got, want := quantity("r_avg_20"), 313.0/3*(234.5+20)/(234.5+45); math.Abs(got-want) > 1e-6 {
		t.Errorf("average at 20 C %v, want %v", got, want)
	}
	sum := 0.0
	for _, p := range r.find("likelihood").(map[string]any) {
		sum += p.(float64)
	}
	if math.Abs(sum-1) > 1e-9 {
		t.Errorf("likelihood sums to %v", sum)
	}
}
