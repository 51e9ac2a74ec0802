# Writes inference.json: what R's packages say of tests and intervals for mixed models.
# Run as: Rscript tests/reference/inference.R
# (lme4, lmerTest, performance, emmeans, ordinal, jsonlite; some minutes, most of them in the profile
# of three correlated columns)
suppressMessages({
  library(lme4); library(lmerTest); library(performance); library(emmeans); library(ordinal)
  library(jsonlite)
})
arguments <- commandArgs(FALSE)
here <- dirname(sub("--file=", "", grep("--file=", arguments, value = TRUE)))
out <- list(made_by = "tests/reference/inference.R", versions = list())
for (p in c("lme4", "lmerTest", "performance", "emmeans", "ordinal"))
  out$versions[[p]] <- as.character(packageVersion(p))
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e5))
gtight <- glmerControl(optimizer = "nloptwrap", tolPwrss = 1e-10,
  optCtrl = list(xtol_abs = 1e-10, ftol_abs = 1e-12, maxeval = 1e5))

plain <- transform(cake, recipe = factor(recipe, ordered = FALSE))
cake_fit <- lmer(angle ~ recipe + temp + (1 | recipe:replicate), plain, control = tight)
bent <- transform(sleepstudy, bend = (Days - 4.5)^2)

satterthwaite <- function(model) {
  s <- summary(model, ddf = "Satterthwaite")$coefficients
  lapply(split(s, rownames(s)), function(r) setNames(as.list(r), c("estimate", "se", "df", "t", "p")))
}
out$satterthwaite <- list(
  sleepstudy = satterthwaite(lmer(Reaction ~ Days + (Days | Subject), sleepstudy, control = tight)),
  sleepstudy_intercept = satterthwaite(lmer(Reaction ~ Days + (1 | Subject), sleepstudy, control = tight)),
  cake = satterthwaite(cake_fit),
  penicillin = satterthwaite(lmer(diameter ~ 1 + (1 | plate) + (1 | sample), Penicillin, control = tight))
)

bent_fit <- lmer(Reaction ~ Days + bend + (Days | Subject), bent, control = tight)
one_row <- function(d, names) setNames(as.list(d[1, ]), names)
# a contrast of each fit, its columns tested together, and (sleepstudy) where the denominators differ
out$contrasts <- list(
  cake_b_less_c = one_row(contest1D(cake_fit, c(0, 1, -1, 0), confint = TRUE),
    c("estimate", "se", "df", "t", "low", "high", "p")),
  cake_anova = lapply(split(as.data.frame(anova(cake_fit)), c("recipe", "temp")), one_row,
    c("sum_sq", "mean_sq", "df", "df_residual", "F", "p")),
  bent_slopes = one_row(contestMD(bent_fit, rbind(c(0, 1, 0), c(0, 0, 1))),
    c("sum_sq", "mean_sq", "df", "df_residual", "F", "p")))

limits <- function(model, names) {
  ci <- suppressMessages(confint(profile(model, signames = FALSE)))
  rownames(ci) <- names
  apply(ci, 1, function(r) as.list(setNames(r, c("low", "high"))))
}
out$profile <- list(
  dyestuff = limits(lmer(Yield ~ 1 + (1 | Batch), Dyestuff, REML = FALSE, control = tight),
                    c("sd Batch", "sd Residual", "Intercept")),
  pastes = limits(lmer(strength ~ 1 + (1 | batch/cask), Pastes, REML = FALSE, control = tight),
                  c("sd batch:cask", "sd batch", "sd Residual", "Intercept")),
  sleepstudy = limits(lmer(Reaction ~ Days + (Days || Subject), sleepstudy, REML = FALSE, control = tight),
                      c("sd Subject", "sd Subject Days", "sd Residual", "Intercept", "Days")),
  sleepstudy_correlated = limits(lmer(Reaction ~ Days + (Days | Subject), sleepstudy, REML = FALSE, control = tight),
                      c("sd Subject", "cor Subject Days", "sd Subject Days", "sd Residual", "Intercept", "Days")),
  cbpp = limits(glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), cbpp, binomial, control = gtight),
                c("sd herd", "Intercept", "period[T.2]", "period[T.3]", "period[T.4]")),
  cbpp_agq9 = limits(glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), cbpp, binomial, control = gtight, nAGQ = 9),
                c("sd herd", "Intercept", "period[T.2]", "period[T.3]", "period[T.4]")),
  # two of the correlations' profiles end in linear interpolation, as R warns
  sleepstudy_three = limits(lmer(Reaction ~ Days + bend + (Days + bend | Subject), bent, REML = FALSE, control = tight),
    c("sd Subject", "cor Subject Days", "cor Subject bend", "sd Subject Days", "cor Subject Days bend", "sd Subject bend",
      "sd Residual", "Intercept", "Days", "bend"))
)

adequacy <- function(model) {
  i <- icc(model); r <- r2_nakagawa(model)
  list(icc_adjusted = i$ICC_adjusted, icc_unadjusted = i$ICC_unadjusted,
       r2_conditional = unname(r$R2_conditional), r2_marginal = unname(r$R2_marginal))
}
out$adequacy <- list(
  sleepstudy = adequacy(lme4::lmer(Reaction ~ Days + (Days | Subject), sleepstudy, control = tight)),
  pastes = adequacy(lme4::lmer(strength ~ 1 + (1 | batch/cask), Pastes, control = tight)),
  cake = adequacy(lme4::lmer(angle ~ recipe + temp + (1 | recipe:replicate), plain, control = tight)),
  cbpp = adequacy(glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), cbpp, binomial, control = gtight)),
  verbagg = adequacy(glmer(r2 ~ btype + (1 | item), VerbAgg, binomial, control = gtight))
)
ck <- check_collinearity(lme4::lmer(angle ~ recipe + temp + (1 | recipe:replicate), transform(cake, recipe = factor(recipe, ordered = FALSE), temp = temp + 3 * (recipe == "B")), control = tight))
out$collinearity <- as.list(setNames(ck$VIF, ck$Term))

as_rows <- function(e) { d <- as.data.frame(e); lapply(seq_len(nrow(d)), function(i) as.list(d[i, ])) }
gm <- glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), cbpp, binomial, control = gtight)
em <- emmeans(gm, ~period)
out$emmeans <- list(
  cbpp_response = as_rows(summary(regrid(em), infer = TRUE)),
  cbpp_link = as_rows(summary(em, infer = TRUE)),
  cbpp_pairs_holm = as_rows(summary(pairs(em), adjust = "holm", infer = TRUE)),
  cbpp_pairs_none = as_rows(summary(pairs(em), adjust = "none", infer = TRUE)),
  cbpp_pairs_bonferroni = as_rows(summary(pairs(em), adjust = "bonferroni"))
)
lm4 <- lme4::lmer(angle ~ recipe + temp + (1 | recipe:replicate), plain, control = tight)
ec <- emmeans(lm4, ~recipe, at = list(temp = 200), lmer.df = "asymptotic")
out$emmeans$cake_recipe <- as_rows(summary(ec, infer = TRUE))
out$emmeans$cake_pairs_holm <- as_rows(summary(pairs(emmeans(cake_fit, ~recipe, lmer.df = "satterthwaite")), adjust = "holm", infer = c(FALSE, TRUE)))

# grades: at effects zero by emmeans; over the judges' distribution by integrating clmm's estimates
wine_fit <- clmm(rating ~ temp + contact + (1 | judge), data = wine)
conditions <- ~ temp + contact
out$grades <- list(
  each = as_rows(emmeans(wine_fit, ~ rating | temp + contact, mode = "prob")),
  at_least_4 = as_rows(emmeans(wine_fit, conditions, mode = "exc.prob", at = list(cut = "3|4"))),
  at_most_3_logit = as_rows(emmeans(wine_fit, conditions, mode = "linear.predictor", at = list(cut = "3|4"))),
  pairs = as_rows(summary(pairs(emmeans(wine_fit, ~temp, mode = "latent")), infer = TRUE)))
over_judges <- function(eta, cut) integrate(function(u)
  plogis(wine_fit$alpha[cut] - eta - u) * dnorm(u, 0, wine_fit$ST$judge), -10, 10, rel.tol = 1e-10)$value
shares <- function(temp, contact) {
  eta <- wine_fit$beta["tempwarm"] * (temp == "warm") + wine_fit$beta["contactyes"] * (contact == "yes")
  sapply(seq_along(eta), function(i) diff(c(0, sapply(names(wine_fit$alpha), over_judges, eta = eta[i]), 1)))
}
out$grades$warm_instead_of_cold <- rowMeans(
  shares(rep("warm", nrow(wine)), wine$contact) - shares(rep("cold", nrow(wine)), wine$contact))
write_json(out, file.path(here, "inference.json"), digits = 10, auto_unbox = TRUE, pretty = TRUE)
