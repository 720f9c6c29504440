package web

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"nextprobe/internal/faultlib"
	"nextprobe/internal/measure"
	"nextprobe/internal/shop"
	"nextprobe/internal/units"
)

// Picture is the drawing of a result. Lengths are in drawing units; Desc says in
// words all that the drawing shows.
type Picture struct {
	Kind        string // taps, hall, decay, phases, groups, edge
	Title, Desc string
	// Caption is shown instead of Desc where the page says the rest elsewhere.
	Caption       string
	Width, Height int
	Shapes        []Shape
}

// Shape is one element. Rect: X, Y, W, H. Circle: centre X, Y and radius W. Line:
// from X, Y to W, H. Path: D. Text: at X, Y.
type Shape struct {
	El, Class  string
	X, Y, W, H float64
	D, Text    string
}

// tenth keeps coordinates short.
func tenth(x float64) float64 { return math.Round(x*10) / 10 }

func (p *Picture) add(el, class string, x, y, w, h float64) {
	p.Shapes = append(p.Shapes, Shape{El: el, Class: class, X: tenth(x), Y: tenth(y), W: tenth(w), H: tenth(h)})
}

func (p *Picture) text(class string, x, y float64, format string, args ...any) {
	p.Shapes = append(p.Shapes, Shape{El: "text", Class: class, X: tenth(x), Y: tenth(y), Text: fmt.Sprintf(format, args...)})
}

func (p *Picture) path(class, d string) {
	p.Shapes = append(p.Shapes, Shape{El: "path", Class: class, D: d})
}

// pictureOf draws what a measurement came to, nil where a picture would not help.
func pictureOf(m *faultlib.Measurement, readings map[string]any, e shop.Evaluation) *Picture {
	r := resultReader{m: m, readings: readings, e: e}
	switch m.Algorithm {
	case "alg_balance_taps":
		return tapLadder(r.values("d"), r.value("v_ref"))
	case "alg_hall_sequence":
		return hallWheel(r.numbers("states"))
	case "alg_phase_resistance":
		return phaseTriangle([3]float64{r.number("r_ab"), r.number("r_bc"), r.number("r_ca")},
			[3]float64{r.value("r_a"), r.value("r_b"), r.value("r_c")}, oddPhases(e))
	}
	if p := r.decay(); p != nil {
		return p
	}
	return r.groups()
}

// oddPhases are the phases an abnormal result names.
func oddPhases(e shop.Evaluation) string {
	if e.Normal || len(e.Detail) > 2 {
		return ""
	}
	return e.Detail
}

// resultReader finds numbers among the raw readings and the computed values; NaN
// stands for what is not there.
type resultReader struct {
	m        *faultlib.Measurement
	readings map[string]any
	e        shop.Evaluation
}

func (r resultReader) input(id string) *measure.Input {
	for i := range r.m.Inputs {
		if r.m.Inputs[i].ID == id {
			return &r.m.Inputs[i]
		}
	}
	return nil
}

// numbers reads a list as it was typed; nil when an element is no number.
func (r resultReader) numbers(id string) []float64 {
	in := r.input(id)
	list, _ := r.readings[id].([]any)
	if in == nil || len(list) == 0 {
		return nil
	}
	out := make([]float64, len(list))
	for i, v := range list {
		if out[i] = readNumber(v, in.Element); math.IsNaN(out[i]) {
			return nil
		}
	}
	return out
}

func (r resultReader) number(id string) float64 {
	in := r.input(id)
	if in == nil {
		return math.NaN()
	}
	return readNumber(r.readings[id], in.Unit)
}

func readNumber(v any, unit string) float64 {
	want := units.Unit{}
	if unit != "" {
		u, err := units.ParseUnit(unit)
		if err != nil {
			return math.NaN()
		}
		want = u
	}
	q, err := units.ParseJSON(v, want)
	switch {
	case err != nil:
		return math.NaN()
	case q.Over:
		return measure.OpenOhms
	}
	return q.Value
}

func (r resultReader) value(id string) float64 {
	for _, v := range r.e.Values {
		if x, ok := v.Value.(float64); ok && v.ID == id {
			return x
		}
	}
	return math.NaN()
}

func (r resultReader) values(id string) []float64 {
	for _, v := range r.e.Values {
		if v.ID == id {
			return floats(v.Value)
		}
	}
	return nil
}

func floats(v any) []float64 {
	switch x := v.(type) {
	case []float64:
		return x
	case []any:
		out := make([]float64, len(x))
		for i, e := range x {
			f, ok := e.(float64)
			if !ok {
				return nil
			}
			out[i] = f
		}
		return out
	}
	return nil
}

// tapBand is how far a step may lie from the usual one: 15 %, as the library's
// pattern of a sound balance harness has it.
const tapBand = 0.15

// tapLadder draws the steps between neighbouring pins of a balance plug as rungs,
// pin 0 at the top; a step that is no single group is marked.
func tapLadder(steps []float64, usual float64) *Picture {
	if len(steps) == 0 || len(steps) > 60 || math.IsNaN(usual) || usual <= 0 {
		return nil
	}
	low, high := 0.0, usual
	for _, d := range steps {
		low, high = math.Min(low, d), math.Max(high, d)
	}
	const left, right, row = 76.0, 256.0, 18.0
	at := func(v float64) float64 { return left + (v-low)/(high-low)*(right-left) }
	p := &Picture{Kind: "taps", Title: "Steps between the pins", Width: 320, Height: int(row)*len(steps) + 30}
	base := row*float64(len(steps)) + 8
	p.add("line", "limit", at(usual), 4, at(usual), base)
	var odd []string
	for i, d := range steps {
		y := 8 + row*float64(i)
		class, mark := "ok", ""
		if math.Abs(d-usual) > tapBand*usual {
			class, mark = "odd", " odd"
			odd = append(odd, fmt.Sprintf("pin %d to %d %s V", i, i+1, significant(d, 3)))
		}
		p.text("end name", 68, y+12, "%d–%d", i, i+1)
		p.add("rect", "bar-"+class, math.Min(at(0), at(d)), y+2, math.Abs(at(d)-at(0)), row-5)
		p.text("end"+mark, 318, y+12, "%s V", volts(d))
	}
	p.add("line", "axis-line", at(0), 4, at(0), base)
	p.text("mid name", math.Min(at(usual), 250), base+15, "usual step %s V", significant(usual, 3))
	p.Desc = fmt.Sprintf("%s, each usually %s V. ", plural(len(steps), "step", "steps"), significant(usual, 3))
	if len(odd) == 0 {
		p.Desc += "All are within 15 % of it."
	} else {
		p.Desc += "Marked, more than 15 % from it: " + strings.Join(odd, ", ") + "."
	}
	return p
}

func volts(d float64) string {
	return strings.Replace(strconv.FormatFloat(d, 'f', 2, 64), "-", "−", 1)
}

// wheelOrder is the order of the six sound states (as in measure's hall sequence).
var wheelOrder = [6]int{1, 3, 2, 6, 4, 5}

// hallWheel draws the six sound states as sectors and the way the readings went;
// the numbers tell when a state first came. A jump is drawn broken, the states 0 and 7, which sound sensors never make, in
// the middle.
func hallWheel(states []float64) *Picture {
	var walk []int
	for _, s := range states {
		if s < 0 || s > 7 || s != math.Trunc(s) {
			return nil
		}
		if n := int(s); len(walk) == 0 || walk[len(walk)-1] != n {
			walk = append(walk, n)
		}
	}
	if len(walk) == 0 || len(walk) > 400 {
		return nil
	}
	const cx, cy, rim = 160.0, 150.0, 140.0
	p := &Picture{Kind: "hall", Title: "Hall states in turn", Width: 320, Height: 300}
	place := map[int]int{}
	for i, s := range wheelOrder {
		place[s] = i
	}
	first := map[int]int{}
	for i, s := range walk {
		if _, seen := first[s]; !seen {
			first[s] = i + 1
		}
	}
	for i, s := range wheelOrder {
		class := "sector"
		if first[s] > 0 {
			class = "sector-on"
		}
		x1, y1 := around(cx, cy, rim, float64(i)-0.5)
		x2, y2 := around(cx, cy, rim, float64(i)+0.5)
		p.path(class, fmt.Sprintf("M%g %gL%g %gA%g %g 0 0 1 %g %gZ", cx, cy, x1, y1, rim, rim, x2, y2))
	}
	drawWalk(p, walk, place, func(s int) (float64, float64) { return statePoint(cx, cy, place, s) })
	for i, s := range wheelOrder {
		x, y := around(cx, cy, 116, float64(i))
		p.text("mid strong", x, y, "%d", s)
		p.text("mid name", x, y+14, "%03b", s)
		if first[s] > 0 {
			x, y = around(cx, cy, 78, float64(i))
			p.add("circle", "spot", x, y, 12, 0)
			p.text("mid inside", x, y+4.5, "%d", first[s])
		}
	}
	for _, s := range []int{0, 7} {
		if first[s] > 0 {
			x, y := statePoint(cx, cy, place, s)
			p.add("circle", "spot-odd", x, y, 12, 0)
			p.text("mid inside", x, y+4.5, "%d", first[s])
			p.text("odd", x+16, y+4.5, "%d · %03b", s, s)
		}
	}
	p.Desc = hallWords(walk, first)
	return p
}

// around is a point at a radius, sixths of a turn clockwise from the top.
func around(cx, cy, r, sixth float64) (x, y float64) {
	a := sixth * math.Pi / 3
	return tenth(cx + r*math.Sin(a)), tenth(cy - r*math.Cos(a))
}

func statePoint(cx, cy float64, place map[int]int, s int) (x, y float64) {
	switch s {
	case 0:
		return cx, cy - 16
	case 7:
		return cx, cy + 16
	}
	return around(cx, cy, 78, float64(place[s]))
}

// drawWalk draws each different transition once.
func drawWalk(p *Picture, walk []int, place map[int]int, at func(int) (float64, float64)) {
	drawn := map[[2]int]bool{}
	for i := 1; i < len(walk); i++ {
		a, b := walk[i-1], walk[i]
		if drawn[[2]int{a, b}] || drawn[[2]int{b, a}] {
			continue
		}
		drawn[[2]int{a, b}] = true
		x1, y1 := at(a)
		x2, y2 := at(b)
		class := "walk"
		if isJump(a, b, place) {
			class = "jump"
		}
		p.add("line", class, x1, y1, x2, y2)
	}
}

func isJump(a, b int, place map[int]int) bool {
	i, okA := place[a]
	j, okB := place[b]
	step := (j - i + 6) % 6
	return !okA || !okB || (step != 1 && step != 5)
}

func hallWords(walk []int, first map[int]int) string {
	names := make([]string, len(walk))
	for i, s := range walk {
		names[i] = strconv.Itoa(s)
	}
	if len(names) > 13 {
		names = append(names[:13:13], "…")
	}
	place := map[int]int{}
	for i, s := range wheelOrder {
		place[s] = i
	}
	var missing, jumps []string
	for _, s := range wheelOrder {
		if first[s] == 0 {
			missing = append(missing, strconv.Itoa(s))
		}
	}
	told := map[string]bool{}
	for i := 1; i < len(walk); i++ {
		j := fmt.Sprintf("%d to %d", walk[i-1], walk[i])
		if isJump(walk[i-1], walk[i], place) && !told[j] {
			told[j] = true
			jumps = append(jumps, j)
		}
	}
	out := "In the order read: " + strings.Join(names, " ") + "."
	if len(missing) > 0 {
		out += " Never reached: " + strings.Join(missing, ", ") + "."
	}
	for _, s := range []int{0, 7} {
		if first[s] > 0 {
			out += fmt.Sprintf(" State %d (%03b) occurred, which sound sensors never make.", s, s)
		}
	}
	switch {
	case len(jumps) > 4:
		out += fmt.Sprintf(" Jumps, drawn broken: %s and %d more.", strings.Join(jumps[:4], ", "), len(jumps)-4)
	case len(jumps) > 0:
		out += " Jumps, drawn broken: " + strings.Join(jumps, ", ") + "."
	default:
		out += " Every change is one step round the wheel."
	}
	return out
}
