package measure

import (
	"math"
	"sync"
)

// The sample's points are the same for every evaluation, so each coordinate is
// reckoned once and kept.
var (
	haltonColumns [MaxList]struct {
		once sync.Once
		at   [samples]float64
	}
	haltonBases = sync.OnceValue(func() []int { return primes(MaxList) })
)

// haltonColumn returns coordinate k of every point of the sample.
func haltonColumn(k int) *[samples]float64 {
	h := &haltonColumns[k]
	h.once.Do(func() {
		base := haltonBases()[k]
		for i := range h.at {
			h.at[i] = halton(i, base)
		}
	})
	return &h.at
}

// at is the value of the reading in point i of the sample.
func (d *dimension) at(points *[samples]float64, i int) float64 {
	x := d.mid + d.width*(2*points[i]-1)
	if d.second > 0 {
		x = d.mid + trapezoid(points[i], d.width, d.second)
	}
	if d.constrained {
		x = min(max(x, d.low), d.high)
	}
	return x
}

// columnPool keeps the registers between evaluations, whatever the measurement.
var columnPool = sync.Pool{New: func() any { return &columns{} }}

// shares counts how many points of the sample fall in each outcome. ok is false
// where the engine has to be asked instead.
func (s *sampler) shares(r Readings, dims []dimension) (counts []int, total int, ok bool) {
	c := columnPool.Get().(*columns)
	defer columnPool.Put(c)
	c.bind(s, r)
	counts = make([]int, len(s.when))
	for start := 0; start < samples; start += block {
		c.draw(s, dims, start)
		total += c.judge(s, counts)
		if c.mismatch {
			return nil, 0, false
		}
	}
	return counts, total, true
}

// bind sets the registers that stay the same for every block.
func (c *columns) bind(s *sampler, r Readings) {
	c.rows, c.mismatch = block, false
	c.regs = sized(c.regs, s.regs)
	c.flawed, c.hasFlaw = sized(c.flawed, len(s.steps)), sized(c.hasFlaw, len(s.steps))
	for _, k := range s.consts {
		c.regs[k.reg].set(&k.value)
	}
	one := [1]float64{}
	for _, p := range s.params {
		one[0] = r.params[p.id]
		c.regs[p.reg].set(&column{kind: kindNumber, n: 1, num: one[:]})
	}
	for _, in := range s.inputs {
		c.regs[in.reg].fill(s.kinds[in.reg], r.values[in.id])
	}
}

// set copies a value of one row into a register that keeps its memory.
func (c *column) set(v *column) {
	c.kind, c.n, c.varies = v.kind, v.n, false
	c.num, c.bit, c.text, c.null = append(c.num[:0], v.num...), append(c.bit[:0], v.bit...), append(c.text[:0], v.text...), append(c.null[:0], v.null...)
}

func (c *column) fill(k kind, v any) {
	c.kind, c.n, c.varies, c.null = k, 1, false, c.null[:0]
	c.num, c.bit, c.text = append(c.num[:0], 0), append(c.bit[:0], false), append(c.text[:0], "")
	switch x := v.(type) {
	case float64:
		c.num[0] = x
	case bool:
		c.bit[0] = x
	case string:
		c.text[0] = x
	case []float64:
		c.n, c.num = len(x), append(c.num[:0], x...)
	case nil:
		c.n, c.null = lengthOf(k), append(c.null, true)
	}
}

// draw puts a block of points into the registers of the uncertain readings.
func (c *columns) draw(s *sampler, dims []dimension, start int) {
	for k := 0; k < len(dims); {
		last := k + 1
		for last < len(dims) && dims[last].id == dims[k].id {
			last++
		}
		if reg, used := s.inputReg(dims[k].id); used {
			c.drawInput(&c.regs[reg], dims[k:last], k, start)
		}
		k = last
	}
}

func (s *sampler) inputReg(id string) (int, bool) {
	for _, in := range s.inputs {
		if in.id == id {
			return in.reg, true
		}
	}
	return 0, false
}

func (c *columns) drawInput(x *column, dims []dimension, first, start int) {
	if !x.varies { // every element gets its rows once
		old := make([]float64, x.n)
		copy(old, x.num)
		x.varies, x.num = true, sized(x.num, x.n*c.rows)
		for j, v := range old {
			for i := range c.rows {
				x.num[j*c.rows+i] = v
			}
		}
	}
	for k := range dims {
		d := &dims[k]
		points, row := haltonColumn(first+k), x.num[max(d.element, 0)*c.rows:]
		for i := range c.rows {
			row[i] = d.at(points, start+i)
		}
	}
}

// judge runs the block through formulas and conditions and returns how many of
// its points have an outcome. A point whose deciding value cannot be computed
// counts for none, as in run.verdict.
func (c *columns) judge(s *sampler, counts []int) (total int) {
	next := 0
	for i := range s.steps {
		next = c.execute(s.code, next, s.steps[i].end)
		c.noteFlaws(s, i)
	}
	clear(c.decided[:])
	open := c.rows
	for i := range s.when {
		if open == 0 {
			break
		}
		w := &s.when[i]
		for _, n := range w.names {
			if c.hasFlaw[n] {
				open -= c.drop(&c.flawed[n])
			}
		}
		next = c.execute(s.code, next, w.end)
		hits := c.take(&c.regs[w.reg])
		counts[i] += hits
		total += hits
		open -= hits
	}
	return total
}

func (c *columns) execute(code []instr, from, to int) int {
	for ; from < to; from++ {
		code[from].do(c, &code[from])
	}
	return from
}

func (c *columns) drop(flawed *[block]bool) (n int) {
	for i := range c.rows {
		if flawed[i] && !c.decided[i] {
			c.decided[i] = true
			n++
		}
	}
	return n
}

func (c *columns) take(hit *column) (n int) {
	_, s := c.rowsOf(hit)
	for i := range c.rows {
		if !c.decided[i] && hit.bit[i*s] && !hit.isNull(i) {
			c.decided[i] = true
			n++
		}
	}
	return n
}

// noteFlaws is run.note over a block.
func (c *columns) noteFlaws(s *sampler, step int) {
	st := &s.steps[step]
	v := &c.regs[st.reg]
	c.hasFlaw[step] = false
	if (v.kind != kindNumber && v.kind != kindList) || allFinite(v.num) {
		return
	}
	rows, stride := c.rowsOf(v)
	for i := range c.rows {
		bad, nan := false, false
		for j := range v.n {
			x := v.num[j*rows+i*stride]
			bad = bad || math.IsNaN(x) || math.IsInf(x, 0)
			nan = nan || math.IsNaN(x)
		}
		flaw := bad && !v.isNull(i) && (nan || c.zeroDivisor(st, i) || c.flawedName(st, i))
		c.flawed[step][i] = flaw
		c.hasFlaw[step] = c.hasFlaw[step] || flaw
	}
}

func allFinite(x []float64) bool {
	for _, f := range x {
		if f-f != 0 { // infinities and NaN alone give NaN here
			return false
		}
	}
	return true
}

func (c *columns) zeroDivisor(st *sampleStep, i int) bool {
	for _, r := range st.divisors {
		x := &c.regs[r]
		_, s := c.rowsOf(x)
		if x.num[i*s] == 0 && !x.isNull(i) {
			return true
		}
	}
	return false
}

func (c *columns) flawedName(st *sampleStep, i int) bool {
	for _, n := range st.names {
		if c.hasFlaw[n] && c.flawed[n][i] {
			return true
		}
	}
	return false
}
