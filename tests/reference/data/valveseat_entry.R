# Rscript valveseat_entry.R: the values of expected/valveseat_entry.csv, each engine watched since 0 to 1.5 thirds of its age
library(survival)
v <- read.csv("valveseat.csv")
v <- v[order(v$id, v$time, v$status == 0), ]
v$time <- v$time + ave(v$time, v$id, v$time, v$status, FUN = function(x) (seq_along(x) - 1) / 10)
v$entry <- ave(v$time, v$id, FUN = function(x) floor(max(x) / 3))
v$entry <- floor(v$entry * (v$id %% 4) / 2)
v <- v[v$time > v$entry, ]
v$from <- ave(v$time, v$id, FUN = function(x) c(NA, head(x, -1)))
v$from[is.na(v$from)] <- v$entry[is.na(v$from)]
v <- v[v$time > v$from, ]
f <- survfit(Surv(from, time, status) ~ 1, v, id = id)
out <- data.frame(time = f$time, n.risk = f$n.risk, mcf = sprintf("%.15g", f$cumhaz), se_robust = sprintf("%.15g", f$std.chaz))
write.csv(out[f$n.event > 0, ], "../expected/valveseat_entry.csv", row.names = FALSE, quote = FALSE)
write.csv(v[, c("id", "entry", "time", "status")], "valveseat_entry.csv", row.names = FALSE, quote = FALSE)
