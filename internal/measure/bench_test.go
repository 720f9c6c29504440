package measure

import (
	"fmt"
	"syscall"
	"testing"
)

// heavy are the measurements that cost most, one of each way to an outcome, with
// as many readings as a large pack gives.
func heavy() map[string]map[string]any {
	taps, groups, loaded := []any{}, []any{}, []any{}
	for i := range 25 {
		taps = append(taps, 3.7*float64(i))
	}
	for i := range 24 {
		groups = append(groups, 3.70+0.001*float64(i%7))
		loaded = append(loaded, 3.60+0.001*float64(i%5))
	}
	return map[string]map[string]any{
		"balance_tap_order":     {"taps": taps, "n": 24.0, "v_cell": 3.7},
		"cell_group_delta":      {"v": groups},
		"group_resistance_step": {"v_rest": groups, "v_load": loaded, "i_a": 10.0},
		"phase_resistance_3":    phases(104.0, 100.0, 100.0),
		"pack_voltage_soc":      {"v_pack": 60.0, "series": 20.0, "v_reported": 60.5},
		"bridge_diode_test":     {"up": []any{0.45, 0.46, 0.45}, "low": []any{0.44, 0.45, 0.45}, "up_rev": []any{9.0, 9.0, 9.0}, "low_rev": []any{9.0, 9.0, 9.0}},
		"motor_ident":           {"r_mohm": 52.0, "l_uh": 101.0, "flux_mwb": 30.2, "kv": 12.2, "pole_pairs": 15.0, "r_model": 50.0, "l_model": 100.0, "t_wind_c": 22.0, "failed": false},
		"contact_drop":          {"dv_mv": 15.0, "i_a": 15.0, "i_max_a": 40.0, "t_amb_c": 22.0, "r_limit_mohm": 0.5, "rth_kpw": 20.0},
		"box_leak_decay":        {"p1_kpa": 10.0, "p2_kpa": 9.9, "t_s": 120.0, "vol_l": 1.5, "t1_c": 21.0, "t2_c": 21.0, "p_atm_kpa": 101.3},
	}
}

// BenchmarkEvaluate times the heaviest measurements on one core, without accuracy
// and with 1 % on every reading, that is with 1024 samples.
func BenchmarkEvaluate(b *testing.B) {
	all := heavy()
	for _, id := range sortedNames(all) {
		for _, pct := range []float64{0, 1} {
			b.Run(fmt.Sprintf("%s/%v%%", id, pct), func(b *testing.B) {
				m := setup(b, id)
				r, _, err := m.Parse(all[id], everyAccuracy(m, pct))
				if err != nil {
					b.Fatal(err)
				}
				if r.HasAccuracy() != (pct > 0) {
					b.Fatal("the readings carry no accuracy")
				}
				b.ReportAllocs()
				before := processorTime(b)
				for b.Loop() {
					if _, err := m.Evaluate(r); err != nil {
						b.Fatal(err)
					}
				}
				// On a machine that others use too, only the processor's time says anything.
				b.ReportMetric(float64(processorTime(b)-before)/float64(b.N), "cpu-ns/op")
			})
		}
	}
}

func processorTime(b *testing.B) int64 {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return u.Utime.Nano() + u.Stime.Nano()
}
