# Reference fits for tests/mixed, from R's lme4 at its best of several optimisers.
# Run from this folder: Rscript lme4_fits.R   (writes lme4_fits.json; needs lme4, jsonlite)
suppressMessages({library(lme4); library(jsonlite)})

lmer_controls <- list(
  lmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 0.2, rhoend = 1e-9, maxfun = 1e5)),
  lmerControl(optimizer = "nloptwrap", optCtrl = list(xtol_abs = 1e-11, ftol_abs = 1e-11, maxeval = 1e4)),
  lmerControl(optimizer = "Nelder_Mead", optCtrl = list(maxfun = 1e5, FtolAbs = 1e-11, XtolRel = 1e-11)))
glmer_controls <- lapply(c("bobyqa", "Nelder_Mead", "nloptwrap"), function(o)
  glmerControl(optimizer = o, tolPwrss = 1e-10, check.conv.grad = "ignore", check.conv.hess = "ignore",
    optCtrl = switch(o, bobyqa = list(rhobeg = 0.05, rhoend = 1e-9, maxfun = 1e5),
      Nelder_Mead = list(maxfun = 1e5), nloptwrap = list(xtol_abs = 1e-10, ftol_abs = 1e-10, maxeval = 1e4))))

best <- function(fits) fits[[which.max(sapply(fits, function(m) as.numeric(logLik(m))))]]

describe <- function(m, effects = TRUE) {
  vc <- as.data.frame(VarCorr(m))
  rows <- vc[is.na(vc$var2), ]
  out <- list(
    loglik = as.numeric(logLik(m)), df = attr(logLik(m), "df"), nobs = nobs(m),
    aic = AIC(m), bic = BIC(m),
    beta = as.list(fixef(m)), se = as.list(sqrt(diag(as.matrix(vcov(m))))),
    sd = data.frame(group = rows$grp, name = ifelse(is.na(rows$var1), "", rows$var1), sd = rows$sdcor),
    corr = vc[!is.na(vc$var2), "sdcor"], singular = isSingular(m, tol = 1e-6))
  if (effects) {
    re <- as.data.frame(ranef(m, condVar = TRUE))
    out$ranef <- data.frame(group = as.character(re$grpvar), level = as.character(re$grp),
      name = as.character(re$term), mode = re$condval, sd = re$condsd)
  }
  out
}

lmm <- function(f, d, reml = TRUE, effects = TRUE, controls = lmer_controls)
  describe(best(lapply(controls, function(k) suppressMessages(suppressWarnings(
    lmer(f, d, REML = reml, control = k))))), effects)
glmm <- function(f, d, nAGQ = 1, effects = TRUE, controls = glmer_controls)
  describe(best(lapply(controls, function(k) suppressMessages(suppressWarnings(
    glmer(f, d, family = binomial, nAGQ = nAGQ, control = k))))), effects)

VerbAgg$y <- as.integer(VerbAgg$r2 == "Y")
out <- list(
  sleepstudy = lmm(Reaction ~ Days + (Days | Subject), sleepstudy),
  sleepstudy_ml = lmm(Reaction ~ Days + (Days | Subject), sleepstudy, FALSE),
  sleepstudy_uncorrelated = lmm(Reaction ~ Days + (Days || Subject), sleepstudy),
  sleepstudy_three = lmm(Reaction ~ Days + bend + (Days + bend | Subject),
    transform(sleepstudy, bend = (Days - 4.5)^2)),
  Dyestuff = lmm(Yield ~ 1 + (1 | Batch), Dyestuff),
  Dyestuff_ml = lmm(Yield ~ 1 + (1 | Batch), Dyestuff, FALSE),
  Dyestuff2 = lmm(Yield ~ 1 + (1 | Batch), Dyestuff2),
  Penicillin = lmm(diameter ~ 1 + (1 | plate) + (1 | sample), Penicillin),
  Pastes = lmm(strength ~ 1 + (1 | batch/cask), Pastes),
  cake = lmm(angle ~ recipe * temp + (1 | recipe:replicate), cake),
  cbpp = glmm(cbind(incidence, size - incidence) ~ period + (1 | herd), cbpp),
  cbpp_agq9 = glmm(cbind(incidence, size - incidence) ~ period + (1 | herd), cbpp, nAGQ = 9),
  VerbAgg = glmm(y ~ Anger + Gender + btype + situ + (1 | id) + (1 | item), VerbAgg, effects = FALSE,
    controls = glmer_controls[1]),
  InstEval = lmm(y ~ 1 + (1 | s) + (1 | d) + (1 | dept:service), InstEval, effects = FALSE,
    controls = lmer_controls[1]))
out$versions <- list(R = as.character(getRversion()), lme4 = as.character(packageVersion("lme4")))
write_json(out, "lme4_fits.json", auto_unbox = TRUE, digits = 12, dataframe = "columns", pretty = TRUE)
