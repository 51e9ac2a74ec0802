# Writes term_tests.json: F tests of terms by type II and III, and likelihood ratios, of models with
# interactions. Data: MASS's oats, whole (balanced) and with every seventh row and Golden.rain at
# 0.6cwt gone (unbalanced); nlme's Machines, unbalanced; MASS's bacteria.
# Run as: Rscript tests/reference/term_tests.R (lme4, lmerTest, car, emmeans, MASS, nlme, jsonlite)
# Type III and balanced type II are lmerTest's. Unbalanced, lmerTest's type II weighs by ordinary
# least squares; car's weighs by the coefficients' covariance, as a fit without the interaction
# does: its hypothesis is built here as car builds it, and tested by lmerTest's contestMD.
suppressMessages({library(lme4); library(lmerTest); library(car); library(emmeans); library(jsonlite)})
arguments <- commandArgs(FALSE)
here <- dirname(sub("--file=", "", grep("--file=", arguments, value = TRUE)))
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e5))
gtight <- glmerControl(optimizer = "bobyqa", tolPwrss = 1e-12, optCtrl = list(rhoend = 1e-8, maxfun = 1e5))
packages <- c("lme4", "lmerTest", "car", "emmeans")
out <- list(made_by = "tests/reference/term_tests.R",
  versions = sapply(packages, function(p) as.character(packageVersion(p)), simplify = FALSE))

one_row <- function(d, names) setNames(as.list(unname(d[1, , drop = TRUE])), names)
anova_rows <- function(model, type) {
  d <- as.data.frame(anova(model, type = type))
  lapply(split(d, rownames(d)), one_row, c("sum_sq", "mean_sq", "df", "df_residual", "F", "p"))
}
wald_rows <- function(model, type) {  # car's chi-square over its degrees of freedom is F
  d <- as.data.frame(Anova(model, type = type, test.statistic = "Chisq"))
  d <- d[rownames(d) != "(Intercept)", ]
  lapply(split(d, rownames(d)), function(r) list(F = r[1, 1] / r[1, 2], df = r[1, 2]))
}
complement <- function(model, term, wider) {  # car's ConjComp, with the coefficients' covariance
  assign <- attr(model.matrix(model), "assign"); labels <- attr(terms(model), "term.labels")
  at <- which(assign == match(term, labels)); beyond <- which(assign %in% match(wider, labels))
  V <- as.matrix(vcov(model)); L <- diag(ncol(V))[at, , drop = FALSE]
  if (length(beyond)) L[, beyond] <- -t(solve(V[beyond, beyond], V[beyond, at]))
  as.list(setNames(contestMD(model, L)[1, ], c("sum_sq", "mean_sq", "df", "df_residual", "F", "p")))
}
both <- function(formula, data, first, second) {
  model <- lmer(formula, data, control = tight)
  summed <- lmer(formula, data, control = tight,
    contrasts = setNames(lapply(c(first, second), function(v) if (is.factor(data[[v]])) "contr.sum"), c(first, second))[sapply(c(first, second), function(v) is.factor(data[[v]]))])
  wide <- paste(first, second, sep = ":")
  list(III = anova_rows(model, "III"), III_car = wald_rows(summed, "III"),
    II_lmerTest = anova_rows(model, "II"), II_car = wald_rows(model, "II"),
    II = setNames(list(complement(model, first, wide), complement(model, second, wide),
      complement(model, wide, character(0))), c(first, second, wide)))
}
oats <- MASS::oats
some <- oats[seq_len(nrow(oats)) %% 7 != 0 & !(oats$V == "Golden.rain" & oats$N == "0.6cwt" & oats$B != "I"), ]
split_plot <- Y ~ V * N + (1 | B/V)
out$oats <- both(split_plot, oats, "V", "N")
out$oats_unbalanced <- both(split_plot, some, "V", "N")
some$x <- as.numeric(substr(some$N, 1, 3))
out$oats_covariate <- both(Y ~ V * x + (1 | B/V), some, "V", "x")
machines <- as.data.frame(nlme::Machines)
machines$Worker <- factor(as.character(machines$Worker), ordered = FALSE)
machines$shift <- factor(ifelse(seq_len(nrow(machines)) %% 3 == 0, "late", "early"))
machines <- machines[seq_len(nrow(machines)) %% 5 != 0, ]
out$machines <- both(score ~ Machine * shift + (1 | Worker), machines, "Machine", "shift")
out$oats_pairs <- lapply(c("bonferroni", "sidak", "none"), function(a) {
  d <- as.data.frame(summary(pairs(emmeans(lmer(Y ~ V + N + (1 | B/V), some, control = tight), ~N,
    lmer.df = "satterthwaite")), adjust = a, infer = TRUE))
  lapply(seq_len(nrow(d)), function(i) as.list(d[i, ]))
})
names(out$oats_pairs) <- c("bonferroni", "sidak", "none")

# likelihood ratios: type II from fits without the interaction, type III by columns that sum to zero
bacteria <- transform(MASS::bacteria, good = as.numeric(y == "y"), late = factor(ifelse(week > 4, "late", "early")))
fitted_with <- function(formula) as.numeric(logLik(glmer(formula, bacteria, binomial, control = gtight)))
contrasts(bacteria$trt) <- contr.sum(3); contrasts(bacteria$late) <- contr.sum(2)
X <- model.matrix(~ trt * late, bacteria); colnames(X) <- c("i", "t1", "t2", "l", "t1l", "t2l")
bacteria <- cbind(bacteria, X)
whole <- fitted_with(good ~ t1 + t2 + l + t1l + t2l + (1 | ID))
additive <- fitted_with(good ~ t1 + t2 + l + (1 | ID))
out$bacteria <- list(
  II = list(trt = 2 * (additive - fitted_with(good ~ l + (1 | ID))),
    late = 2 * (additive - fitted_with(good ~ t1 + t2 + (1 | ID))), "trt:late" = 2 * (whole - additive)),
  III = list(trt = 2 * (whole - fitted_with(good ~ l + t1l + t2l + (1 | ID))),
    late = 2 * (whole - fitted_with(good ~ t1 + t2 + t1l + t2l + (1 | ID))), "trt:late" = 2 * (whole - additive)))
write_json(out, file.path(here, "term_tests.json"), digits = 10, auto_unbox = TRUE, pretty = TRUE)
