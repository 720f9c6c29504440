#!/usr/bin/env Rscript
# Recurrent-event figures computed by R and its survival package, for the tests of
# internal/reliability. Prints the values that stand in trend_test.go, events_test.go,
# binomial_test.go, multiple_test.go and shrink_test.go; needs Debian's r-base-core and
# r-cran-survival. Last run with R 4.2.2 and survival 3.5-3.
#
# Likelihoods are maximised numerically over all parameters, and their bounds found by
# maximising under a constraint, another way than in the Go code.
suppressPackageStartupMessages(library(survival))
options(digits = 12)

tight <- list(reltol = 1e-16, maxit = 5000)
maximum <- function(start, f) optim(optim(start, f, control = tight)$par, f, control = tight)

cat("Mean cumulative function of units that came late\n")
d <- data.frame(id = c(1, 1, 1, 2, 2, 3, 3, 3, 4, 5, 5), start = c(0, 12, 40, 5, 30, 20, 33, 51, 0, 60, 71),
                stop = c(12, 40, 90, 30, 70, 33, 51, 80, 55, 71, 100), event = c(1, 1, 0, 1, 0, 1, 1, 0, 0, 1, 0))
f <- survfit(Surv(start, stop, event) ~ 1, id = id, data = d, cluster = id)
print(cbind(time = f$time, at.risk = f$n.risk, mcf = f$cumhaz, se = f$std.chaz)[f$n.event > 0, ])

# Power law with the log likelihood n(ln b + ln lambda) + (b-1) sum(ln t) - lambda sum(end^b - start^b).
power.law <- function(t, start, end) {
  nll <- function(p) -(length(t) * (p[1] + p[2]) + (exp(p[1]) - 1) * sum(log(t)) - exp(p[2]) * sum(end^exp(p[1]) - start^exp(p[1])))
  shape <- function(logb) { b <- exp(logb); -nll(c(logb, log(length(t) / sum(end^b - start^b)))) }
  best <- optimize(shape, c(-5, 3), maximum = TRUE, tol = 1e-13)
  bounds <- function(g, at, lo, hi) c(uniroot(g, c(lo, at), tol = 1e-13)$root, uniroot(g, c(at, hi), tol = 1e-13)$root)
  drop <- function(g) function(x) g(x) - best$objective + qchisq(.95, 1) / 2
  b <- exp(best$maximum)
  cat("shape", b, exp(bounds(drop(shape), best$maximum, -8, 3)), "scale", length(t) / sum(end^b - start^b), "\n")
  age <- max(end)
  intensity <- function(v) {
    at <- function(logb) { b <- exp(logb); -nll(c(logb, v - logb - (b - 1) * log(age))) }
    optimize(at, c(-3, 3), maximum = TRUE, tol = 1e-12)$objective
  }
  top <- optimize(intensity, c(-12, 2), maximum = TRUE, tol = 1e-12)$maximum
  cat("intensity", exp(top), exp(bounds(drop(intensity), top, top - 2, top + 2)), "\n")
}
cat("Power law of units that came late\n")
power.law(d$stop[d$event == 1], tapply(d$start, d$id, min), tapply(d$stop, d$id, max))

cat("Valve seats\n")
v <- valveSeat
last <- tapply(v$time, v$id, max)
t <- v$time[v$status == 1]
end <- last[as.character(v$id[v$status == 1])]
power.law(t, 0 * last, last)
chi2 <- 2 * sum(log(end / t))
cat("chi2", chi2, 2 * length(t), pchisq(chi2, 2 * length(t)), "\n")
cat("laplace", sum(t - end / 2) / sqrt(sum(end^2) / 12), "\n")

negative.binomial <- function(x, exposure) {
  nll <- function(p) -sum(dnbinom(x, size = exp(p[1]), mu = exp(p[2]) * exposure, log = TRUE))
  exp(maximum(c(0, log(sum(x) / sum(exposure))), nll)$par)
}
cat("Shape and mean of the rates of valve seats\n")
print(negative.binomial(tapply(v$status, v$id, sum), last))
cat("Shape and mean of the rates of pumps\n")
x <- c(5, 1, 5, 14, 3, 19, 1, 1, 4, 22)
hours <- c(94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5)
print(negative.binomial(x, hours))
# Both integrals on a fine grid: ln mean flat, shape/(shape + mean count) uniform.
cat("Shrunk rates of the pumps with 90 % bounds\n")
g <- expand.grid(a = exp(seq(-5, 9, .05)), m = exp(seq(-6, 6, .05)))
z <- mean(x)
w <- log(g$a) - 2 * log(g$a + z)
for (i in seq_along(x)) w <- w + dnbinom(x[i], size = g$a, mu = g$m * hours[i], log = TRUE)
w <- exp(w - max(w))
w <- w / sum(w)
g <- g[w > 1e-9, ]
w <- w[w > 1e-9]
print(t(sapply(seq_along(x), function(i) {
  a <- g$a + x[i]
  b <- g$a / g$m + hours[i]
  q <- function(p) uniroot(function(v) sum(w * pgamma(exp(v), a, b)) - p, c(-12, 5), tol = 1e-10)$root
  c(sum(w * a / b), exp(q(.05)), exp(q(.95)))
})))

cat("Exact tests\n")
print(poisson.test(c(11, 21), c(800, 3011))$p.value)
for (k in list(c(3, 20, .35), c(14, 20, .35), c(2, 1000, .01), c(10, 10, .5))) print(binom.test(k[1], k[2], k[3])$p.value)
print(pbinom(3, 20, .35))

cat("Benjamini-Hochberg\n")
print(p.adjust(c(.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590, 1), "BH"))
