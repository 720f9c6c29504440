#!/usr/bin/env Rscript
# Life data computed by R and its survival package, for the tests of
# internal/reliability. Writes life.json beside itself; needs Debian's r-base-core and
# r-cran-survival; the tests read the JSON only.
#
# What survival does not offer is computed here another way than in the Go code: the
# left-truncated Weibull by numerical maximisation over both parameters, its bounds by
# maximising under a constraint, the permutation p by survdiff on every arrangement.
suppressPackageStartupMessages(library(survival))

emit <- function(x) {
  if (is.list(x)) {
    body <- vapply(x, emit, "")
    if (is.null(names(x))) return(paste0("[", paste(body, collapse = ",\n"), "]"))
    return(paste0("{", paste0('"', names(x), '":', body, collapse = ",\n"), "}"))
  }
  one <- if (is.character(x)) paste0('"', x, '"')
         else if (is.logical(x)) ifelse(is.na(x), "null", tolower(as.character(x)))
         else ifelse(is.finite(x), sprintf("%.15g", x), "null")
  if (inherits(x, "AsIs") || length(x) != 1) paste0("[", paste(one, collapse = ","), "]") else one
}

curve <- function(s) {
  f <- summary(s, censored = FALSE)
  full <- match(f$time, s$time)
  m <- quantile(s, c(.1, .5))
  list(time = I(f$time), at_risk = I(f$n.risk), failed = I(f$n.event), survival = I(f$surv),
       se = I(ifelse(f$surv > 0, f$std.err, NA)), lower = I(ifelse(f$surv > 0, f$lower, NA)), upper = I(ifelse(f$surv > 0, f$upper, NA)),
       hazard = I(s$cumhaz[full]), hazard_se = I(s$std.chaz[full]),
       p10 = c(m$quantile[1], m$lower[1], m$upper[1]), median = c(m$quantile[2], m$lower[2], m$upper[2]))
}

# Log likelihood of (ln shape, ln scale), written out.
loglik <- function(p, d) {
  b <- exp(p[1]); eta <- exp(p[2])
  with(d, sum(event * (log(b) - log(eta) + (b - 1) * (log(time) - log(eta)))) - sum((time / eta)^b - (entry / eta)^b))
}
mean_life <- function(p) p[2] + lgamma(1 + exp(-p[1]))
life_at <- function(q) function(p) p[2] + log(-log(1 - q)) / exp(p[1])

weibull <- function(d) {
  o <- optim(c(0, log(mean(d$time))), function(p) -loglik(p, d), method = "BFGS", control = list(reltol = 1e-15, maxit = 1000))
  o <- optim(o$par, function(p) -loglik(p, d), method = "Nelder-Mead", control = list(reltol = 1e-16, maxit = 5000))
  best <- -o$value; hat <- o$par
  # The likelihood with one quantity held: the scale follows from it and the shape.
  bounds <- function(q, at_shape) {
    held <- function(v) if (at_shape) optimize(function(e) loglik(c(v, e), d), hat[2] + c(-6, 6), maximum = TRUE, tol = 1e-12)$objective
      else optimize(function(lb) loglik(c(lb, v - (q(c(lb, 0)))), d), hat[1] + c(-4, 3), maximum = TRUE, tol = 1e-12)$objective
    over <- function(v) 2 * (best - held(v)) - qchisq(.95, 1)
    centre <- if (at_shape) hat[1] else q(hat)
    step <- function(sign) { s <- .05; while (over(centre + sign * s) < 0) s <- s * 1.5
      uniroot(over, sort(c(centre, centre + sign * s)), tol = 1e-13)$root }
    exp(c(centre, step(-1), step(1)))
  }
  list(loglik = best, shape = bounds(NULL, TRUE), scale = bounds(function(p) p[2], FALSE),
       b10 = bounds(life_at(.1), FALSE), median = bounds(life_at(.5), FALSE), mean = bounds(mean_life, FALSE))
}

# Every arrangement of the items into two groups of the same sizes.
exact_p <- function(time, event, group) {
  uneven <- function(g) { s <- survdiff(Surv(time, event) ~ g); abs(s$obs[1] - s$exp[1]) }
  seen <- uneven(group); n <- length(time)
  all <- combn(n, sum(group == 1), function(i) { g <- rep(2, n); g[i] <- 1; uneven(g) })
  list(p = mean(all >= seen * (1 - 1e-9)), count = length(all))
}

test <- function(s) list(observed = I(as.vector(s$obs)), expected = I(as.vector(s$exp)), variance = I(diag(as.matrix(s$var))),
  chi2 = s$chisq, df = length(s$n) - 1, p = pchisq(s$chisq, length(s$n) - 1, lower.tail = FALSE))

set.seed(20261125)
fleet <- function(n) { # boards that the shop first saw at some age, followed for a while
  d <- data.frame(time = round(400 * rweibull(n, 1.6, 1), 1), entry = round(runif(n, 0, 350) * rbinom(n, 1, .8), 1),
                  end = round(runif(n, 50, 500), 1), group = 1 + rbinom(n, 2, .4), mode = 1 + rbinom(n, 2, .3))
  d <- d[d$time > d$entry, ]
  d$event <- as.integer(d$time <= d$entry + d$end)
  d$time <- pmin(d$time, d$entry + d$end)
  d$mode <- d$mode * d$event
  d[order(d$group), ]
}
f <- fleet(150)
late <- f[f$entry > 0, ]
mp <- data.frame(time = c(6,6,6,6,7,9,10,10,11,13,16,17,19,20,22,23,25,32,32,34,35, 1,1,2,2,3,4,4,5,5,8,8,8,8,11,11,12,12,15,17,22,23),
                 event = c(1,1,1,0,1,0,1,0,0,1,1,0,0,0,1,1,0,0,0,0,0, rep(1, 21)), group = rep(1:2, each = 21), entry = 0)
nist <- data.frame(time = c(54,187,216,240,244,335,361,373,375,386, rep(500, 10)), event = rep(1:0, each = 10), entry = 0)
few <- data.frame(time = c(3, 5, 8, 12, 13, 18, 4, 21, 25, 30), event = c(1, 1, 0, 1, 0, 1, 0, 1, 0, 1), group = rep(1:2, c(6, 4)))

cif <- function(d) {
  d <- d[d$time > 0, ]
  s <- survfit(Surv(time, factor(mode, 0:3)) ~ 1, data = d, id = seq_along(d$time))
  keep <- rowSums(s$n.event) > 0
  list(time = I(s$time[keep]), incidence = lapply(2:4, function(k) I(s$pstate[keep, k])), se = lapply(2:4, function(k) I(s$std.err[keep, k])))
}
# The same for late entries. There survfit's infinitesimal jackknife is another
# estimate than the multinomial one: it squares each item's whole influence, and items
# that entered in between make products over different times that do not vanish. So
# the multinomial error is written out with the matrices of transition,
# Var p(t) = sum over u of S(u-)^2 P(u,t)' Cov(h(u)) P(u,t), and proved on data from new.
multinomial <- function(d, times) {
  k <- 3
  steps <- lapply(times, function(u) {
    n <- sum(d$entry < u & d$time >= u)
    h <- vapply(1:k, function(m) sum(d$mode == m & d$time == u), 0) / n
    A <- diag(k + 1); A[1, ] <- c(1 - sum(h), h)
    cov <- (diag(c(0, h)) - c(0, h) %o% c(0, h)) / n
    cov[1, -1] <- -rowSums(cov[-1, -1, drop = FALSE]); cov[-1, 1] <- cov[1, -1]; cov[1, 1] <- -sum(cov[1, -1])
    list(A = A, cov = cov)
  })
  se <- matrix(0, length(times), k)
  for (t in seq_along(times)) {
    V <- matrix(0, k + 1, k + 1); P <- diag(k + 1)
    for (u in t:1) {
      S <- prod(vapply(steps[seq_len(u - 1)], function(s) s$A[1, 1], 0))
      V <- V + S^2 * t(P) %*% steps[[u]]$cov %*% P
      P <- steps[[u]]$A %*% P
    }
    se[t, ] <- sqrt(diag(V)[-1])
  }
  se
}
cif_late <- function(d) {
  s <- survfit(Surv(entry, time, factor(mode, 0:3)) ~ 1, data = d, id = seq_along(d$time))
  keep <- rowSums(s$n.event) > 0
  new <- d; new$entry <- 0
  from_new <- cif(new)
  stopifnot(max(abs(multinomial(new, from_new$time) - do.call(cbind, from_new$se))) < 1e-12)
  se <- multinomial(d, s$time[keep])
  list(time = I(s$time[keep]), incidence = lapply(2:4, function(k) I(s$pstate[keep, k])), se = lapply(1:3, function(k) I(se[, k])))
}

# survdiff takes no entries; the score test of the exact partial likelihood is the
# log-rank test with the hypergeometric variance.
score <- function(d) {
  k <- length(unique(d$group)) - 1
  chi2 <- coxph(Surv(entry, time, event) ~ factor(group), data = d, ties = "exact")$score
  list(chi2 = chi2, df = k, p = pchisq(chi2, k, lower.tail = FALSE))
}

columns <- function(d) list(time = d$time, event = d$event, entry = d$entry, group = d$group - 1, mode = if (is.null(d$mode)) d$event else d$mode)
km <- function(formula, d) curve(survfit(formula, data = d, conf.type = "log-log"))
answer <- list(
  tool = list(R = as.character(getRversion()), survival = as.character(packageVersion("survival"))),
  fleet = columns(f),
  km_fleet = km(Surv(entry, time, event) ~ 1, f),
  weibull_fleet = weibull(f),
  weibull_late = weibull(late),
  incidence_fleet = cif_late(f),
  incidence_from_new = cif(f),
  logrank_fleet_from_new = test(survdiff(Surv(time, event) ~ group, data = f)),
  logrank_fleet = score(f),
  km_6mp = km(Surv(time, event) ~ 1, mp[mp$group == 1, ]),
  km_placebo = km(Surv(time, event) ~ 1, mp[mp$group == 2, ]),
  weibull_6mp = weibull(mp[mp$group == 1, ]),
  logrank_6mp = test(survdiff(Surv(time, event) ~ group, data = mp)),
  weibull_nist = weibull(nist),
  survreg_nist = (function() { s <- survreg(Surv(time, event) ~ 1, data = nist); c(1 / s$scale, exp(coef(s)), s$loglik[1]) })(),
  few = list(time = few$time, event = few$event, group = few$group - 1),
  logrank_few = test(survdiff(Surv(time, event) ~ group, data = few)),
  exact_few = exact_p(few$time, few$event, few$group)
)
args <- commandArgs(FALSE)
here <- dirname(sub("^--file=", "", grep("^--file=", args, value = TRUE)))
writeLines(emit(answer), file.path(here, "life.json"))
