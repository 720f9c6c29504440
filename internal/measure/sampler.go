package measure

import (
	"math"

	"github.com/expr-lang/expr/ast"
)

// sampler is a numeric measurement as instructions.
type sampler struct {
	m       *Measurement
	code    []instr
	regs    int
	kinds   []kind
	known   map[string]int // expression text -> register
	inputs  []named
	params  []named
	consts  []constant
	steps   []sampleStep
	stepReg map[string]int
	when    []sampleStep
}

type named struct {
	id  string
	reg int
}

type constant struct {
	reg   int
	value column
}

// sampleStep is a computed value or a condition: instructions up to end give it.
type sampleStep struct {
	end, reg        int
	divisors, names []int // registers of divisors, indices of steps it reads
}

// compileSampler returns nil where a value of a kind that columns do not hold (a
// map, a list of texts, a bare null) is part of the formulas.
func compileSampler(m *Measurement) *sampler {
	s := &sampler{m: m, known: map[string]int{}, stepReg: map[string]int{}}
	needed := neededSteps(m)
	index := map[string]int{}
	for i := range m.steps {
		st := &m.steps[i]
		if st.prog == nil || !needed[st.ID] {
			continue
		}
		x, ok := s.step(st.prog, index)
		if !ok {
			return nil
		}
		index[st.ID] = len(s.steps)
		s.stepReg[st.ID] = x.reg
		s.steps = append(s.steps, x)
	}
	for i := range m.outcomes {
		if m.outcomes[i].prog == nil {
			return nil
		}
		x, ok := s.step(m.outcomes[i].prog, index)
		if !ok || s.kinds[x.reg] != kindBool {
			return nil
		}
		s.when = append(s.when, x)
	}
	return s
}

// neededSteps are the computed values the outcomes rest on, however deeply.
func neededSteps(m *Measurement) map[string]bool {
	needed := map[string]bool{}
	for i := range m.outcomes {
		if p := m.outcomes[i].prog; p != nil {
			for _, n := range p.names {
				needed[n] = true
			}
		}
	}
	for i := len(m.steps) - 1; i >= 0; i-- {
		if s := &m.steps[i]; needed[s.ID] && s.prog != nil {
			for _, n := range s.prog.names {
				needed[n] = true
			}
		}
	}
	return needed
}

func (s *sampler) step(p *program, index map[string]int) (sampleStep, bool) {
	reg, ok := s.expr(p.node)
	out := sampleStep{end: len(s.code), reg: reg}
	for _, n := range p.names {
		if i, isStep := index[n]; isStep {
			out.names = append(out.names, i)
		}
	}
	for _, n := range p.divisors {
		if r, known := s.known[n]; known && s.kinds[r] == kindNumber {
			out.divisors = append(out.divisors, r)
		} else if r, known := s.stepReg[n]; known && s.kinds[r] == kindNumber {
			out.divisors = append(out.divisors, r)
		}
	}
	return out, ok
}

func (s *sampler) reg(k kind) int {
	s.regs++
	s.kinds = append(s.kinds, k)
	return s.regs - 1
}

func (s *sampler) constant(text string, v column) (int, bool) {
	r := s.reg(v.kind)
	s.consts = append(s.consts, constant{reg: r, value: v})
	s.known[text] = r
	return r, true
}

func (s *sampler) emit(text string, in instr) (int, bool) {
	in.dst = s.reg(in.kind)
	s.code = append(s.code, in)
	s.known[text] = in.dst
	return in.dst, true
}

func (s *sampler) expr(n ast.Node) (int, bool) {
	text := n.String()
	if r, ok := s.known[text]; ok {
		return r, true
	}
	if i, ok := wholeNumber(n); ok {
		return s.constant(text, numberColumn(float64(i)))
	}
	switch n := n.(type) {
	case *ast.FloatNode:
		return s.constant(text, numberColumn(n.Value))
	case *ast.BoolNode:
		return s.constant(text, column{kind: kindBool, n: 1, bit: []bool{n.Value}})
	case *ast.StringNode:
		return s.constant(text, column{kind: kindText, n: 1, text: []string{n.Value}})
	case *ast.IdentifierNode:
		return s.identifier(n.Value)
	case *ast.UnaryNode:
		return s.unary(text, n)
	case *ast.BinaryNode:
		return s.binary(text, n)
	case *ast.CallNode:
		return s.call(text, n)
	}
	return 0, false
}

// wholeNumber folds what is made of whole literals alone, as the engine does: in
// integers, which know no negative zero.
func wholeNumber(n ast.Node) (int, bool) {
	switch n := n.(type) {
	case *ast.IntegerNode:
		return n.Value, true
	case *ast.UnaryNode:
		i, ok := wholeNumber(n.Node)
		if n.Operator == "-" {
			i = -i
		}
		return i, ok && (n.Operator == "-" || n.Operator == "+")
	case *ast.BinaryNode:
		a, aok := wholeNumber(n.Left)
		b, bok := wholeNumber(n.Right)
		switch n.Operator {
		case "+":
			return a + b, aok && bok
		case "-":
			return a - b, aok && bok
		case "*":
			return a * b, aok && bok
		}
	}
	return 0, false
}

func numberColumn(x float64) column { return column{kind: kindNumber, n: 1, num: []float64{x}} }

func (s *sampler) identifier(id string) (int, bool) {
	if id == "pi" {
		return s.constant(id, numberColumn(math.Pi))
	}
	if r, ok := s.stepReg[id]; ok {
		return r, true
	}
	if in := s.m.byID[id]; in != nil {
		switch in.kind {
		case kindNumber, kindBool, kindText, kindList:
		default:
			return 0, false
		}
		r := s.reg(in.kind)
		s.inputs = append(s.inputs, named{id, r})
		s.known[id] = r
		return r, true
	}
	if _, ok := s.m.def.Params[id]; ok {
		r := s.reg(kindNumber)
		s.params = append(s.params, named{id, r})
		s.known[id] = r
		return r, true
	}
	return 0, false
}

func (s *sampler) unary(text string, n *ast.UnaryNode) (int, bool) {
	r, ok := s.expr(n.Node)
	if !ok {
		return 0, false
	}
	switch n.Operator {
	case "+":
		return r, true
	case "-":
		return s.emit(text, instr{do: doEach, args: []int{r}, kind: kindNumber, f: func(x float64) float64 { return -x }})
	}
	return s.emit(text, instr{do: doNot, args: []int{r}, kind: kindBool})
}

var comparisonsOf = map[string]func(a, b float64) bool{
	"<": func(a, b float64) bool { return a < b }, "<=": func(a, b float64) bool { return a <= b },
	">": func(a, b float64) bool { return a > b }, ">=": func(a, b float64) bool { return a >= b },
	"==": func(a, b float64) bool { return a == b }, "!=": func(a, b float64) bool { return a != b },
}

func isNullNode(n ast.Node) bool {
	id, ok := n.(*ast.IdentifierNode)
	return ok && id.Value == "null"
}

func (s *sampler) binary(text string, n *ast.BinaryNode) (int, bool) {
	for _, side := range [][2]ast.Node{{n.Left, n.Right}, {n.Right, n.Left}} {
		if isNullNode(side[1]) {
			r, ok := s.expr(side[0])
			return s.emitIf(ok, text, instr{do: doIsNull, args: []int{r}, kind: kindBool, op: n.Operator[0]})
		}
	}
	l, lok := s.expr(n.Left)
	r, rok := s.expr(n.Right)
	in := instr{args: []int{l, r}, kind: kindBool}
	switch n.Operator {
	case "and", "&&":
		in.do, in.op = doLogic, '&'
	case "or", "||":
		in.do, in.op = doLogic, '|'
	case "+", "-", "*", "/":
		in.do, in.op, in.kind = doArith, n.Operator[0], kindNumber
	default:
		in.do, in.cmp, in.op = doCompare, comparisonsOf[n.Operator], n.Operator[0]
		if lok && rok && s.kinds[l] != kindNumber {
			in.do = doSame
		}
	}
	return s.emitIf(lok && rok, text, in)
}

func (s *sampler) emitIf(ok bool, text string, in instr) (int, bool) {
	if !ok {
		return 0, false
	}
	return s.emit(text, in)
}

func (s *sampler) call(text string, n *ast.CallNode) (int, bool) {
	name := n.Callee.String()
	if name == "interp" {
		r, ok := s.expr(n.Arguments[0])
		return s.emitIf(ok, text, instr{do: doInterp, args: []int{r}, kind: kindNumber, table: s.m.tables[n.Arguments[1].String()]})
	}
	if name == "sel" {
		return s.sel(text, n)
	}
	proto, ok := columnFunctions[name]
	if !ok {
		return 0, false
	}
	in := proto
	in.args = make([]int, len(n.Arguments))
	types := make([]valueType, len(n.Arguments))
	for i, a := range n.Arguments {
		r, ok := s.expr(a)
		if !ok {
			return 0, false
		}
		in.args[i], types[i].kind = r, s.kinds[r]
	}
	in.kind = functions[name].result(types)
	return s.emit(text, in)
}

// sel may have a bare null as a branch, which no register holds: it becomes a
// null column of the other branch's kind.
func (s *sampler) sel(text string, n *ast.CallNode) (int, bool) {
	cond, ok := s.expr(n.Arguments[0])
	if !ok {
		return 0, false
	}
	var regs [2]int
	for i := range regs {
		branch, other := n.Arguments[1+i], n.Arguments[2-i]
		if isNullNode(branch) {
			o, ok := s.expr(other)
			if !ok {
				return 0, false
			}
			r := s.reg(s.kinds[o])
			s.consts = append(s.consts, constant{r, column{kind: s.kinds[o], n: lengthOf(s.kinds[o]), num: []float64{0}, bit: []bool{false}, text: []string{""}, null: []bool{true}}})
			regs[i] = r
			continue
		}
		r, ok := s.expr(branch)
		if !ok {
			return 0, false
		}
		regs[i] = r
	}
	return s.emit(text, instr{do: doSel, args: []int{cond, regs[0], regs[1]}, kind: s.kinds[regs[0]]})
}

func lengthOf(k kind) int {
	if k == kindList {
		return 0
	}
	return 1
}
