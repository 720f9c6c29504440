package measure

import "slices"

// The sample of readings that propagates uncertainty asks one set of formulas a
// thousand times. Running the expression engine for each costs milliseconds,
// nearly all of it in boxing numbers, so a numeric measurement is also compiled to
// a flat list of instructions over columns: one instruction works on a block of
// samples at a time, subexpressions that occur twice are reckoned once, and what no
// sampled reading touches is reckoned on one row only. The engine stays the
// reference: parsing, checking and the answer for the readings as given are its
// own, and tests hold the columns to its answers bit by bit. What the columns
// cannot say (see compileSampler) is left to the engine.

// block is the number of samples in a column: a list of 24 groups then fits the
// first-level cache.
const block = 128

// column is one value over a block of samples. A list of n values holds n columns
// one after the other. A value that no sampled reading touches has one row.
type column struct {
	kind   kind
	n      int
	varies bool
	num    []float64
	bit    []bool
	text   []string
	null   []bool // empty: never null
}

func (c *column) isNull(i int) bool {
	if len(c.null) == 0 {
		return false
	}
	if c.varies {
		return c.null[i]
	}
	return c.null[0]
}

// columns are the registers of one evaluation.
type columns struct {
	rows     int
	regs     []column
	scratch  []float64
	keys     []int64
	mismatch bool // lists of different lengths met; the engine words the error
	decided  [block]bool
	flawed   []([block]bool) // per step
	hasFlaw  []bool
}

// rowsOf returns the number of rows of a register and the step from row to row.
func (c *columns) rowsOf(x *column) (rows, stride int) {
	if x.varies {
		return c.rows, 1
	}
	return 1, 0
}

// element returns the rows of element j; a single value stands for every element.
func (c *columns) element(x *column, j int) (row []float64, stride int) {
	rows, stride := c.rowsOf(x)
	if x.kind != kindList {
		j = 0
	}
	return x.num[j*rows : (j+1)*rows], stride
}

// instr is one instruction: do reads the registers args and writes dst.
type instr struct {
	do    func(c *columns, in *instr)
	args  []int
	dst   int
	kind  kind
	f     func(float64) float64
	cmp   func(a, b float64) bool
	op    byte
	table Table
}

// begin prepares the destination: its length, whether it varies, and the null mask
// that its arguments hand on.
func (c *columns) begin(in *instr, n int) *column {
	d := &c.regs[in.dst]
	d.kind, d.n, d.varies, d.null = in.kind, n, false, d.null[:0]
	nullable := false
	for _, a := range in.args {
		d.varies = d.varies || c.regs[a].varies
		nullable = nullable || len(c.regs[a].null) > 0
	}
	rows, _ := c.rowsOf(d)
	switch in.kind {
	case kindBool:
		d.bit = sized(d.bit, rows)
		return d // a truth value made here is never null; sel sees to its own mask
	case kindText:
		d.text = sized(d.text, rows)
	default:
		d.num = sized(d.num, n*rows)
	}
	if nullable {
		d.null = sized(d.null, rows)
		for i := range d.null {
			d.null[i] = slices.ContainsFunc(in.args, func(a int) bool { return c.regs[a].isNull(i) })
		}
	}
	return d
}

func sized[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n)
	}
	return s[:n]
}
