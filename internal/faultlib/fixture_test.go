package faultlib

import (
	"strings"
	"sync"
	"testing"
)

// tiny is a whole library of two causes and two findings, invented for these
// tests. %FLOOR% and %UNMODELLED% are filled in by tinyWith.
const tiny = `meta:
  version: 3
  floor: %FLOOR%
  unmodelled: {prior: %UNMODELLED%, strength: 0.2}
  board_facts:
    plug: {values: [inside, outside], default: inside, text: where the plug is}
    lid: {values: [bolted, clipped], default: bolted, text: how the lid is held}
  provenance: {E: estimate}
sources:
  handbook: {ref: "A handbook", used_for: "limits", checked: search}
codes:
  failure_mode: {open_circuit: no continuity}
  failure_mechanism: {corrosion: "2.2"}
hazard_levels:
  0: {name: none, rule: none needed}
  1: {name: low, rule: eye protection}
  2: {name: moderate, rule: gloves}
  3: {name: high, rule: second person}
  4: {name: stop, rule: stop and get help}
access_states:
  outside: {open_min: 0, close_min: 0, requires: [], reseal: false, hazard: 0, note: closed}
  plug_parted: {open_min: 4, close_min: 3, requires: [outside], reseal: false, hazard: 2, note: power off first}
  box_open: {open_min: 15, close_min: 22, requires: [plug_parted], reseal: true, hazard: 2, note: box dead}
tables:
  curve:
    - [0, 0]
    - [10, 100]
taxonomy:
  motor:
    name: Motor
    components:
      cable: {name: motor cable}
      sensor: {name: motor sensor}
symptoms:
  - {id: stutters, by: customer, group: drive, text: "Stutters", ask: "Cold?", leak: 0.01}
  - {id: smoke, by: technician, group: visual, safety_stop: true, text: "Smoke", ask: "Stop", leak: 0.001}
measurements:
  - id: loop
    title: Loop resistance
    kind: numeric
    of: cable
    access: box_open
    access_if: [{when: "plug == 'outside' and lid != 'clipped'", access: plug_parted}]
    minutes: 5
    hazard: 1
    caution: wheel still
    inputs: [{id: r, unit: ohm, note: "null if not taken"}]
    params: {limit: 10}
    compute: [{id: twice, expr: "2 * r"}]
    outcomes:
      - {id: open, when: "r > 1000", meaning: open}
      - {id: high, when: "r > limit", meaning: high}
      - {id: good, when: "true", meaning: normal}
    leak: 0.02
    examples: [{in: {r: 5}, out: good, values: {twice: 10}}, {in: {r: 2000}, out: open}]
    src: [handbook, E]
intake_gates:
  - {symptom: smoke, stop: true}
causes:
  - id: cable_open
    name: Cable open
    component: cable
    mode: open_circuit
    mechanism: corrosion
    typical_causes: [water]
    prior_per_1000: 50
    repair: Replace the cable
    parts: [cable]
    repair_minutes: [30, 60]
    hazard: 1
    verify: [{m: loop, is: good}]
  - id: sensor_dead
    name: Sensor dead
    component: sensor
    mode: open_circuit
    mechanism: corrosion
    typical_causes: [water]
    prior_per_1000: 20
    repair: Replace the sensor
    parts: [sensor]
    repair_minutes: [20, 40]
    hazard: 3
    verify: [{m: loop, is: good}]
links:
  cable_open:
    symptoms: {stutters: 0.8}
    outcomes:
      loop: {open: 0.7, high: 0.2}
  sensor_dead:
    symptoms: {stutters: 0.5, smoke: 0.1}
    outcomes:
      loop: {high: 0.4}
interlocks:
  - {action: power_up, require: [{m: loop, in: [good, high]}], why: arcs}
invalidates:
  - {event: box_opened, results: [loop]}
consequences:
  - {from: cable_open, to: sensor_dead, p: 0.25, note: look at both}
`

func tinyWith(floor, unmodelled string) string {
	return strings.NewReplacer("%FLOOR%", floor, "%UNMODELLED%", unmodelled).Replace(tiny)
}

func mustLoad(t testing.TB, text string) *Library {
	t.Helper()
	lib, issues := Load([]byte(text))
	if lib == nil {
		t.Fatalf("does not load: %v", issues)
	}
	return lib
}

// loadEmbedded loads the embedded library once for all tests; it never changes.
var loadEmbedded = sync.OnceValue(func() *Library {
	lib, _ := Load(Embedded())
	return lib
})

func embeddedLibrary(t testing.TB) *Library {
	t.Helper()
	lib := loadEmbedded()
	if lib == nil {
		t.Fatal("the embedded library does not load")
	}
	return lib
}

// placeOf returns line and column, from 1, of the nth (from 1) occurrence of a mark.
func placeOf(t *testing.T, text, mark string) (line, column int) {
	t.Helper()
	i := strings.Index(text, mark)
	if i < 0 {
		t.Fatalf("no %q in the fixture", mark)
	}
	before := text[:i]
	return strings.Count(before, "\n") + 1, i - strings.LastIndex(before, "\n")
}
