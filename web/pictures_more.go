package web

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"nextprobe/internal/measure"
)

// phaseTriangle draws a motor's three phases: what was read between them along the
// sides, the branch of each phase reckoned from that inside. Values are in
// milliohms; odd holds the letters of the phases the result names.
func phaseTriangle(between, branch [3]float64, odd string) *Picture {
	for _, x := range between {
		if math.IsNaN(x) {
			return nil
		}
	}
	p := &Picture{Kind: "phases", Title: "The three phases", Width: 320, Height: 250}
	corners := [3][2]float64{{160, 30}, {284, 214}, {36, 214}}
	const sx, sy = 160.0, 150.0
	star := true
	for _, x := range between {
		star = star && x < measure.OpenOhms/1000
	}
	for _, x := range branch {
		star = star && !math.IsNaN(x)
	}
	pairs := [3]string{"A–B", "B–C", "C–A"}
	said := make([]string, 3)
	for i := range 3 {
		a, b := corners[i], corners[(i+1)%3]
		p.add("line", "side", a[0], a[1], b[0], b[1])
		said[i] = pairs[i] + " " + milliohms(between[i])
	}
	p.text("strong", 228, 112, "%s", milliohms(between[0]))
	p.text("mid strong", 160, 234, "%s", milliohms(between[1]))
	p.text("end strong", 92, 112, "%s", milliohms(between[2]))
	var branches []string
	for i, name := range []string{"A", "B", "C"} {
		c := corners[i]
		class, text := "branch", ""
		if strings.Contains(odd, name) {
			class, text = "branch-odd", " odd"
		}
		if star || text != "" {
			p.add("line", class, c[0]+(sx-c[0])*0.16, c[1]+(sy-c[1])*0.16, sx+(c[0]-sx)*0.06, sy+(c[1]-sy)*0.06)
		}
		if star {
			branches = append(branches, name+" "+milliohms(branch[i]))
			at := [3][2]float64{{168, 98}, {206, 168}, {114, 168}}[i]
			p.text([3]string{"", "", "end"}[i]+text, at[0], at[1], "%s", milliohms(branch[i]))
		}
	}
	for i, name := range []string{"A", "B", "C"} {
		class := "spot"
		if strings.Contains(odd, name) {
			class = "spot-odd"
		}
		p.add("circle", class, corners[i][0], corners[i][1], 6, 0)
		at := [3][2]float64{{160, 18}, {300, 222}, {20, 222}}[i]
		p.text("mid strong", at[0], at[1], "%s", name)
	}
	p.Desc = "Read between the phases: " + strings.Join(said, ", ") + "."
	if star {
		p.Desc += " Branch of each phase, for a star winding: " + strings.Join(branches, ", ") + "."
	}
	if odd != "" {
		p.Desc += " Marked: " + strings.Join(strings.Split(odd, ""), " and ") + "."
	}
	return p
}

func milliohms(x float64) string {
	if x >= measure.OpenOhms/1000 {
		return "open"
	}
	return significant(x, 4) + " mΩ"
}

// decay draws a voltage or a pressure that falls between two readings, with the
// limit it is held against; nil for a measurement that is none.
func (r resultReader) decay() *Picture {
	if v0, v1, t := r.number("v0"), r.number("v1"), r.number("t1"); t > 0 && v0 > 0 && v1 >= 0 {
		limits := []mark{}
		for _, id := range []string{"v_elv", "v_work"} {
			if x, ok := r.m.Params[id]; ok {
				limits = append(limits, mark{x, significant(x, 3) + " V"})
			}
		}
		return decayCurve("Bus voltage over time", "V", "s", v0, v1, t, 0, limits)
	}
	p1, p2, t := r.number("p1_kpa"), r.number("p2_kpa"), r.number("t_s")
	if !(t > 0 && p1 > 0) || math.IsNaN(p2) {
		return nil
	}
	vol, t1, t2, air, good := r.number("vol_l"), r.number("t1_c"), r.number("t2_c"), r.number("p_atm_kpa"), r.m.Params["good_sccm"]
	var limits []mark
	if vol > 0 && good > 0 && !math.IsNaN(t1+t2+air) {
		// The library's formula of the leak rate, solved for the pressure at the end.
		n := (p1+air)/(t1+273.15) - good*t*101.325/(vol*1000*273.15*60)
		if x := n*(t2+273.15) - air; x > 0 && x < 2*p1 {
			limits = append(limits, mark{x, significant(x, 4) + " kPa, limit at the end"})
		}
	}
	low := 0.0
	if least := math.Min(p2, p1); least > 0.6*p1 { // a small fall is not seen on a scale from zero
		low = math.Floor(2*(least-0.25*math.Max(p1-least, 0.02*p1))) / 2
		for _, l := range limits {
			low = math.Min(low, math.Floor(2*l.at)/2)
		}
	}
	return decayCurve("Pressure over time", "kPa", "s", p1, p2, t, math.Max(0, low), limits)
}

// mark is a line across a drawing.
type mark struct {
	at   float64
	text string
}

// decayCurve draws the exponential through two readings, from low upwards.
func decayCurve(title, unit, per string, y0, y1, t, low float64, limits []mark) *Picture {
	const left, right, top, base = 46.0, 306.0, 16.0, 176.0
	high := math.Max(y0, y1)
	for _, l := range limits {
		if l.at < 1.4*high {
			high = math.Max(high, l.at)
		}
	}
	high += 0.06 * (high - low)
	x := func(s float64) float64 { return left + s/t*(right-left) }
	y := func(v float64) float64 { return base - (math.Max(v, low)-low)/(high-low)*(base-top) }
	p := &Picture{Kind: "decay", Title: title, Width: 320, Height: 208}
	p.add("line", "axis-line", left, base, right, base)
	p.add("line", "axis-line", left, top, left, base)
	p.text("end name", left-5, base+4, "%s", significant(low, 3))
	p.text("end name", left-5, y(y0)+4, "%s", significant(y0, 3))
	var said []string
	for _, l := range limits {
		if l.at <= low || l.at > high {
			continue
		}
		p.add("line", "limit", left, y(l.at), right, y(l.at))
		// Below the line and at its left the falling curve leaves room.
		at := y(l.at) + 13
		if at > base-2 {
			at = y(l.at) - 4
		}
		p.text("name", left+6, at, "%s", l.text)
		said = append(said, l.text)
	}
	var d strings.Builder
	for i := range 41 {
		s := t * float64(i) / 40
		v := y0 + (y1-y0)*s/t
		if y1 > 0 && y0 > 0 {
			v = y0 * math.Pow(y1/y0, s/t)
		}
		fmt.Fprintf(&d, "%c%g %g", "ML"[min(i, 1)], tenth(x(s)), tenth(y(v)))
	}
	p.path("curve", d.String())
	p.add("circle", "spot", x(0), y(y0), 5, 0)
	p.add("circle", "spot", x(t), y(y1), 5, 0)
	beside := y(y1) + 18
	if beside > base-4 {
		beside = y(y1) - 10
	}
	p.text("end strong", right, beside, "%s %s", significant(y1, 3), unit)
	p.text("mid name", left, base+18, "0")
	p.text("end name", right, base+18, "%s %s", significant(t, 3), per)
	p.Desc = fmt.Sprintf("From %s to %s %s in %s %s; the curve between the two readings is an exponential.", significant(y0, 3), significant(y1, 3), unit, significant(t, 3), per)
	if len(said) > 0 {
		p.Desc += " Lines across: " + strings.Join(said, "; ") + "."
	}
	return p
}

// groups draws one bar for each cell group: the computed list where the library
// computes one, else what was read; nil for a measurement that is not about groups.
func (r resultReader) groups() *Picture {
	for i := range r.m.Inputs {
		in := &r.m.Inputs[i]
		if !perGroup(in) {
			continue
		}
		list, title, unit := r.numbers(in.ID), in.Label, unitText(in.Element)
		for _, v := range r.e.Values {
			if l := floats(v.Value); len(l) > 2 {
				list, title, unit = l, valueLabel(v), unitText(v.Unit)
			}
		}
		odd := 0
		if !r.e.Normal {
			odd, _ = strconv.Atoi(r.e.Detail)
		}
		return groupBars(title, unit, list, odd)
	}
	return nil
}

// groupBars draws how far each group lies from the median; odd is the number of
// the group the result names, 0 for none.
func groupBars(title, unit string, list []float64, odd int) *Picture {
	if len(list) < 2 || len(list) > 60 {
		return nil
	}
	sorted := slices.Clone(list)
	slices.Sort(sorted)
	mid := sorted[len(sorted)/2]
	if len(sorted)%2 == 0 {
		mid = (sorted[len(sorted)/2-1] + mid) / 2
	}
	low, high := sorted[0], sorted[len(sorted)-1]
	const left, right, top, base = 50.0, 316.0, 18.0, 150.0
	span := math.Max(high-low, 1e-9*math.Max(1, math.Abs(mid)))
	y := func(v float64) float64 { return base - (v-low)/span*(base-top) }
	p := &Picture{Kind: "groups", Title: title + " about the median", Width: 320, Height: 190}
	pitch := (right - left) / float64(len(list))
	every := (len(list) + 23) / 24
	if len(list) > 12 {
		every = max(every, 2)
	}
	for i, v := range list {
		class, mark := "bar-ok", ""
		if i+1 == odd {
			class, mark = "bar-odd", " odd"
		}
		h := math.Max(2, math.Abs(y(v)-y(mid)))
		p.add("rect", class, left+pitch*(float64(i)+0.15), math.Min(y(v), y(mid))-map[bool]float64{true: 1}[h == 2], pitch*0.7, h)
		if i%every == 0 || i+1 == odd {
			p.text("mid name"+mark, left+pitch*(float64(i)+0.5), base+24, "%d", i+1)
		}
	}
	p.add("line", "axis-line", left, y(mid), right, y(mid))
	p.text("end name", left-5, y(mid)+4, "%s", significant(mid, 4))
	if y(mid)-top > 14 {
		p.text("end name", left-5, top+4, "%s", significant(high, 4))
	}
	if base-y(mid) > 14 {
		p.text("end name", left-5, base+4, "%s", significant(low, 4))
	}
	p.Desc = strings.TrimSpace(fmt.Sprintf("%d groups about the median of %s %s; lowest %s in group %d, highest %s in group %d.", len(list), significant(mid, 4), unit,
		significant(low, 4), slices.Index(list, low)+1, significant(high, 4), slices.Index(list, high)+1))
	if odd > 0 {
		p.Desc += fmt.Sprintf(" Marked: group %d.", odd)
	}
	return p
}
