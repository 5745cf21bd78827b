# Seconds R's survival package takes over the groups and rows of a directory, as name,seconds lines and checked figures.
#   Rscript survival.R DIRECTORY
library(survival)
here <- commandArgs(TRUE)[1]
seconds <- function(work) { used <- system.time(work()); unname(used[["user.self"]] + used[["sys.self"]]) }
say <- function(name, value) cat(sprintf("%s,%.12g\n", name, value))
episodes <- read.csv(file.path(here, "episodes.csv"))
groups <- split(episodes, episodes$group)
horizon <- 730
say("Kaplan-Meier", seconds(function() for (g in groups) survfit(Surv(days, cause == 1) ~ 1, g, conf.type = "log-log")))
say("Aalen-Johansen", seconds(function() for (g in groups)
  survfit(Surv(days, factor(cause, 0:2)) ~ 1, g, conf.type = "log-log")))
say("restricted mean", seconds(function() for (g in groups)
  summary(survfit(Surv(days, cause == 1) ~ 1, g), rmean = horizon)$table))
say("Weibull", seconds(function() for (g in groups) survreg(Surv(days, cause == 1) ~ 1, g)))
cox <- read.csv(file.path(here, "cox.csv"))
terms <- paste(setdiff(names(cox), c("days", "failed", "vehicle")), collapse = " + ")
say("Cox", seconds(function() fit <<- coxph(as.formula(paste("Surv(days, failed) ~", terms)), cox)))
for (i in seq_along(coef(fit))) say(paste0("coefficient ", i), coef(fit)[i])
for (i in seq_along(coef(fit))) say(paste0("error ", i), sqrt(fit$var[i, i]))
