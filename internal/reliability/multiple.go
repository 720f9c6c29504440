package reliability

import (
	"cmp"
	"fmt"
	"slices"

	"nextprobe/internal/problem"
)

// BenjaminiHochberg returns, for the p-values of several tests in their order, the
// adjusted p-values and whether each is a finding at the level (Benjamini and
// Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300): with m tests and p(k) the k-th
// smallest
//
//	adjusted(k) = min over j ≥ k of m·p(j)/j, at most 1
//
// and a finding is a test whose adjusted value is at most the level. On average at
// most that share of the findings is false, for tests that are independent or positively
// dependent. Equal p-values get equal answers. level lies between 0 and 1, every p
// within 0 and 1: otherwise it is an Invalid error naming the value (`p[3]`).
func BenjaminiHochberg(p []float64, level float64) (adjusted []float64, finding []bool, err error) {
	if !(level > 0 && level < 1) {
		return nil, nil, problem.InField("level", "must lie between 0 and 1, is %v", level)
	}
	var fields []problem.Field
	order := make([]int, len(p))
	for i, v := range p {
		order[i] = i
		if !(v >= 0 && v <= 1) && len(fields) < maxNamed {
			fields = append(fields, problem.Field{Field: fmt.Sprintf("p[%d]", i), Message: fmt.Sprintf("must lie between 0 and 1, is %v", v)})
		}
	}
	if len(fields) > 0 {
		return nil, nil, problem.InFields(fields)
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[a], p[b]) })
	adjusted, finding = make([]float64, len(p)), make([]bool, len(p))
	least := 1.0
	for k := len(p); k > 0; k-- {
		i := order[k-1]
		least = min(least, float64(len(p))/float64(k)*p[i])
		adjusted[i], finding[i] = least, least <= level
	}
	return adjusted, finding, nil
}
