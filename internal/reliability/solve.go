package reliability

import "math"

// root finds where f crosses 0 between a and b, given values fa and fb of opposite
// sign there, to the last digits of a float64. It is the bracketing method of T. R.
// Chandrupatla, Adv. Eng. Softw. 28 (1997) 145-149, which takes inverse quadratic
// steps where these are safe and halves otherwise; gonum has no root finder.
func root(f func(float64) float64, a, fa, b, fb float64) float64 {
	if fa == 0 {
		return a
	}
	if fb == 0 {
		return b
	}
	var c, fc float64 // the point before the last two
	t := .5
	for range 200 {
		x := a + t*(b-a)
		fx := f(x)
		if (fx > 0) == (fa > 0) {
			c, fc = a, fa
		} else {
			c, fc = b, fb
			b, fb = a, fa
		}
		a, fa = x, fx
		best, fBest := a, fa
		if math.Abs(fb) < math.Abs(fa) {
			best, fBest = b, fb
		}
		limit := 2 * eps * math.Abs(best) / math.Abs(b-a)
		if fBest == 0 || limit > .5 {
			return best
		}
		xi, phi := (a-b)/(c-b), (fa-fb)/(fc-fb)
		t = .5
		if phi*phi < xi && (1-phi)*(1-phi) < 1-xi {
			t = fa/(fb-fa)*fc/(fb-fc) + (c-a)/(b-a)*fa/(fc-fa)*fb/(fc-fb)
		}
		t = min(max(t, limit), 1-limit)
	}
	return a
}

// eps is the spacing of float64 at 1, halved.
const eps = 0x1p-53

// excess finds w with w − 1 − ln w = h for an h of 0 or more: the root from 0 to 1,
// or the one from 1 up. Newton's method in ln w runs to it from outside, where the
// function is convex, without leaving its side.
func excess(h float64, above bool) float64 {
	if !(h > 0) {
		return 1
	}
	v := math.Sqrt(2 * h)
	if !above {
		v = -v - h
	}
	for range 60 {
		grown := math.Expm1(v)
		step := (grown - v - h) / grown
		v -= step
		if math.Abs(step) <= 4*eps*math.Abs(v) {
			break
		}
	}
	return math.Exp(v)
}
