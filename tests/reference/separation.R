# Writes separation.json: profile limits where a level of a factor has no failure (data: MASS's
# bacteria without the failures of "drug+"), from lme4 alone.
# Run as: Rscript tests/reference/separation.R (lme4, MASS, jsonlite; some seconds)
# A coefficient is held by an offset and the deviance maximised over the rest; its supremum is that
# of the other rows, since rows that are certain add nothing to it.
suppressMessages({library(lme4); library(jsonlite)})
arguments <- commandArgs(FALSE)
here <- dirname(sub("--file=", "", grep("--file=", arguments, value = TRUE)))
tight <- glmerControl(optimizer = "bobyqa", tolPwrss = 1e-12,
  optCtrl = list(rhoend = 1e-8, maxfun = 1e5))
data <- subset(MASS::bacteria, !(trt == "drug+" & y == "n"))
data <- transform(data, good = as.numeric(y == "y"), plus = as.numeric(trt == "drug+"),
  placebo = as.numeric(trt == "placebo"), drug = as.numeric(trt == "drug"))
rest <- subset(data, plus == 0)
others <- glmer(good ~ placebo + week + (1 | ID), rest, binomial, control = tight)
top <- -2 * as.numeric(logLik(others))
depth <- qchisq(0.95, 1)
where <- function(rise, from, to) uniroot(rise, c(from, to), tol = 1e-7)$root
held <- function(formula) function(v) {
  data$v <- v
  -2 * as.numeric(logLik(glmer(formula, data, binomial, control = tight))) - top - depth
}
limits <- confint(profile(others, signames = FALSE, devtol = 1e-6))
rownames(limits) <- c("sd ID", "Intercept", "placebo", "week")
out <- list(made_by = "tests/reference/separation.R",
  versions = list(lme4 = as.character(packageVersion("lme4"))), deviance = top,
  # drug+ against drug, and as the first level: the intercept, and the others against it
  plus_less_drug = where(held(good ~ placebo + week + offset(v * plus) + (1 | ID)), 0, 12),
  plus = where(held(good ~ 0 + drug + placebo + week + offset(v * plus) + (1 | ID)), 0, 12),
  placebo_less_plus = where(held(good ~ 0 + I(plus + placebo) + drug + week + offset(v * placebo) + (1 | ID)), -12, 4),
  others = apply(limits, 1, function(r) as.list(setNames(r, c("low", "high")))))
write_json(out, file.path(here, "separation.json"), digits = 10, auto_unbox = TRUE, pretty = TRUE)
