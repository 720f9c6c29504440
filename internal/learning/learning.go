// Package learning lets the shop's own jobs move the numbers of the fault
// library: how often a cause is there (priors) and what it shows (links), with
// forgetting and with bounds; and it measures how honest the probabilities were.
// It is pure mathematics on ids and numbers: no clock, no database, no file.
//
// A job that teaches gives a Lesson once, from its own model and evidence, and
// the lesson never changes. Totals are sums of lessons, so that the order in
// which lessons arrive changes nothing but the last digits.
package learning

import "math"

const (
	// Strength is what the library's number is worth, in jobs: the s of
	// Beta(s·μ, s·(1−μ)) for a prior and of the Dirichlet prior for a link.
	Strength = 20
	// HalfLife is after how many days a job counts half: 18 months of 365.25/12 days.
	HalfLife = 18 * 365.25 / 12
	// LeastJobs is how many effective jobs a number needs before it is used.
	LeastJobs = 5
	// MostChange is the factor of the odds beyond which a learned number waits
	// for the owner.
	MostChange = 3
	// NotableChange is the factor of the odds by which a rejected number must
	// have moved before it is put to the owner again.
	NotableChange = 1.5
	// Confidence of every interval of a learned number, two-sided.
	Confidence = 0.90
)

// decay is what a count is worth after some days (0 or more), in (0,1].
//
// Stabilised forgetting (Kulhavý and Zarrop 1993, "On a general concept of
// forgetting", International Journal of Control 58, 905–924) replaces a posterior
// p by p^λ·p₀^(1−λ), normalised, with p₀ the alternative that is returned to: here
// the library's own number. For Beta and Dirichlet distributions that is a plain
// mean of the parameters, α ← λα + (1−λ)α₀, so that the counts above the prior
// decay by λ and the prior stays. With λ = 2^(−days/HalfLife) two steps in
// succession are one step over their sum.
func decay(days float64) float64 { return math.Exp2(-days / HalfLife) }

// Left is what a lesson is worth after some days (0 or more), in (0,1].
func Left(days float64) float64 { return decay(days) }

// resolved is how much of what a job with the outcome fully seen would tell
// about a probability p was told by one in which the posterior probability is
// e: the observed over the complete information, 1 − e(1−e)/(p(1−p)) (the
// missing-information principle: Orchard and Woodbury 1972; Louis 1982, JRSS B
// 44, 226–233). A job that left the cause as probable as before tells nothing,
// one that settled it tells a whole job. Values below 0, where a job raised a
// doubt without settling it, count as 0.
func resolved(e, p float64) float64 { return unresolved(e*(1-e), p*(1-p)) }

func unresolved(left, before float64) float64 {
	if !(before > 0) {
		return 0
	}
	return math.Max(0, math.Min(1, 1-left/before))
}
