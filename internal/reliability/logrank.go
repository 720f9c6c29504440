package reliability

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"nextprobe/internal/problem"
)

// LogRank compares the lives of several groups. What cannot be said is NaN, and Note
// says why.
type LogRank struct {
	Observed []float64 // failures of each group
	Expected []float64 // failures that each would have had with the failure rates of all together
	Variance []float64 // of Observed − Expected, hypergeometric
	Chi2     float64
	DF       int     // groups with something to compare, less one
	P        float64 // that chance alone makes groups at least this different, from χ²

	// Permutation is there when a group has fewer than FewFailures failures, where χ²
	// cannot be relied on, or when it was asked for.
	Permutation *Permutation
	Note        string
}

// LogRankOptions say how to permute. The zero value permutes where a group is small,
// with seed 0.
type LogRankOptions struct {
	Seed         uint64 // of the random arrangements; the same seed gives the same p
	Permutations int    // how many; 0 chooses by the size of the data, below 0 is Invalid
	Always       bool   // permute even when every group has failures enough
}

// CompareLives is the log-rank test that all groups fail alike (Mantel, Cancer
// Chemother. Rep. 50 (1966) 163-170; Peto and Peto, J. R. Statist. Soc. A 135 (1972)
// 185-207). At each time of failure with n items at risk, n_g of them in group g, and
// d failures
//
//	E_g = d·n_g/n,  Cov_gh = d·(n−d)/(n−1)·(n_g/n)·(δ_gh − n_h/n)
//
// are summed; χ² is the quadratic form of O − E with the inverse covariance. Items
// count as at risk when entry < t ≤ time, so left truncation is allowed for. Groups
// that never were at risk when something failed are left out of the comparison and of
// the degrees of freedom. There must be two groups or more, otherwise the error is
// Invalid. The work is O(rows + times of failure · groups²).
func CompareLives(groups []*Life, o LogRankOptions) (LogRank, error) {
	switch {
	case len(groups) < 2:
		return LogRank{}, problem.InField("groups", "must be two or more, is %d", len(groups))
	case o.Permutations < 0:
		return LogRank{}, problem.InField("permutations", "must be 0 or more, is %d", o.Permutations)
	}
	pooled := pool(groups)
	r := LogRank{Chi2: math.NaN(), P: math.NaN(), Observed: pooled.observed, Expected: pooled.expected}
	for g := range groups {
		r.Variance = append(r.Variance, pooled.covariance.At(g, g))
	}
	chi2, df, ok := pooled.statistic()
	if !ok {
		r.Note = "There is nothing to compare: no two groups were at risk when something failed."
		return r, nil
	}
	r.Chi2, r.DF, r.P = chi2, df, distuv.ChiSquared{K: float64(df)}.Survival(chi2)
	small := false
	for _, l := range groups {
		small = small || l.failures < FewFailures
	}
	if small || o.Always {
		p := permute(groups, o)
		r.Permutation = &p
	}
	return r, nil
}

// pooledGroups sums the comparison over the times of failure.
type pooledGroups struct {
	observed, expected []float64
	covariance         *mat.SymDense
}

func pool(groups []*Life) pooledGroups {
	k := len(groups)
	p := pooledGroups{make([]float64, k), make([]float64, k), mat.NewSymDense(k, nil)}
	cov := p.covariance.RawSymmetric() // upper triangle, written in place for speed
	at := newRiskSet(groups)
	share := make([]float64, k)
	for at.next() {
		n, d := float64(at.total), float64(at.failedTotal)
		for g := range groups {
			share[g] = float64(at.atRisk[g]) / n
			p.observed[g] += float64(at.failed[g])
			p.expected[g] += d * share[g]
		}
		if at.total < 2 {
			continue
		}
		weight := d * (n - d) / (n - 1)
		for g := range k {
			if share[g] == 0 {
				continue
			}
			row := cov.Data[g*cov.Stride : g*cov.Stride+k]
			v := weight * share[g]
			row[g] += v * (1 - share[g])
			for h := g + 1; h < k; h++ {
				row[h] -= v * share[h]
			}
		}
	}
	return p
}

// statistic is χ² with its degrees of freedom; false when nothing can be compared.
func (p pooledGroups) statistic() (chi2 float64, df int, ok bool) {
	var kept []int
	for g, e := range p.expected {
		if e > 0 {
			kept = append(kept, g)
		}
	}
	df = len(kept) - 1
	if df < 1 {
		return 0, 0, false
	}
	// The last group's difference is given by the others.
	kept = kept[:df]
	cov, diff := mat.NewSymDense(df, nil), mat.NewVecDense(df, nil)
	for i, g := range kept {
		diff.SetVec(i, p.observed[g]-p.expected[g])
		for j := i; j < df; j++ {
			cov.SetSym(i, j, p.covariance.At(g, kept[j]))
		}
	}
	var chol mat.Cholesky
	var solved mat.VecDense
	if !chol.Factorize(cov) || chol.SolveVecTo(&solved, diff) != nil {
		return 0, 0, false
	}
	return mat.Dot(diff, &solved), df, true
}

// riskSet walks through the times of failure of several groups together.
type riskSet struct {
	groups                []*Life
	step, passed, entered []int // by group: next step, rows with a time below, entries below
	time                  float64
	atRisk, failed        []int // by group, at time
	total, failedTotal    int
}

func newRiskSet(groups []*Life) *riskSet {
	k := len(groups)
	return &riskSet{groups: groups, step: make([]int, k), passed: make([]int, k), entered: make([]int, k),
		atRisk: make([]int, k), failed: make([]int, k)}
}

// next moves to the next time of failure and counts there; false at the end.
func (r *riskSet) next() bool {
	r.time = math.Inf(1)
	for g, l := range r.groups {
		if r.step[g] < len(l.steps.time) {
			r.time = min(r.time, l.steps.time[r.step[g]])
		}
	}
	if math.IsInf(r.time, 1) {
		return false
	}
	r.total, r.failedTotal = 0, 0
	for g, l := range r.groups {
		r.failed[g] = 0
		if i := r.step[g]; i < len(l.steps.time) && l.steps.time[i] == r.time {
			r.failed[g] = l.steps.failed[i]
			r.step[g]++
		}
		i := r.passed[g]
		for i < len(l.time) && l.time[i] < r.time {
			i++
		}
		r.passed[g] = i
		e := r.entered[g]
		for e < len(l.entries) && l.entries[e] < r.time {
			e++
		}
		r.entered[g] = e
		r.atRisk[g] = l.present(e) - i
		r.total += r.atRisk[g]
		r.failedTotal += r.failed[g]
	}
	return true
}
