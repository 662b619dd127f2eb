# Curves and log-rank tests of each stratum by R's survival package on rows that are in memory, timed by R
# itself. Arguments: the folder that in_r.py fills, how often to repeat. Without the package it ends with 3.
arguments <- commandArgs(trailingOnly = TRUE)
folder <- arguments[1]
repeats <- as.integer(arguments[2])
if (!requireNamespace("survival", quietly = TRUE)) quit(status = 3)
library(survival)

columns <- readLines(file.path(folder, "columns"))
rows <- file.size(file.path(folder, "rows")) / 4 / length(columns)
read <- readBin(file.path(folder, "rows"), "integer", rows * length(columns), size = 4, endian = "little")
table <- as.data.frame(matrix(read, rows, dimnames = list(NULL, columns)))
strata <- setdiff(columns, c("day", "failed"))
table[strata] <- lapply(table[strata], factor)
followed <- Surv(table$day, table$failed)

seconds <- numeric(repeats)
for (turn in seq_len(repeats)) {
  gc()
  begun <- proc.time()[["elapsed"]]
  fits <- lapply(table[strata], function(level) survfit(followed ~ level, conf.type = "log-log"))
  tests <- lapply(table[strata], function(level) survdiff(followed ~ level))
  seconds[turn] <- proc.time()[["elapsed"]] - begun
}

whole <- function(numbers) sprintf("%.17g", numbers)
curves <- do.call(rbind, lapply(strata, function(stratum) {
  fit <- fits[[stratum]]
  level <- rep(as.integer(sub("level=", "", names(fit$strata))), fit$strata)
  data.frame(stratum, level, day = fit$time, survival = whole(fit$surv), lower = whole(fit$lower),
             upper = whole(fit$upper))
}))
tested <- data.frame(stratum = strata, statistic = whole(sapply(tests, `[[`, "chisq")),
                     p = whole(sapply(tests, `[[`, "pvalue")))
write.csv(curves, file.path(folder, "curves.csv"), row.names = FALSE, quote = FALSE)
write.csv(tested, file.path(folder, "tests.csv"), row.names = FALSE, quote = FALSE)
writeLines(whole(seconds), file.path(folder, "seconds"))
writeLines(paste0("R ", getRversion(), ", survival ", packageVersion("survival")), file.path(folder, "version"))
