package measure

import "math"

// columnFunctions is functions over columns; each must give the very same answer.
var columnFunctions = map[string]instr{
	"abs": {do: doEach, f: math.Abs}, "ln": {do: doEach, f: math.Log}, "exp": {do: doEach, f: math.Exp}, "sqrt": {do: doEach, f: math.Sqrt},
	"min": {do: doExtreme, op: '<'}, "max": {do: doExtreme, op: '>'},
	"mean": {do: doSum, op: 'm'}, "sum": {do: doSum}, "median": {do: doMedian}, "len": {do: doLen},
	"argmax": {do: doArg, cmp: func(a, b float64) bool { return a > b }}, "argmin": {do: doArg, cmp: func(a, b float64) bool { return a < b }},
	"abs_dev": {do: doAbsDev},
	"count":   {do: doCount, cmp: func(a, b float64) bool { return a > b }}, "count_below": {do: doCount, cmp: func(a, b float64) bool { return a < b }},
	"sub": {do: doArith, op: '-'}, "sub2": {do: doArith, op: '-'}, "scale": {do: doArith, op: '*'}, "mul": {do: doArith, op: '*'}, "div": {do: doArith, op: '/'},
	"pow": {do: doArith, op: '^'},
}

func doEach(c *columns, in *instr) {
	x := &c.regs[in.args[0]]
	d := c.begin(in, x.n)
	for i := range d.num {
		d.num[i] = in.f(x.num[i]) // one argument: both have the same rows
	}
}

func doInterp(c *columns, in *instr) {
	x := &c.regs[in.args[0]]
	d := c.begin(in, 1)
	for i := range d.num {
		d.num[i] = in.table.Interpolate(x.num[i])
	}
}

// doArith serves the operators and the functions that go element by element.
func doArith(c *columns, in *instr) {
	a, b := &c.regs[in.args[0]], &c.regs[in.args[1]]
	n := 1
	if in.kind == kindList {
		switch {
		case a.kind != kindList:
			n = b.n
		case b.kind != kindList:
			n = a.n
		case a.n != b.n && a.n > 0 && b.n > 0:
			c.mismatch = true
			n = min(a.n, b.n)
		default:
			n = max(a.n, b.n)
		}
	}
	d := c.begin(in, n)
	rows, _ := c.rowsOf(d)
	if in.kind == kindList && (a.kind == kindList && a.n < n || b.kind == kindList && b.n < n) {
		clear(d.num) // the shorter is null as a whole, and so is the answer
		return
	}
	for j := range n {
		x, sx := c.element(a, j)
		y, sy := c.element(b, j)
		arithRows(in.op, d.num[j*rows:(j+1)*rows], x, y, sx, sy)
	}
}

func arithRows(op byte, out, x, y []float64, sx, sy int) {
	switch op {
	case '+':
		for i := range out {
			out[i] = x[i*sx] + y[i*sy]
		}
	case '-':
		for i := range out {
			out[i] = x[i*sx] - y[i*sy]
		}
	case '*':
		for i := range out {
			out[i] = x[i*sx] * y[i*sy]
		}
	case '/':
		for i := range out {
			out[i] = x[i*sx] / y[i*sy]
		}
	default:
		for i := range out {
			out[i] = math.Pow(x[i*sx], y[i*sy])
		}
	}
}

func doCompare(c *columns, in *instr) {
	a, b := &c.regs[in.args[0]], &c.regs[in.args[1]]
	d := c.begin(in, 1)
	x, sx := c.element(a, 0)
	y, sy := c.element(b, 0)
	for i := range d.bit {
		d.bit[i] = in.cmp(x[i*sx], y[i*sy]) && !a.isNull(i) && !b.isNull(i)
	}
}

// doSame compares texts or truth values.
func doSame(c *columns, in *instr) {
	a, b := &c.regs[in.args[0]], &c.regs[in.args[1]]
	d := c.begin(in, 1)
	_, sx := c.rowsOf(a)
	_, sy := c.rowsOf(b)
	for i := range d.bit {
		var same bool
		if a.kind == kindText {
			same = a.text[i*sx] == b.text[i*sy]
		} else {
			same = a.bit[i*sx] == b.bit[i*sy]
		}
		d.bit[i] = same == (in.op == '=') && !a.isNull(i) && !b.isNull(i)
	}
}

func doIsNull(c *columns, in *instr) {
	a := &c.regs[in.args[0]]
	d := c.begin(in, 1)
	for i := range d.bit {
		d.bit[i] = a.isNull(i) == (in.op == '=')
	}
}

func doNot(c *columns, in *instr) {
	a := &c.regs[in.args[0]]
	d := c.begin(in, 1)
	for i := range d.bit {
		d.bit[i] = !a.bit[i] || a.isNull(i)
	}
}

// doLogic joins two conditions; a null is false.
func doLogic(c *columns, in *instr) {
	a, b := &c.regs[in.args[0]], &c.regs[in.args[1]]
	d := c.begin(in, 1)
	_, sx := c.rowsOf(a)
	_, sy := c.rowsOf(b)
	for i := range d.bit {
		x, y := a.bit[i*sx] && !a.isNull(i), b.bit[i*sy] && !b.isNull(i)
		if in.op == '&' {
			d.bit[i] = x && y
		} else {
			d.bit[i] = x || y
		}
	}
}

func doExtreme(c *columns, in *instr) {
	d := c.begin(in, 1)
	first := true
	for _, r := range in.args {
		x := &c.regs[r]
		for j := range x.n {
			row, s := c.element(x, j)
			extremeRows(in.op, d.num, row, s, first)
			first = false
		}
	}
}

// extremeRows keeps the first of equals and lets no NaN hide, as extreme does.
func extremeRows(op byte, out, row []float64, s int, first bool) {
	switch {
	case first:
		for i := range out {
			out[i] = row[i*s]
		}
	case op == '<':
		for i := range out {
			if x := row[i*s]; x < out[i] || x != x { //nolint:gocritic // x != x is the test for NaN.
				out[i] = x
			}
		}
	default:
		for i := range out {
			if x := row[i*s]; x > out[i] || x != x { //nolint:gocritic // x != x is the test for NaN.
				out[i] = x
			}
		}
	}
}

// doSum adds in the order of the list, so that the last bit agrees.
func doSum(c *columns, in *instr) {
	x := &c.regs[in.args[0]]
	d := c.begin(in, 1)
	sumRows(c, x, d.num)
	if in.op == 'm' && x.n > 0 {
		for i := range d.num {
			d.num[i] /= float64(x.n)
		}
	}
}

func sumRows(c *columns, x *column, out []float64) {
	clear(out)
	for j := range x.n {
		row, s := c.element(x, j)
		for i := range out {
			out[i] += row[i*s]
		}
	}
}

func doMedian(c *columns, in *instr) {
	x := &c.regs[in.args[0]]
	d := c.begin(in, 1)
	rows, _ := c.rowsOf(x)
	clear(d.num)
	if x.n == 0 {
		return
	}
	c.keys = sized(c.keys, x.n*rows)
	if medianRows(d.num, x.num, x.n, c.keys) {
		return
	}
	c.scratch = sized(c.scratch, x.n)
	for i := range d.num {
		for j := range x.n {
			c.scratch[j] = x.num[j*rows+i]
		}
		d.num[i] = medianInPlace(c.scratch)
	}
}

func doLen(c *columns, in *instr) {
	x := &c.regs[in.args[0]]
	d := c.begin(in, 1)
	for i := range d.num {
		d.num[i] = float64(x.n)
	}
}

func doArg(c *columns, in *instr) {
	x := &c.regs[in.args[0]]
	d := c.begin(in, 1)
	rows, _ := c.rowsOf(x)
	for i := range d.num {
		best := 0
		for j := 1; j < x.n; j++ {
			if in.cmp(x.num[j*rows+i], x.num[best*rows+i]) {
				best = j
			}
		}
		d.num[i] = 1 + float64(best)
	}
}

func doAbsDev(c *columns, in *instr) {
	x := &c.regs[in.args[0]]
	d := c.begin(in, x.n)
	rows, _ := c.rowsOf(x)
	if x.n == 0 {
		return
	}
	c.scratch = sized(c.scratch, rows)
	sumRows(c, x, c.scratch)
	for i := range c.scratch {
		c.scratch[i] /= float64(x.n)
	}
	for j := range x.n {
		for i := range rows {
			d.num[j*rows+i] = math.Abs(x.num[j*rows+i] - c.scratch[i])
		}
	}
}

func doCount(c *columns, in *instr) {
	x, t := &c.regs[in.args[0]], &c.regs[in.args[1]]
	d := c.begin(in, 1)
	limit, st := c.element(t, 0)
	clear(d.num)
	for j := range x.n {
		row, s := c.element(x, j)
		for i := range d.num {
			if in.cmp(row[i*s], limit[i*st]) {
				d.num[i]++
			}
		}
	}
}

func doSel(c *columns, in *instr) {
	cond, a, b := &c.regs[in.args[0]], &c.regs[in.args[1]], &c.regs[in.args[2]]
	n := max(a.n, b.n)
	if a.n != b.n && a.n > 0 && b.n > 0 {
		c.mismatch = true // its length would change from sample to sample
		n = min(a.n, b.n)
	}
	d := c.begin(in, n)
	rows, _ := c.rowsOf(d)
	nullable := len(cond.null)+len(a.null)+len(b.null) > 0
	if d.null = d.null[:0]; nullable {
		d.null = sized(d.null, rows)
	}
	_, sc := c.rowsOf(cond)
	for i := range rows {
		from := b
		if cond.bit[i*sc] {
			from = a
		}
		if nullable {
			d.null[i] = cond.isNull(i) || from.isNull(i)
		}
		pick(c, d, from, i, rows)
	}
}

func pick(c *columns, d, from *column, i, rows int) {
	fr, fs := c.rowsOf(from)
	switch d.kind {
	case kindBool:
		d.bit[i] = from.bit[i*fs]
	case kindText:
		d.text[i] = from.text[i*fs]
	default:
		for j := range d.n {
			d.num[j*rows+i] = 0
			if j < from.n {
				d.num[j*rows+i] = from.num[j*fr+i*fs]
			}
		}
	}
}
