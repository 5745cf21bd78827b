# Rscript adjusted_incidence.R: the values of expected/adjusted_incidence.json
#
# Each cause's cumulative hazards are survfit's for its own coxph; they are put together here. (survfit of a multi-state
# coxph gives, in survival 3.5-3, other cumulative hazards than the same coxph of one cause does.)
library(survival)
m <- read.csv("mgus2_cr.csv")
m$old <- as.integer(m$age > 75); m$male <- as.integer(m$sex == "M"); m$early <- seq_len(nrow(m)) <= 600
strict <- coxph.control(eps = 1e-11, iter.max = 50)
at <- c(60, 120, 240)
hazard <- function(cause, row) {
  fit <- coxph(Surv(etime, event == cause) ~ old + male + strata(early), m, control = strict)
  s <- survfit(fit, newdata = row)
  list(time = s$time, step = diff(c(0, s$cumhaz)))
}
incidence <- function(row) {
  a <- hazard(1, row); b <- hazard(2, row)
  both <- a$step + b$step
  before <- exp(-(cumsum(both) - both))
  grown <- cumsum(ifelse(both > 0, before * (1 - exp(-both)) * a$step / both, 0))
  grown[findInterval(at, a$time)]
}
cells <- aggregate(count ~ male + early, transform(m, count = 1), sum)
averaged <- function(old) {
  each <- sapply(seq_len(nrow(cells)), function(i)
    incidence(data.frame(old = old, male = cells$male[i], early = cells$early[i])))
  drop(each %*% cells$count) / nrow(m)
}
num <- function(v) paste0("[", paste(sprintf("%.15g", v), collapse = ", "), "]")
writeLines(sprintf('{"R": "%s", "survival": "%s", "command": "Rscript adjusted_incidence.R",\n "times": %s,\n "old": %s,\n "young": %s}',
  R.version.string, packageVersion("survival"), num(at), num(averaged(1)), num(averaged(0))), "../expected/adjusted_incidence.json")
