# Times R's survival package on the life data that main.go wrote and hands back what it
# computed. Called as: Rscript life.R FOLDER ROWS
suppressPackageStartupMessages(library(survival))
args <- commandArgs(TRUE)
folder <- args[1]; n <- as.numeric(args[2])
column <- function(name) { f <- file(file.path(folder, name), "rb"); on.exit(close(f)); readBin(f, "double", n) }
time <- column("time"); event <- column("event"); group <- column("group")
invisible(gc())
spent <- function(t) c(t[["user.self"]] + t[["sys.self"]], t[["elapsed"]])
km_time <- spent(system.time(km <- survfit(Surv(time, event) ~ group, conf.type = "log-log")))
invisible(gc())
weibull_time <- spent(system.time(fits <- lapply(0:1, function(g) survreg(Surv(time, event) ~ 1, subset = group == g))))
invisible(gc())
logrank_time <- spent(system.time(test <- survdiff(Surv(time, event) ~ group)))
f <- file(file.path(folder, "answer"), "wb")
put <- function(x) writeBin(as.double(x), f)
put(km_time); put(weibull_time); put(logrank_time)
put(vapply(fits, function(s) c(1 / s$scale, exp(coef(s)), s$loglik[1]), numeric(3)))
put(c(test$chisq, test$exp))
for (g in 1:2) {
  k <- km[g]; keep <- k$n.event > 0
  put(sum(keep))
  put(k$time[keep]); put(k$surv[keep]); put(k$std.err[keep] * k$surv[keep]); put(k$lower[keep]); put(k$upper[keep])
}
close(f)
cat(as.character(getRversion()), as.character(packageVersion("survival")), "\n")
