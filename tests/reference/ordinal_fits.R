# Reference fits of cumulative logit mixed models, from R's ordinal::clmm with tight tolerances.
# Run from this folder: Rscript ordinal_fits.R   (writes ordinal_fits.json; needs ordinal, jsonlite)
suppressMessages({library(ordinal); library(jsonlite)})
control <- clmm.control(method = "nlminb", maxIter = 200, gradTol = 1e-8, maxLineIter = 200, innerCtrl = "noWarn")
# Standard errors are those of the default optimiser: clmm takes its Hessian by differences of a
# log-likelihood whose inner precision control also moves, and by nlminb they differ by 1 % from
# clmm2's, by the default they agree with it to 1e-5.
describe <- function(formula, data, nAGQ = 1) {
  m <- clmm(formula, data = data, control = control, nAGQ = nAGQ)
  se <- sqrt(diag(vcov(clmm(formula, data = data, nAGQ = nAGQ))))
  list(loglik = as.numeric(logLik(m)), aic = AIC(m), thresholds = as.list(m$alpha), beta = as.list(m$beta),
    se_thresholds = as.list(se[names(m$alpha)]), se = as.list(se[names(m$beta)]),
    sd = lapply(VarCorr(m), function(v) as.numeric(attr(v, "stddev"))),
    modes = lapply(ranef(m), function(r) as.list(setNames(r[[1]], rownames(r)))))
}
out <- list(
  wine = describe(rating ~ temp + contact + (1 | judge), wine),
  wine_agq15 = describe(rating ~ temp + contact + (1 | judge), wine, nAGQ = 15),
  wine_two = describe(rating ~ temp + (1 | judge) + (1 | bottle), wine),
  soup = describe(SURENESS ~ PROD + (1 | RESP), soup))
out$versions <- list(R = as.character(getRversion()), ordinal = as.character(packageVersion("ordinal")))
write_json(out, "ordinal_fits.json", auto_unbox = TRUE, digits = 12, pretty = TRUE)
