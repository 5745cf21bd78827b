# Rscript cox_entry.R: the values of expected/cox_entry.json
library(survival)
strict <- coxph.control(eps = 1e-11, iter.max = 50)
clip <- function(x) unname(x)
values <- function(fit, newdata) {
  zph <- lapply(c("km", "identity", "rank", "log"), function(g) {
    z <- cox.zph(fit, transform = g, terms = FALSE)
    list(chisq = clip(z$table[, "chisq"]), p = clip(z$table[, "p"]))
  })
  names(zph) <- c("km", "identity", "rank", "log")
  z <- cox.zph(fit, terms = FALSE)
  base <- survfit(fit, newdata = newdata)
  s <- summary(base, times = base$time[base$n.event > 0])
  list(coef = clip(coef(fit)), naive = clip(if (is.null(fit$naive.var)) fit$var else fit$naive.var), var = clip(fit$var),
       loglik = fit$loglik, n = fit$n, nevent = fit$nevent, zph = zph,
       zph_time = clip(z$time), zph_x = clip(z$x), zph_y = clip(z$y),
       schoenfeld = clip(residuals(fit, "schoenfeld")), score = clip(residuals(fit, "score")),
       base_time = clip(base$time[base$n.event > 0]), base_cumhaz = clip(base$cumhaz[base$n.event > 0]))
}
b <- read.csv("bladder2.csv"); r <- read.csv("rats.csv"); l <- read.csv("lung.csv")
zero <- data.frame(rx = 0, number = 0, size = 0)
# entry delayed, strata by number of earlier recurrences grouped, patients as clusters, tied months
b$late <- as.integer(b$enum > 2)
r$entry <- pmin(30 + (r$litter * 7) %% 40, r$time - 1)
l <- l[!is.na(l$ph.ecog), ]
out <- list(
  R = R.version.string, survival = as.character(packageVersion("survival")), command = "Rscript cox_entry.R",
  bladder2_entry_strata_efron = values(coxph(Surv(start, stop, event) ~ rx + number + size + strata(late), b, cluster = id, ties = "efron", control = strict), zero),
  bladder2_entry_strata_breslow = values(coxph(Surv(start, stop, event) ~ rx + number + size + strata(late), b, cluster = id, ties = "breslow", control = strict), zero),
  bladder2_gap = values(coxph(Surv(stop - start, event) ~ rx + number + size + strata(late), b, cluster = id, control = strict), zero),
  rats_entry = values(coxph(Surv(entry, time, status) ~ rx + strata(sex), r, cluster = litter, control = strict), data.frame(rx = 0)),
  lung = values(coxph(Surv(time, status) ~ age + sex + ph.ecog, l, control = strict), data.frame(age = 0, sex = 0, ph.ecog = 0)))
J <- function(x) {
  if (is.list(x)) paste0("{", paste(sprintf('"%s": %s', names(x), sapply(x, J)), collapse = ",\n"), "}")
  else if (is.character(x)) sprintf('"%s"', x)
  else if (is.matrix(x)) paste0("[", paste(apply(x, 1, J1), collapse = ", "), "]")
  else if (length(x) == 1) sprintf("%.15g", x) else J1(x)
}
J1 <- function(v) paste0("[", paste(sprintf("%.15g", v), collapse = ", "), "]")
writeLines(J(out), "../expected/cox_entry.json")
