package main

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/shop"
)

// TestMainJobInTheBrowser takes a board from the counter to its owner at a
// phone's size: intake, the gate and three measurements, the fault, its repair,
// everything the closing gate asks for, and the recurrence page afterwards.
func TestMainJobInTheBrowser(t *testing.T) {
	t.Parallel()
	w := newSite(t)
	b := newBrowser(t, w.url, 390, 844)
	signIn(b)
	intake(b)
	job := strings.TrimPrefix(b.eval("location.pathname"), "/jobs/")

	moveTo(b, shop.Diagnosing)
	b.see("Battery-box heat triage")
	b.picture("gate", false)
	takeReadings(b, job, "pack_heat_triage", "normal")
	takeReadings(b, job, "phase_connector_visual", "heat_marks")
	takeReadings(b, job, "phase_resistance_3", "one_high")
	takeReadings(b, job, "wheel_hand_spin", "normal")
	b.picture("bench-after-three", true)

	confirmFault(b, "phase_pin_burned")
	moveTo(b, shop.Repairing)
	repair(b)
	moveTo(b, shop.Verifying)
	proveRepair(b)
	moveTo(b, shop.Ready)
	b.picture("ready", true)
	moveTo(b, shop.Returned)
	b.see("returned")

	b.visit("/recurrence?group=connector_family")
	b.see("Larch-60", "1 failure")
	b.picture("recurrence", true)
	b.clean()

	file, err := w.svc.JobByNumber(context.Background(), w.owner, 1)
	if err != nil {
		t.Fatal(err)
	}
	got, err := w.svc.Job(context.Background(), w.owner, file)
	if err != nil {
		t.Fatal(err)
	}
	if got.Job.State != shop.Returned || len(got.Faults) != 1 || len(got.Repairs) != 1 || len(got.Repairs[0].Parts) != 1 {
		t.Errorf("the records say state %s, %d faults, %d repairs", got.Job.State, len(got.Faults), len(got.Repairs))
	}
	if p, err := w.svc.Part(context.Background(), w.owner, w.part.ID); err != nil || p.Stock != 4 {
		t.Errorf("stock %d, %v; want 4 after one was used", p.Stock, err)
	}
}

func signIn(b *browser) {
	b.t.Helper()
	b.visit("/")
	b.fill(`input[name="login"]`, testLogin)
	b.fill(`input[name="password"]`, "wrong password")
	b.leave(`main button.primary`)
	b.see("sign")
	if got := b.eval(`document.querySelector('input[name="login"]').value`); got != testLogin {
		b.t.Errorf("after a wrong password the name field holds %q", got)
	}
	b.fill(`input[name="password"]`, testPassword)
	b.picture("sign-in", false)
	b.leave(`main button.primary`)
	b.picture("jobs", false)
}

// intake ends on the bench page of the new job.
func intake(b *browser) {
	b.t.Helper()
	b.visit("/intake")
	b.fill("#board-q", "1740")
	b.waitFor("find the board", `document.querySelectorAll("#found .pick a").length === 1`)
	b.picture("intake-search", false)
	b.leave("#found .pick a")
	b.fill(`textarea[name="complaint"]`, "Went dead in the rain, lights come on, it stutters and does not lift.")
	b.fill(`input[name="odometer_km"]`, "a few hundred")
	b.tick("main", "exposures", "rain")
	for _, s := range []string{"stutter_at_start", "soot_at_pin"} {
		name := b.eval(fmt.Sprintf(`document.querySelector("#sym-%s input").name`, s))
		b.unfold("#sym-" + s)
		b.tick("#sym-"+s, name, "present")
	}
	b.leave("main form.stack button.primary")
	b.see("odometer")
	if got := b.eval(`document.querySelector("textarea[name=complaint]").value`); !strings.HasPrefix(got, "Went dead") {
		b.t.Errorf("after a mistake the complaint holds %q: what was typed is lost", got)
	}
	b.picture("intake-mistake", true)
	b.fill(`input[name="odometer_km"]`, "512,5")
	b.leave("main form.stack button.primary")
	b.picture("tag", false)
	b.leave(`a.button[href^="/jobs/"]`)
}

func moveTo(b *browser, to shop.State) {
	b.t.Helper()
	b.leave(fmt.Sprintf(`#state button[name="to"][value=%q]`, to))
	b.see(strings.ReplaceAll(string(to), "_", " "))
}

// takeReadings opens a measurement's card and enters what its worked example
// enters, so that the outcome is known from the library.
func takeReadings(b *browser, job, measurement, outcome string) {
	b.t.Helper()
	b.visit("/jobs/" + job + "?m=" + measurement)
	m := measurementOf(b, measurement)
	said := m.Outcome(outcome).Words()
	if m.Kind == measure.Inspection {
		b.leave(fmt.Sprintf(`#observe-form button[name="outcome"][value=%q]`, outcome))
	} else {
		enter(b, "#observe-form", measurement, outcome)
		b.waitFor("live result", fmt.Sprintf(`document.querySelector("#result .outcome strong")?.innerText === %q`, said))
		b.picture("live-"+measurement, false)
		b.leave("#observe-form button.primary")
	}
	b.see(said)
}

func measurementOf(b *browser, id string) *faultlib.Measurement {
	b.t.Helper()
	lib, issues := faultlib.Load(faultlib.Embedded())
	if lib == nil {
		b.t.Fatal(issues)
	}
	return lib.Measurement(id)
}

// enter fills the form's reading fields.
func enter(b *browser, form, measurement, outcome string) {
	b.t.Helper()
	m := measurementOf(b, measurement)
	for _, ex := range m.Examples {
		if ex.Out != outcome {
			continue
		}
		for _, in := range m.Inputs {
			enterOne(b, form, in, ex.In[in.ID])
		}
		return
	}
	b.t.Fatalf("%s has no example of %s", measurement, outcome)
}

func enterOne(b *browser, form string, in measure.Input, v any) {
	b.t.Helper()
	name := "r." + in.ID
	switch {
	case v == nil:
	case in.Unit == "bool":
		b.tick(form, name, map[any]string{true: "yes", false: "no"}[v])
	case len(in.Choice) > 0:
		b.tick(form, name, fmt.Sprint(v))
	default:
		if list, ok := v.([]any); ok {
			for i, x := range list {
				b.fill(fmt.Sprintf(`%s [name="%s.%d"]`, form, name, i), fmt.Sprint(x))
			}
			return
		}
		b.fill(fmt.Sprintf(`%s [name=%q]`, form, name), fmt.Sprint(v))
	}
}

func confirmFault(b *browser, cause string) {
	b.t.Helper()
	form := fmt.Sprintf(`form[action$="/faults"]:has(input[value=%q])`, cause)
	b.unfold(form)
	b.do("choose the connector", evalOnly(fmt.Sprintf(`{const s = document.querySelector(%q).querySelector("select[name=connector_id]"); s.value = [...s.options].find(o => o.value).value}`, form)))
	b.picture("cause-unfolded", false)
	b.leave(form + " button")
	b.see("Phase contact overheated")
}

func repair(b *browser) {
	b.t.Helper()
	b.fill(`form[action$="/repairs"] textarea[name="action"]`, "Cut back to bright copper, new contacts on both sides, crimped and sleeved")
	b.fill(`form[action$="/repairs"] input[name="minutes"]`, "55")
	b.do("choose the part", evalOnly(`{const s = document.querySelector('form[action$="/repairs"] .part-line select'); s.value = [...s.options].find(o => o.value).value}`))
	quantity := b.eval(`document.querySelector('form[action$="/repairs"] .part-line input').name`)
	b.fill(fmt.Sprintf(`form[action$="/repairs"] input[name=%q]`, quantity), "1")
	b.picture("repair", true)
	b.leave(`form[action$="/repairs"] button.primary`)
	b.see("Repaired:", "55 min")
}

// proveRepair meets what bars "ready", the first thing that can be met each time:
// what needs an open box before that box is closed, tests of the closed box after.
func proveRepair(b *browser) {
	b.t.Helper()
	b.leave(`#state button[name="to"][value="ready"]`)
	b.see("bar")
	b.picture("barred", true)
	for range 25 {
		if b.eval(`document.querySelectorAll("#closing li.req:not(.met)").length`) == "0" {
			return
		}
		next := b.eval(`(() => {
			const reqs = [...document.querySelectorAll("#closing li.req:not(.met)")];
			const inside = reqs.find(r => r.querySelector('input[name="measurement"]') && !r.querySelector('input[value="box_leak_decay"]'));
			const closing = reqs.find(r => r.querySelector('form[action$="/access"] input[value="closed"]'));
			const leak = reqs.find(r => r.querySelector('input[value="box_leak_decay"]'));
			const r = inside || closing || leak;
			r.id = "now";
			r.querySelectorAll("details").forEach(d => d.open = true);
			return r.querySelector('input[name="measurement"]')?.value || "";
		})()`)
		if next == "" {
			b.leave(`#now form[action$="/access"] button`)
			continue
		}
		verify(b, next)
	}
	b.t.Fatalf("still barred: %s", b.eval(`document.querySelector("#closing").innerText`))
}

func verify(b *browser, measurement string) {
	b.t.Helper()
	m := measurementOf(b, measurement)
	form := `#now form[action$="/verifications"]`
	if m.Kind == measure.Inspection {
		b.leave(form + " button.fine")
		return
	}
	enter(b, form, measurement, m.Outcomes[len(m.Outcomes)-1].ID)
	b.leave(form + " button.primary")
	b.see("taken")
}
