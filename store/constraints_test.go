package store_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
	"nextprobe/store"
)

// filled is a bench with at least one row in every table.
func filled(t *testing.T) (b *bench, job shop.Job) {
	t.Helper()
	b = setup(t)
	s, shopID := b.store, b.shop.ID
	b.ok(s.AddUser(b.ctx, shopID, shop.User{ID: newID(), Login: "kim", Name: "Kim", Role: shop.Owner, PasswordHash: "x", CreatedAt: t0}, b.audit("user.add", newID())))
	b.ok(s.AddToken(b.ctx, shopID, shop.Token{ID: newID(), Name: "scanner", Role: shop.Counter, CreatedAt: t0}, make([]byte, 32), b.audit("token.add", newID())))
	b.ok(s.Sessions().Commit("tok", []byte("data"), days(1e4)))
	owned := b.board
	owned.Owner = &shop.Customer{ID: newID(), Name: "Lee Invented", Contact: "bell 4"}
	owned.OdometerKM = ptr(100.0)
	var err error
	b.board, err = s.UpdateBoard(b.ctx, shopID, owned, b.audit("board.edit", owned.ID))
	b.ok(err)
	con := shop.Connector{ID: newID(), BoardID: b.board.ID, Place: "left motor", Polarity: "as_marked", FittedAt: days(-200)}
	b.ok(s.AddConnector(b.ctx, shopID, con, b.audit("connector.add", con.ID)))
	_, err = s.Move(b.ctx, shopID, shop.Movement{PartID: b.part.ID, Quantity: 10, Reason: "received", At: t0}, b.audit("part.move", b.part.ID))
	b.ok(err)
	meter := shop.Instrument{ID: newID(), Name: "Meter 1", Ranges: []shop.InstrumentRange{{Unit: "V", High: 6, Resolution: 0.001, PlusMinusPct: 0.5, Counts: 2}}}
	b.ok(s.AddInstrument(b.ctx, shopID, meter, b.audit("instrument.create", meter.ID)))
	first := b.openJob(b.board.ID, days(-50), nil)
	b.move(&first, shop.Returned, days(-49))
	n := b.newJob(b.board.ID, t0, nil)
	n.Observations = []shop.Observation{{ID: newID(), Kind: shop.ObservedSymptom, Symptom: "cuts_out", Present: true, At: t0}}
	job, err = s.AddJob(b.ctx, shopID, n)
	b.ok(err)
	b.change(&job, t0, func(c *shop.JobChange) {
		c.Add = []shop.Observation{{ID: newID(), Kind: shop.ObservedMeasurement, Measurement: "pack_voltage", Result: &shop.Result{Outcome: "normal"}}}
		c.Access = []shop.AccessEvent{{ID: newID(), Opening: "battery_box", State: shop.Open}}
		c.Verify = &shop.Verification{ID: newID(), Measurement: "pack_voltage", Result: shop.Result{Outcome: "normal"}, Passed: true}
		c.Snapshot = &shop.Snapshot{ID: newID(), Trigger: "fault", LibraryID: b.library.ID, Body: []byte(`{"a":1}`)}
	})
	f := b.confirm(&job, "motor_connector", t0, nil)
	b.change(&job, t0, func(c *shop.JobChange) {
		r := shop.Repair{ID: newID(), FaultID: f.ID, Action: "replace_connector", Parts: []shop.RepairPart{{PartID: b.part.ID, Quantity: 1}}}
		c.Repair = &r
		c.Installed = []shop.InstalledPart{{ID: newID(), PartID: &b.part.ID, Component: "motor_connector", Lot: "L1", RepairID: &r.ID}}
	})
	_, err = s.Pool().Exec(b.ctx, `insert into attachments (shop_id, id, job_id, name, media_type, sha256, content, at)
values ($1, $2, $3, 'photo', 'image/jpeg', encode(sha256('x'), 'hex'), 'x', $4)`, shopID, newID(), job.ID, t0)
	b.ok(err)
	_, err = s.Claim(b.ctx, shopID, "key-1", []byte("h"), t0)
	b.ok(err)
	b.ok(s.ChangeAlerts(b.ctx, shopID, shop.AlertChange{At: t0, Raise: []shop.RecurrenceAlert{raised(shop.ByLot, "L1", 2)}}))
	b.ok(s.Import(b.ctx, shopID, shop.ImportPlan{At: t0, By: "Kim", References: []shop.ImportReference{{Kind: "boards", Reference: "B-1", ID: b.board.ID}}}, b.audit("shop.import", shopID)))
	b.ok(s.ChangeLearning(b.ctx, shopID, shop.LearningChange{
		Lesson:   &shop.JobLesson{JobID: first.ID, Verdict: shop.Taught, On: days(-49), At: t0},
		Decision: &shop.LearningDecision{Subject: "gasket_set", Accepted: true, Jobs: 7, Reason: "as we see it", At: t0, By: "Kim"},
		State:    &shop.LearnedState{LibraryID: b.library.ID, Jobs: 1, AsOf: days(-49), At: t0},
	}))
	return b, job
}

// breach breaks one constraint: a row of the table is copied with set's values
// and a fresh id, or sql is run.
type breach struct{ constraint, table, set, sql string }

const (
	strange = `"00000000-0000-4000-8000-000000000001"` // an id that nothing has
	gone    = `"state":"returned","closed_at":"2027-01-01T00:00:00Z","number":99`
)

var breaches = []breach{
	{"shops_slug_unique", "shops", `{}`, ""},
	{"shops_slug_form", "shops", `{"slug":"Not A Slug"}`, ""},
	{"shops_name_present", "shops", `{"name":" "}`, ""},
	{"shops_currency_form", "shops", `{"currency":"euro"}`, ""},
	{"shops_labour_not_negative", "shops", `{"labour_minor":-1}`, ""},
	{"shops_warranty_not_negative", "shops", `{"warranty_days":-1}`, ""},
	{"shop_counters_shop", "shop_counters", `{"shop_id":` + strange + `}`, ""},
	{"shop_counters_not_negative", "", "", `update shop_counters set last_job = -1`},
	{"users_shop", "users", `{"shop_id":` + strange + `}`, ""},
	{"users_login_unique", "users", `{"login":" KIM "}`, ""},
	{"users_login_present", "users", `{"login":" "}`, ""},
	{"users_role_known", "users", `{"role":"boss"}`, ""},
	{"users_password_present", "users", `{"password_hash":""}`, ""},
	{"api_tokens_shop", "api_tokens", `{"shop_id":` + strange + `}`, ""},
	{"api_tokens_hash_unique", "api_tokens", `{"name":"other"}`, ""},
	{"api_tokens_name_unique", "api_tokens", `{"name":"Scanner","hash":"\\x` + strings.Repeat("ab", 32) + `"}`, ""},
	{"api_tokens_name_present", "api_tokens", `{"name":""}`, ""},
	{"api_tokens_role_known", "api_tokens", `{"role":""}`, ""},
	{"api_tokens_hash_is_sha256", "api_tokens", `{"hash":"\\xab"}`, ""},
	{"customers_shop", "customers", `{"shop_id":` + strange + `}`, ""},
	{"customers_name_present", "customers", `{"name":""}`, ""},

	{"library_versions_shop", "library_versions", `{"shop_id":` + strange + `}`, ""},
	{"library_versions_number_unique", "library_versions", `{"is_current":false}`, ""},
	{"library_versions_content_unique", "library_versions", `{"is_current":false,"number":9}`, ""},
	{"library_versions_one_current", "library_versions", `{"number":9,"content":"x","sha256":"2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881"}`, ""},
	{"library_versions_number_positive", "library_versions", `{"number":0}`, ""},
	{"library_versions_edition_not_negative", "library_versions", `{"edition":-1}`, ""},
	{"library_versions_content_matches", "library_versions", `{"content":"y"}`, ""},
	{"library_versions_immutable", "", "", `update library_versions set note = 'changed'`},
	{"library_versions_immutable", "", "", `delete from library_versions`},

	{"boards_shop", "boards", `{"shop_id":` + strange + `,"owner_id":null}`, ""},
	{"boards_owner", "boards", `{"serial":"x","owner_id":` + strange + `}`, ""},
	{"boards_serial_unique", "boards", `{"serial":" np-0001"}`, ""},
	{"boards_series_cells_positive", "boards", `{"series_cells":0}`, ""},
	{"boards_parallel_cells_positive", "boards", `{"parallel_cells":-2}`, ""},
	{"boards_chemistry_known", "boards", `{"chemistry":"lead"}`, ""},
	{"boards_odometer_not_negative", "boards", `{"odometer_km":-0.1}`, ""},
	{"boards_odometer_not_negative", "boards", `{"odometer_km":"NaN"}`, ""},
	{"boards_odometer_has_time", "boards", `{"odometer_at":null}`, ""},
	{"boards_facts_object", "boards", `{"facts":[]}`, ""},
	{"boards_version_positive", "boards", `{"version":0}`, ""},
	{"connectors_of_board", "", "", ""}, // Same columns as the primary key and one more: that fires first.
	{"connectors_board", "connectors", `{"board_id":` + strange + `}`, ""},
	{"connectors_place_present", "connectors", `{"place":""}`, ""},
	{"connectors_poles_positive", "connectors", `{"poles":0}`, ""},
	{"connectors_polarity_known", "connectors", `{"polarity":"fine"}`, ""},
	{"connectors_pin_map_object", "connectors", `{"pin_map":"1 red"}`, ""},
	{"connectors_removed_after_fitted", "connectors", `{"removed_at":"2001-01-01T00:00:00Z"}`, ""},
	{"connectors_version_positive", "connectors", `{"version":0}`, ""},

	{"parts_shop", "parts", `{"shop_id":` + strange + `,"stock":0,"entries":0}`, ""},
	{"parts_number_unique", "parts", `{"number":"mc-3 ","stock":0,"entries":0}`, ""},
	{"parts_number_present", "parts", `{"number":"","stock":0,"entries":0}`, ""},
	{"parts_name_present", "parts", `{"name":"","stock":0,"entries":0}`, ""},
	{"parts_currency_form", "parts", `{"currency":"","stock":0,"entries":0}`, ""},
	{"parts_cost_not_negative", "parts", `{"unit_cost_minor":-1,"stock":0,"entries":0}`, ""},
	{"parts_min_stock_not_negative", "parts", `{"min_stock":-1,"stock":0,"entries":0}`, ""},
	{"parts_version_positive", "parts", `{"version":0,"stock":0,"entries":0}`, ""},
	{"parts_stock_is_ledger", "parts", `{"number":"x","stock":5,"entries":0}`, ""},
	{"parts_stock_is_ledger", "", "", `update parts set stock = stock + 1`},
	{"stock_movements_entry_unique", "", "", ""}, // The trigger numbers entries; a second one cannot be made.
	{"stock_movements_part", "stock_movements", `{"part_id":` + strange + `}`, ""},
	{"stock_movements_repair", "stock_movements", `{"quantity":1,"reason":"returned","repair_id":` + strange + `}`, ""},
	{"stock_movements_quantity_not_zero", "stock_movements", `{"quantity":0,"reason":"counted"}`, ""},
	{"stock_movements_reason_known", "stock_movements", `{"quantity":1,"reason":"lost"}`, ""},
	{"stock_movements_sign", "stock_movements", `{"quantity":-1,"reason":"received"}`, ""},
	{"stock_movements_sign", "stock_movements", `{"quantity":1,"reason":"used"}`, ""},
	{"stock_movements_cost_not_negative", "stock_movements", `{"quantity":1,"reason":"received","unit_cost_minor":-1}`, ""},
	{"stock_not_negative", "stock_movements", `{"quantity":-100,"reason":"used"}`, ""},
	{"stock_movements_immutable", "", "", `update stock_movements set note = 'changed'`},
	{"stock_movements_immutable", "", "", `delete from stock_movements`},

	{"jobs_number_unique", "", "", `update jobs set number = 1 where number = 2`},
	{"jobs_of_board", "", "", ""}, // Same columns as the primary key and one more: that fires first.
	{"jobs_board", "jobs", `{"board_id":` + strange + `,` + gone + `}`, ""},
	{"jobs_library", "jobs", `{"library_id":` + strange + `,` + gone + `}`, ""},
	{"jobs_warranty_same_board", "jobs", `{"warranty_of":` + strange + `,` + gone + `}`, ""},
	{"jobs_comeback_same_board", "jobs", `{"comeback_of":` + strange + `,` + gone + `}`, ""},
	{"jobs_number_positive", "jobs", `{"number":0}`, ""},
	{"jobs_state_known", "jobs", `{"state":"lost","closed_at":null}`, ""},
	{"jobs_state_in_history", "jobs", `{` + gone + `}`, ""},
	{"jobs_state_in_history", "", "", `update jobs set state = 'diagnosing' where state = 'received'`},
	{"jobs_odometer_not_negative", "jobs", `{"odometer_km":-1}`, ""},
	{"jobs_warranty_not_itself", "", "", `update jobs set warranty_of = id`},
	{"jobs_comeback_not_itself", "", "", `update jobs set comeback_of = id`},
	{"jobs_closed_when_gone", "", "", `update jobs set closed_at = null where state = 'returned'`},
	{"jobs_closed_when_gone", "", "", `update jobs set closed_at = opened_at where state = 'received'`},
	{"jobs_times_in_order", "", "", `update jobs set ready_at = opened_at - interval '1 hour'`},
	{"jobs_one_open_per_board", "jobs", `{"state":"declined","closed_at":null,"number":99}`, ""},
	{"jobs_version_positive", "", "", `update jobs set version = 0`},
	{"job_states_step_state", "", "", ""}, // Same columns as the primary key and one more: that fires first.
	{"job_states_job", "", "", state(strange, `2`, `'received'`, `'ready'`)},
	{"job_states_chain", "", "", state("", `2`, `'ready'`, `'returned'`)},
	{"job_states_chain", "", "", state("", `3`, `'received'`, `'returned'`)},
	{"job_states_step_positive", "", "", state("", `-1`, `'received'`, `'ready'`)},
	{"job_states_first_has_no_origin", "", "", state("", `2`, `null`, `'ready'`)},
	{"job_states_moves", "", "", state("", `2`, `'received'`, `'received'`)},
	{"job_states_state_known", "", "", state("", `2`, `'received'`, `'lost'`)},
	{"job_states_immutable", "", "", `update job_states set reason = 'changed'`},
	{"job_states_immutable", "", "", `delete from job_states`},

	{"observations_job", "observations", `{"job_id":` + strange + `}`, ""},
	{"observations_superseded_in_job", "observations", `{"symptom":"x","superseded_by":` + strange + `}`, ""},
	{"observations_one_finding", "observations", `{"measurement":"pack_voltage"}`, ""},
	{"observations_result_fits", "observations", `{"result":{}}`, ""},
	{"observations_result_fits", "", "", `update observations set result = null where kind = 'measurement'`},
	{"observations_symptom_available", "observations", `{"unavailable":true}`, ""},
	{"observations_result_object", "", "", `update observations set result = '[]' where kind = 'measurement'`},
	{"observations_retraction_has_who", "observations", `{"retracted_at":"2026-01-01T00:00:00Z"}`, ""},
	{"observations_retraction_has_who", "observations", `{"retracted_by":"Kim"}`, ""},
	{"observations_invalidation_has_event", "observations", `{"invalidated_at":"2026-01-01T00:00:00Z"}`, ""},
	{"observations_superseded_by_another", "observations", `{"id":` + strange + `,"superseded_by":` + strange + `}`, ""},
	{"observations_active_once", "observations", `{"present":false}`, ""},
	{"observations_reason_known", "", "", `update observations set unavailable = true, result = null, unavailable_reason = 'tired' where kind = 'measurement'`},
	{"observations_reason_if_unavailable", "", "", `update observations set unavailable_reason = 'no_access' where kind = 'measurement'`},
	{"observations_other_reason_has_note", "", "", `update observations set unavailable = true, result = null, unavailable_reason = 'other', note = ' ' where kind = 'measurement'`},
	{"observations_note_has_use", "", "", `update observations set note = 'by the way' where kind = 'symptom'`},
	{"observations_one_finding", "", "", `update observations set cause = 'motor_connector' where kind = 'symptom'`},
	{"observations_one_finding", "observations", `{"kind":"cause","symptom":"","cause":"motor_connector","present":true}`, ""},
	{"access_events_job", "access_events", `{"job_id":` + strange + `}`, ""},
	{"access_events_opening_present", "access_events", `{"opening":""}`, ""},
	{"access_events_state_known", "access_events", `{"state":"ajar"}`, ""},

	{"installed_parts_of_board", "", "", ""}, // Same columns as the primary key and one more: that fires first.
	{"installed_parts_board", "installed_parts", `{"board_id":` + strange + `}`, ""},
	{"installed_parts_part", "installed_parts", `{"part_id":` + strange + `}`, ""},
	{"installed_parts_repair", "installed_parts", `{"repair_id":` + strange + `}`, ""},
	{"installed_parts_name_present", "installed_parts", `{"part_name":""}`, ""},
	{"installed_parts_removed_after_installed", "installed_parts", `{"removed_at":"2001-01-01T00:00:00Z"}`, ""},
	{"installed_parts_km_not_negative", "installed_parts", `{"installed_km":-1}`, ""},
	{"installed_parts_removed_km_has_time", "installed_parts", `{"removed_km":5}`, ""},
	{"installed_parts_serial_once", "", "", `
insert into installed_parts (shop_id, id, board_id, part_id, part_name, serial, installed_at)
select shop_id, gen_random_uuid(), board_id, part_id, part_name, s, installed_at from installed_parts, unnest('{K7," k7"}'::text[]) s`},
	{"instruments_shop", "instruments", `{"shop_id":` + strange + `}`, ""},
	{"instruments_name_unique", "instruments", `{"name":" meter 1"}`, ""},
	{"instruments_name_present", "instruments", `{"name":" "}`, ""},
	{"instruments_version_positive", "instruments", `{"name":"x","version":0}`, ""},
	{"instrument_ranges_instrument", "instrument_ranges", `{"instrument_id":` + strange + `}`, ""},
	{"instrument_ranges_line_positive", "instrument_ranges", `{"line":0}`, ""},
	{"instrument_ranges_unit_present", "instrument_ranges", `{"line":2,"unit":" "}`, ""},
	{"instrument_ranges_in_order", "instrument_ranges", `{"line":2,"low":7}`, ""},
	{"instrument_ranges_in_order", "instrument_ranges", `{"line":2,"high":"NaN"}`, ""},
	{"instrument_ranges_resolution_fits", "instrument_ranges", `{"line":2,"resolution":0}`, ""},
	{"instrument_ranges_pct_range", "instrument_ranges", `{"line":2,"plus_minus_pct":"NaN"}`, ""},
	{"instrument_ranges_counts_range", "instrument_ranges", `{"line":2,"counts":-1}`, ""},
	{"observations_instrument", "", "", `update observations set instrument_id = ` + "'00000000-0000-4000-8000-000000000001'" + ` where result is not null`},
	{"observations_instrument_measures", "", "", `update observations set instrument_id = (select id from instruments) where result is null`},
	{"verifications_instrument", "verifications", `{"instrument_id":` + strange + `}`, ""},

	{"faults_cause_once", "faults", `{}`, ""},
	{"faults_job", "faults", `{"job_id":` + strange + `}`, ""},
	{"faults_connector_of_board", "faults", `{"connector_id":` + strange + `}`, ""},
	{"faults_part_of_board", "faults", `{"installed_part_id":` + strange + `}`, ""},
	{"faults_cause_present", "faults", `{"cause":""}`, ""},
	{"faults_probability_range", "faults", `{"probability":1.01}`, ""},
	{"faults_probability_range", "faults", `{"probability":"NaN"}`, ""},
	{"faults_advised_another", "", "", `update faults set advised = cause`},
	{"faults_disagreement_known", "", "", `update faults set disagreement = 'whim'`},
	{"faults_waiver_has_reason", "faults", `{"waived_at":"2026-01-01T00:00:00Z","waived_by":"Kim"}`, ""},
	{"faults_waiver_has_who", "faults", `{"waived_at":"2026-01-01T00:00:00Z","waive_reason":"asked to"}`, ""},
	{"repairs_id_unique", "", "", ""}, // A subset of the primary key's columns; see TestRepairIDIsUniqueInTheShop.
	{"repairs_fault_of_job", "repairs", `{"fault_id":` + strange + `}`, ""},
	{"repairs_action_present", "repairs", `{"action":""}`, ""},
	{"repairs_minutes_not_negative", "repairs", `{"minutes":-1}`, ""},
	{"repair_parts_repair", "repair_parts", `{"repair_id":` + strange + `}`, ""},
	{"repair_parts_part", "repair_parts", `{"line":2,"part_id":` + strange + `}`, ""},
	{"repair_parts_line_positive", "repair_parts", `{"line":0}`, ""},
	{"repair_parts_quantity_positive", "repair_parts", `{"quantity":0}`, ""},
	{"verifications_job", "verifications", `{"job_id":` + strange + `}`, ""},
	{"verifications_measurement_present", "verifications", `{"measurement":""}`, ""},
	{"verifications_result_object", "verifications", `{"result":[]}`, ""},
	{"verifications_invalidation_has_event", "verifications", `{"invalidated_by":"box opened"}`, ""},
	{"diagnosis_snapshots_job", "diagnosis_snapshots", `{"job_id":` + strange + `}`, ""},
	{"diagnosis_snapshots_library", "diagnosis_snapshots", `{"library_id":` + strange + `}`, ""},
	{"diagnosis_snapshots_cause_known", "diagnosis_snapshots", `{"cause":"whim"}`, ""},
	{"diagnosis_snapshots_body_object", "diagnosis_snapshots", `{"body":[]}`, ""},
	{"diagnosis_snapshots_immutable", "", "", `update diagnosis_snapshots set by_name = 'other'`},
	{"diagnosis_snapshots_immutable", "", "", `delete from diagnosis_snapshots`},

	{"learned_states_of_library", "", "", ""}, // Holds more columns than the primary key; it is there as a target.
	{"learned_states_library", "learned_states", `{"number":2,"library_id":` + strange + `}`, ""},
	{"learned_states_number_positive", "learned_states", `{"number":0}`, ""},
	{"learned_states_jobs_not_negative", "learned_states", `{"jobs":-1}`, ""},
	{"learned_states_body_object", "learned_states", `{"body":[]}`, ""},
	{"learned_states_immutable", "", "", `update learned_states set jobs = 9`},
	{"learned_states_immutable", "", "", `delete from learned_states`},
	{"jobs_learned", "", "", `update jobs set learned_number = 9`},
	{"lessons_job", "lessons", `{"job_id":` + strange + `}`, ""},
	{"lessons_later_job", "", "", `
insert into lessons (shop_id, job_id, verdict, later_job, learned_on, body, forecasts, at)
select j.shop_id, j.id, 'comeback', gen_random_uuid(), j.opened_at, '{}', '{}', j.opened_at from jobs j where j.state <> 'returned'`},
	{"lessons_verdict_known", "lessons", `{"verdict":"liked"}`, ""},
	{"lessons_comeback_names_job", "lessons", `{"verdict":"comeback"}`, ""},
	{"lessons_after_hand_back", "lessons", `{"at":"2001-01-01T00:00:00Z"}`, ""},
	{"lessons_body_object", "lessons", `{"body":[]}`, ""},
	{"lessons_forecasts_object", "lessons", `{"forecasts":[]}`, ""},
	{"lessons_immutable", "", "", `update lessons set verdict = 'waived'`},
	{"lessons_immutable", "", "", `delete from lessons`},
	{"learning_decisions_shop", "learning_decisions", `{"shop_id":` + strange + `}`, ""},
	{"learning_decisions_subject_present", "learning_decisions", `{"subject":""}`, ""},
	{"learning_decisions_reason_present", "learning_decisions", `{"reason":" "}`, ""},
	{"learning_decisions_jobs_not_negative", "learning_decisions", `{"jobs":-1}`, ""},
	{"learning_decisions_who", "learning_decisions", `{"by_name":""}`, ""},
	{"learning_decisions_body_object", "learning_decisions", `{"body":[]}`, ""},
	{"learning_decisions_immutable", "", "", `update learning_decisions set accepted = false`},
	{"learning_decisions_immutable", "", "", `delete from learning_decisions`},
	{"learning_totals_shop", "learning_totals", `{"shop_id":` + strange + `}`, ""},
	{"learning_totals_body_object", "learning_totals", `{"body":[]}`, ""},
	{"recurrence_contributions_aligned", "", "", `insert into recurrence_contributions select shop_id, id, '2026-01-01', '{1}', '{k,l}', '{""}', '{1}', '{0}', '{1}' from boards`},
	{"recurrence_sums_level_known", "", "", insertSums(4)},
	{"learning_totals_version_positive", "learning_totals", `{"version":0}`, ""},

	{"recurrence_alerts_shop", "recurrence_alerts", `{"shop_id":` + strange + `}`, ""},
	{"recurrence_alerts_one_open", "recurrence_alerts", `{}`, ""},
	{"recurrence_alerts_group_known", "recurrence_alerts", `{"grp":"cause"}`, ""},
	{"recurrence_alerts_key_present", "recurrence_alerts", `{"key":""}`, ""},
	{"recurrence_alerts_times_in_order", "recurrence_alerts", `{"cleared_at":"2001-01-01T00:00:00Z"}`, ""},
	{"recurrence_alerts_figures_objects", "recurrence_alerts", `{"figures":[]}`, ""},
	{"recurrence_alerts_set_aside_has_who", "recurrence_alerts", `{"set_aside_by":"Kim"}`, ""},
	{"recurrence_alerts_set_aside_has_reason", "recurrence_alerts", `{"set_aside_reason":"known"}`, ""},
	{"recurrence_alert_checks_shop", "recurrence_alert_checks", `{"shop_id":` + strange + `}`, ""},

	{"imported_records_shop", "imported_records", `{"shop_id":` + strange + `}`, ""},
	{"imported_records_kind_known", "imported_records", `{"kind":"owners","reference":"B-2"}`, ""},
	{"imported_records_reference_present", "imported_records", `{"reference":" "}`, ""},
	{"attachments_board", "attachments", `{"job_id":null,"board_id":` + strange + `}`, ""},
	{"attachments_job", "attachments", `{"job_id":` + strange + `}`, ""},
	{"attachments_one_subject", "attachments", `{"job_id":null}`, ""},
	{"attachments_name_present", "attachments", `{"name":""}`, ""},
	{"attachments_media_type_form", "attachments", `{"media_type":"photo"}`, ""},
	{"attachments_content_matches", "attachments", `{"content":"y"}`, ""},
	{"audit_events_shop", "audit_events", `{"shop_id":` + strange + `}`, ""},
	{"audit_events_action_present", "audit_events", `{"action":""}`, ""},
	{"audit_events_detail_object", "audit_events", `{"detail":[]}`, ""},
	{"audit_events_immutable", "", "", `update audit_events set by_name = 'other'`},
	{"audit_events_immutable", "", "", `delete from audit_events`},
	{"idempotency_keys_shop", "idempotency_keys", `{"shop_id":` + strange + `}`, ""},
	{"idempotency_keys_key_form", "idempotency_keys", `{"key":""}`, ""},
	{"idempotency_keys_hash_present", "idempotency_keys", `{"request_hash":""}`, ""},
	{"idempotency_keys_status_range", "idempotency_keys", `{"status":99,"header":{},"body":""}`, ""},
	{"idempotency_keys_answer_whole", "idempotency_keys", `{"status":200}`, ""},
}

// state makes an entry after the first of a job's history; the table has a
// generated column and cannot be copied whole.
func state(job, step, from, to string) string {
	id := `job_id`
	if job != "" {
		id = "'" + strings.Trim(job, `"`) + "'::uuid"
	}
	return `insert into job_states (shop_id, job_id, step, id, from_state, to_state, at)
select shop_id, ` + id + `, ` + step + `, gen_random_uuid(), ` + from + `, ` + to + `, at from job_states s
 where to_state = 'received' and not exists (select from job_states n where n.job_id = s.job_id and n.step > 1)`
}

// run breaks the constraint in a transaction that is rolled back.
func (br breach) run(t *testing.T, b *bench) error {
	t.Helper()
	tx, err := b.store.Pool().Begin(b.ctx)
	b.ok(err)
	defer func() { _ = tx.Rollback(b.ctx) }()
	if br.sql != "" {
		_, err = tx.Exec(b.ctx, br.sql)
	} else {
		_, err = tx.Exec(b.ctx, `insert into `+br.table+` select (jsonb_populate_record(x, $1)).* from `+br.table+` x limit 1`,
			withID(t, b, br))
	}
	if err == nil {
		_, err = tx.Exec(b.ctx, `set constraints all immediate`)
	}
	return err
}

// withID adds a fresh id where the table has one and set does not give it.
func withID(t *testing.T, b *bench, br breach) string {
	t.Helper()
	values := map[string]any{}
	b.ok(json.Unmarshal([]byte(br.set), &values))
	var has bool
	b.ok(b.store.Pool().QueryRow(b.ctx, `select exists (select from pg_attribute where attrelid = $1::text::regclass and attname = 'id')`,
		br.table).Scan(&has))
	if _, given := values["id"]; has && !given && !strings.HasSuffix(br.constraint, "_pkey") {
		values["id"] = uuid.NewString()
	}
	out, err := json.Marshal(values)
	b.ok(err)
	return string(out)
}

// insertSums adds a row of sums of a level for each shop.
func insertSums(level int) string {
	return fmt.Sprintf(`insert into recurrence_sums select id, 1, %d, date '2026-01-01', 'k', '', 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0 from shops`, level)
}

func TestEveryConstraintIsEnforcedAndMapped(t *testing.T) {
	t.Parallel()
	b, _ := filled(t)
	list := slices.Clone(breaches)
	rows, err := b.store.Pool().Query(b.ctx, `
select c.relname from pg_class c where c.relkind = 'r' and c.relnamespace = 'public'::regnamespace and c.relname <> 'schema_migrations'`)
	b.ok(err)
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	b.ok(err)
	for _, table := range tables {
		br := breach{table + "_pkey", table, `{}`, ""}
		switch table {
		case "job_states":
			br.sql = `insert into job_states (shop_id, job_id, step, id, to_state, at) select shop_id, job_id, 1, id, to_state, at from job_states`
		case "parts":
			br.set = `{"stock":0,"entries":0}`
		case "stock_movements":
			br.set = `{"quantity":1,"reason":"received"}`
		case "recurrence_contributions":
			br.sql = `insert into recurrence_contributions select shop_id, id, '2026-01-01', '{1}', '{k}', '{""}', '{1}', '{0}', '{1}' from boards, generate_series(1, 2)`
		case "recurrence_sums":
			br.sql = insertSums(1) + ` union all ` + strings.TrimPrefix(insertSums(1), "insert into recurrence_sums ")
		case "recurrence_progress":
			br.sql = `insert into recurrence_progress select id, now() from shops, generate_series(1, 2)`
		}
		list = append(list, br)
	}
	tested := map[string]bool{}
	for _, br := range list {
		tested[br.constraint] = true
		if br.table == "" && br.sql == "" {
			continue
		}
		t.Run(br.constraint, func(t *testing.T) {
			err := br.run(t, b)
			var pg *pgconn.PgError
			if !errors.As(err, &pg) || pg.ConstraintName != br.constraint {
				t.Fatalf("got %v (%+v), want a violation of %s", err, pg, br.constraint)
			}
			code, field := store.ConstraintRule(br.constraint)
			refused(t, store.MapError(err), code, field)
			if !errors.As(store.MapError(err), &pg) {
				t.Error("the cause is lost for the log")
			}
		})
	}
	for _, name := range store.ConstraintNames() {
		if !tested[name] {
			t.Errorf("no breach tests %s", name)
		}
	}
}

func TestRepairIDIsUniqueInTheShop(t *testing.T) {
	t.Parallel()
	b, _ := filled(t)
	_, err := b.store.Pool().Exec(b.ctx, `
insert into repairs (shop_id, job_id, id, fault_id, action, minutes, at)
select shop_id, (select id from jobs where number = 1), id, fault_id, action, minutes, at from repairs`)
	refused(t, store.MapError(err), problem.Conflict, "id")
}

func TestErrorMapping(t *testing.T) {
	t.Parallel()
	plain := errors.New("disk on fire")
	tests := []struct {
		name string
		err  error
		code problem.Code // "" means no problem but the error itself
	}{
		{"no rows", pgx.ErrNoRows, problem.NotFound},
		{"serialization failure", &pgconn.PgError{Code: "40001"}, problem.Conflict},
		{"deadlock", &pgconn.PgError{Code: "40P01"}, problem.Conflict},
		{"NUL in a text", &pgconn.PgError{Code: "22021"}, problem.Invalid},
		{"number out of range", &pgconn.PgError{Code: "22003"}, problem.Invalid},
		{"bad text form", &pgconn.PgError{Code: "22P02"}, problem.Invalid},
		{"shutdown", &pgconn.PgError{Code: "57P01"}, problem.Unavailable},
		{"too many connections", &pgconn.PgError{Code: "53300"}, problem.Unavailable},
		{"unknown constraint", &pgconn.PgError{Code: "23514", ConstraintName: "nobody_knows"}, ""},
		{"column without value", &pgconn.PgError{Code: "23502"}, ""},
		{"syntax error", &pgconn.PgError{Code: "42601"}, ""},
		{"something else", plain, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got := store.MapError(tt.err)
			if !errors.Is(got, tt.err) {
				t.Errorf("%v lost its cause", got)
			}
			if tt.code != "" {
				refused(t, got, tt.code, "")
			} else if problem.As(got) != nil {
				t.Errorf("got a problem shown to the caller: %v", got)
			}
		})
	}
	if store.MapError(nil) != nil {
		t.Error("nil became an error")
	}
}
