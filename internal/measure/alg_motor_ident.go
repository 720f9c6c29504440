package measure

import (
	"fmt"
	"math"

	"nextprobe/internal/units"
)

// motorIdent compares a controller's detection run with the motor's type values.
// Flux linkage from the speed constant: KV is rpm per volt of the line-to-line
// peak, the phase peak is 1/√3 of that, and flux = phase peak / electrical speed:
// flux(mWb) = 1000·60/(√3·2π·KV·p) (derived; Texas Instruments SPRUHJ1 gives
// flux = (V/Hz)/2π, which is the same). Resistance is brought to 20 °C by
// IEC 60034-1's copper constant 234.5. The first deviation in the library's order
// is the outcome: added resistance before flux before inductance, because a bad
// joint also falsifies the other two.
var motorIdent = &algorithm{
	needs: []need{
		{id: "r_mohm", kind: kindNumber, unit: "mOhm"}, {id: "l_uh", kind: kindNumber, unit: "uH"}, {id: "flux_mwb", kind: kindNumber, unit: "mWb"},
		{id: "kv", kind: kindNumber, unit: "rpm/V"}, {id: "pole_pairs", kind: kindNumber},
		{id: "r_model", kind: kindNumber, unit: "mOhm", nullable: true}, {id: "l_model", kind: kindNumber, unit: "uH", nullable: true},
		{id: "t_wind_c", kind: kindNumber, unit: "Cel", low: -60, hi: 300}, {id: "failed", kind: kindBool},
	},
	params: map[string]float64{"r_tol_pct": 15, "l_tol_pct": 25, "flux_tol_pct": 8},
	units: map[string]units.Unit{
		"flux_expected": units.MustUnit("mWb"), "flux_dev_pct": units.MustUnit("%"), "kv_measured": units.MustUnit("rpm/V"), "kt": units.MustUnit("N.m/A"),
		"r20": units.MustUnit("mOhm"), "r_dev_pct": units.MustUnit("%"), "l_dev_pct": units.MustUnit("%"), "tau_us": units.MustUnit("us"),
	},
	outcomes: []string{"failed", "r_high", "flux_low", "flux_high", "l_low", "consistent"},
	run:      judgeMotor,
}

func judgeMotor(c *algCall) (verdict, error) {
	if c.yes("failed") {
		return verdict{outcome: "failed", text: "the detection run did not finish"}, nil
	}
	for _, id := range [...]string{"r_mohm", "l_uh", "flux_mwb", "kv", "pole_pairs"} {
		if c.must(id) <= 0 {
			return verdict{}, c.refuse(id+" is not above zero although the detection is said to have finished: read it again, or mark the run as failed", id)
		}
	}
	type dev struct {
		text string
		pct  float64
		ok   bool
	}
	rel := func(got float64, id string) dev {
		model, known := c.num(id)
		if !known || model <= 0 {
			return dev{text: "unknown"}
		}
		p := 100 * (got - model) / model
		d := dev{pct: p, ok: true}
		if !c.quiet {
			d.text = fmt.Sprintf("%+.1f %%", p)
		}
		return d
	}
	expected := 1000 * 60 / (math.Sqrt(3) * 2 * math.Pi * c.must("kv") * c.must("pole_pairs"))
	flux := 100 * (c.must("flux_mwb") - expected) / expected
	r := rel(c.must("r_mohm")*254.5/(234.5+c.must("t_wind_c")), "r_model")
	l := rel(c.must("l_uh"), "l_model")
	for _, d := range [...]struct {
		id  string
		pct float64
	}{{"kv", flux}, {"r_model", r.pct}, {"l_model", l.pct}} {
		if math.IsNaN(d.pct) || math.IsInf(d.pct, 0) {
			return verdict{}, c.refuse(d.id+" is too small for any motor: a comparison with it gives no number", d.id)
		}
	}
	rTol, lTol, fluxTol := c.params["r_tol_pct"], c.params["l_tol_pct"], c.params["flux_tol_pct"]
	v := verdict{outcome: "consistent"}
	if !c.quiet {
		v.text = fmt.Sprintf("resistance at 20 °C %s of type (limit +%g %%), flux linkage %+.1f %% of %.2f mWb (limit %g %%), inductance %s (limit -%g %%)",
			r.text, rTol, flux, expected, fluxTol, l.text, lTol)
	}
	switch {
	case r.ok && r.pct > rTol:
		v.outcome = "r_high"
	case flux < -fluxTol:
		v.outcome = "flux_low"
	case flux > fluxTol:
		v.outcome = "flux_high"
	case l.ok && l.pct < -lTol:
		v.outcome = "l_low"
	}
	return v, nil
}
