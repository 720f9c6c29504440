package measure

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/expr-lang/expr/ast"

	"nextprobe/internal/units"
)

// MaxLabel is the longest label of an input or a computed value, in characters:
// what stays on one line above a field on a phone.
const MaxLabel = 40

// Label words the id of an input or of a computed value for a person: what the
// library calls it, else the id with spaces. It begins with a capital letter.
func (m *Measurement) Label(id string) string {
	if in := m.byID[id]; in != nil && in.Label != "" {
		return in.Label
	}
	for i := range m.steps {
		if m.steps[i].ID == id && m.steps[i].Label != "" {
			return m.steps[i].Label
		}
	}
	return upperFirst(strings.ReplaceAll(id, "_", " "))
}

// Words is how a page or a sentence names the outcome.
func (o Outcome) Words() string {
	if o.Label != "" {
		return o.Label
	}
	return strings.ReplaceAll(o.ID, "_", " ")
}

func (m *Measurement) outcomeWords(id string) string {
	for i := range m.outcomes {
		if m.outcomes[i].ID == id {
			return m.outcomes[i].Words()
		}
	}
	return Outcome{ID: id}.Words()
}

func upperFirst(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}

// lowerFirst begins a label within a sentence; an abbreviation or a letter that
// names a phase (A to B) keeps its capital.
func lowerFirst(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if next, _ := utf8.DecodeRuneInString(s[n:]); !unicode.IsLower(next) {
		return s
	}
	return string(unicode.ToLower(r)) + s[n:]
}

// callWords: how a function of the expression language is read aloud, before its
// arguments.
var callWords = map[string]string{
	"mean": "mean of ", "median": "median of ", "sum": "sum of ", "len": "number of ",
	"argmax": "place of the largest of ", "argmin": "place of the smallest of ", "sqrt": "root of ", "ln": "logarithm of ",
}

// phrase words an expression with the labels of what it names.
func (m *Measurement) phrase(n ast.Node) string {
	switch n := n.(type) {
	case *ast.IdentifierNode:
		if x, ok := m.def.Params[n.Value]; ok {
			return units.Number(x, 4)
		}
		return lowerFirst(m.Label(n.Value))
	case *ast.IntegerNode:
		return units.Number(float64(n.Value), 4)
	case *ast.FloatNode:
		return units.Number(n.Value, 4)
	case *ast.StringNode:
		return strings.ReplaceAll(n.Value, "_", " ")
	case *ast.UnaryNode:
		return n.Operator + m.phrase(n.Node)
	case *ast.BinaryNode:
		return m.phrasePair(n)
	case *ast.CallNode:
		return m.phraseCall(n)
	}
	return strings.ReplaceAll(n.String(), "_", " ")
}

func (m *Measurement) phrasePair(n *ast.BinaryNode) string {
	word := map[string]string{"+": " plus ", "-": " minus ", "*": " × ", "/": " / "}[n.Operator]
	if word == "" {
		word = " " + n.Operator + " "
	}
	return m.factor(n, n.Left) + word + m.factor(n, n.Right)
}

// factor brackets a sum that stands in a product.
func (m *Measurement) factor(outer *ast.BinaryNode, n ast.Node) string {
	text := m.phrase(n)
	if b, ok := n.(*ast.BinaryNode); ok && (outer.Operator == "*" || outer.Operator == "/") && (b.Operator == "+" || b.Operator == "-") {
		return "(" + text + ")"
	}
	return text
}

func (m *Measurement) phraseCall(n *ast.CallNode) string {
	args := make([]string, len(n.Arguments))
	for i, a := range n.Arguments {
		args[i] = m.phrase(a)
	}
	switch name := n.Callee.String(); name {
	case "abs":
		return args[0]
	case "max", "min":
		word := map[bool]string{true: "largest of ", false: "smallest of "}[name == "max"]
		return word + strings.Join(args, " and ")
	case "sub", "sub2":
		return args[0] + " minus " + args[1]
	case "count":
		return "number of " + args[0] + " above " + args[1]
	case "count_below":
		return "number of " + args[0] + " below " + args[1]
	case "abs_dev":
		return args[0] + " from their mean"
	default:
		if word, ok := callWords[name]; ok {
			return word + strings.Join(args, " and ")
		}
		return strings.ReplaceAll(name, "_", " ") + " of " + strings.Join(args, " and ")
	}
}

// withValue puts a value behind the words it belongs to. An equals sign parts
// them where the words are a formula or carry figures of their own.
func (m *Measurement) withValue(n ast.Node, value string) string {
	words := m.phrase(n)
	if _, formula := n.(*ast.BinaryNode); formula || strings.ContainsAny(words, "0123456789") {
		return words + " = " + value
	}
	return words + " " + value
}

// magnitudeOf returns x where the node is abs(x) of a single number, so that a
// limit on it can be worded as ± and the value keep its sign.
func magnitudeOf(n ast.Node, sc scope) (ast.Node, bool) {
	c, ok := n.(*ast.CallNode)
	if !ok || c.Callee.String() != "abs" {
		return nil, false
	}
	p, err := compileNode(c.Arguments[0].String(), c.Arguments[0], sc)
	return c.Arguments[0], err == nil && p.typ.kind == kindNumber
}
