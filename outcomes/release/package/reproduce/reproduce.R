# Prints the headline table of survival from repairs.csv alone.
# Needs R with its package survival, nothing else: Rscript reproduce.R

library(survival)

# Beside this file, wherever R was started.
asked <- grep("^--file=", commandArgs(FALSE), value = TRUE)
here <- "."
# R writes a space of the path as ~+~ there.
if (length(asked)) here <- dirname(gsub("~+~", " ", sub("^--file=", "", asked[1]), fixed = TRUE))
repairs <- read.csv(file.path(here, "repairs.csv"))[c("days", "failed", "at_risk_from")]

# Repairs entered late from old notes whose end was known by then were never at risk while known.
late <- repairs$at_risk_from > 0
repairs <- repairs[!(late & repairs$at_risk_from >= repairs$days), ]

# Who entered late is at risk only after the day of entry. All others are at risk from the start, day 0 included:
# an entry one day before says so, since R drops a row whose entry equals its end.
repairs$entry <- ifelse(repairs$at_risk_from > 0, repairs$at_risk_from, -1)

days <- c(`1` = 365, `2` = 730, `5` = 1826)
at_risk <- sapply(days, function(day) sum(repairs$days >= day & repairs$entry < day))
failures <- sapply(days, function(day) sum(repairs$failed == 1 & repairs$days <= day))
share <- rep(NA_real_, length(days))
if (nrow(repairs) > 0) {
  curve <- survfit(Surv(entry, days, failed) ~ 1, data = repairs)
  known <- days <= max(repairs$days)
  share[known] <- stepfun(curve$time, c(1, curve$surv))(days[known])
}

cat(sprintf("%4s %8s %8s %15s\n", "year", "at risk", "failures", "survival"))
cat(sprintf(
  "%4s %8d %8d %15s\n", names(days), as.integer(at_risk), as.integer(failures),
  ifelse(is.na(share), "NA", sprintf("%.12f", share))
), sep = "")
