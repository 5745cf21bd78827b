# Power law and robust trend test of valveseat_entry.csv by direct maximisation and numeric derivatives; quantiles of
# Weibull lives. Writes ../expected/repair_trends.json.
library(survival)
seats <- read.csv("valveseat_entry.csv")
events <- subset(seats, status == 1)
ends <- subset(seats, status == 0)
own <- function(id) events$time[events$id == id]
loglik <- function(p, id) {
  end <- ends[ends$id == id, ]
  age <- own(id)
  sum(p[1] + log(p[2]) + (p[2] - 1) * log(age)) - exp(p[1]) * (end$time^p[2] - end$entry^p[2])
}
total <- function(p) sum(sapply(ends$id, function(id) loglik(p, id)))
p <- c(log(nrow(events) / sum(ends$time - ends$entry)), 1)
p <- optim(p, total, control = list(fnscale = -1, reltol = 1e-14, maxit = 5000))$par
p <- optim(p, total, method = "BFGS", control = list(fnscale = -1, reltol = 1e-15))$par
slope <- function(f, p) sapply(1:2, function(i) {
  h <- c(1e-5, 1e-6)[i] * (1:2 == i)
  (8 * (f(p + h) - f(p - h)) - (f(p + 2 * h) - f(p - 2 * h))) / (12 * sum(h))
})
hessian <- optimHess(p, total, control = list(fnscale = -1, ndeps = c(1e-4, 1e-4)))
scores <- t(sapply(ends$id, function(id) slope(function(q) loglik(q, id), p)))
sandwich <- solve(hessian) %*% crossprod(scores) %*% solve(hessian)
late <- sapply(ends$id, function(id) {
  end <- ends[ends$id == id, ]
  sum(own(id) - (end$entry + end$time) / 2)
})
z <- sum(late) / sqrt(sum(late^2))
lung <- read.csv("lung.csv")
weibull <- function(fit) predict(fit, newdata = data.frame(x = 1), type = "uquantile", p = c(0.1, 0.5), se.fit = TRUE)
q1 <- weibull(survreg(Surv(time, status == 2) ~ 1, lung))
lung$pair <- (seq_len(nrow(lung)) - 1) %/% 2
q2 <- weibull(survreg(Surv(time, status == 2) ~ 1, lung, cluster = pair))
write_values <- function(...) {
  values <- list(...)
  lines <- sapply(names(values), function(name) {
    sprintf('  "%s": [%s]', name, paste(format(values[[name]], digits = 15, trim = TRUE), collapse = ", "))
  })
  writeLines(c("{", paste(lines, collapse = ",\n"), "}"), "../expected/repair_trends.json")
}
write_values(
  shape = p[2], log_rate = p[1], robust_error = sqrt(sandwich[2, 2]), robust_laplace = z,
  robust_p = 2 * pnorm(-abs(z)), lung_log_quantiles = q1$fit, lung_errors = q1$se.fit,
  lung_clustered_errors = q2$se.fit
)
