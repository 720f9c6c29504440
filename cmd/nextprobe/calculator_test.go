package main

import (
	"fmt"
	"strings"
	"testing"
)

// TestCalculatorInTheBrowser computes three results at a phone's size without a
// job: a column pasted as a spreadsheet gives it, the triangle of the phases, and
// hall states tapped lamp by lamp.
func TestCalculatorInTheBrowser(t *testing.T) {
	t.Parallel()
	w := newSite(t)
	b := newBrowser(t, w.url, 390, 844)
	signIn(b)

	b.visit("/calculator?q=balance")
	b.picture("calculator-choice", true)
	b.leave(`a[href="/calculator/balance_tap_order"]`)
	b.fill(`[name="r.n"]`, "5")
	b.do("leave the field", evalOnly(`document.activeElement.blur()`))
	b.waitFor("a field for each pin", `document.querySelectorAll(".taps input").length === 6`)
	b.fill(`[name="r.v_cell"]`, "3,7")
	// The library's own example of two leads swapped, numbered and with decimal commas.
	paste(b, `[name="r.taps.0"]`, "Pin\tVolt\n0\t0\n1\t3,7\n2\t11,1\n3\t7,4\n4\t14,8\n5\t18,5\n")
	if got := b.eval(`document.querySelector('[name="r.taps.2"]').value`); got != "11,1" {
		b.t.Errorf("pin 2 holds %q after the paste", got)
	}
	if got := b.eval(`document.querySelectorAll(".step.odd").length`); got != "3" {
		b.t.Errorf("%s odd steps are marked while typing, want the three beside the swapped pair", got)
	}
	outcomeIs(b, "balance_tap_order", "swapped_pair")
	b.see("2,3", "pin 2 to 3 −3.7 V")
	b.picture("calculator-taps", true)

	b.visit("/calculator/phase_resistance_3")
	for name, v := range map[string]string{"r_ab": "112", "r_bc": "100", "r_ca": "112", "t_wind_c": "20", "flex_change_pct": "0"} {
		b.fill(fmt.Sprintf(`[name="r.%s"]`, name), v)
	}
	outcomeIs(b, "phase_resistance_3", "one_high")
	b.see("Marked: A.")
	b.picture("calculator-phases", true)

	b.visit("/calculator/hall_sequence")
	// One turn is 1 3 2 6 4 5: each step changes one lamp.
	tap(b, `[data-bit="1"]`, "[data-hall-next]")
	for range 2 {
		for _, bit := range []string{"2", "1", "4", "2", "1", "4"} {
			tap(b, `[data-bit="`+bit+`"]`, "[data-hall-next]")
		}
	}
	if got := b.eval(`document.querySelector('[name="r.states"]').value`); got != "1 3 2 6 4 5 1 3 2 6 4 5 1" {
		b.t.Errorf("the lamps wrote %q", got)
	}
	outcomeIs(b, "hall_sequence", "valid_forward")
	b.picture("calculator-hall", true)
	b.clean()
}

func outcomeIs(b *browser, measurement, outcome string) {
	b.t.Helper()
	want := measurementOf(b, measurement).Outcome(outcome).Words()
	b.waitFor("outcome "+want, fmt.Sprintf(`document.querySelector("#result .outcome strong")?.innerText === %q && !!document.querySelector("#result figure svg")`, want))
}

func tap(b *browser, selectors ...string) {
	b.t.Helper()
	for _, s := range selectors {
		b.do("tap "+s, evalOnly(fmt.Sprintf(`document.querySelector(%q).click()`, s)))
	}
}

// paste hands the page what a clipboard would.
func paste(b *browser, selector, text string) {
	b.t.Helper()
	text = strings.NewReplacer("\t", `\t`, "\n", `\n`).Replace(text)
	b.do("paste into "+selector, evalOnly(fmt.Sprintf(`{const d = new DataTransfer(); d.setData("text", "%s");
		document.querySelector(%q).dispatchEvent(new ClipboardEvent("paste", {clipboardData: d, bubbles: true, cancelable: true}))}`, text, selector)))
}
