# Reference values for what is asked of a fit: weights, offsets, models without random terms,
# standard errors of predictions and likelihood ratios at the boundary.
# Run from this folder: Rscript asked_of_fits.R   (writes asked_of_fits.json; needs lme4, glmmTMB,
# ordinal, RLRsim, MASS, nlme, jsonlite). Weights and offsets are made up from the columns.
suppressMessages({library(lme4); library(glmmTMB); library(ordinal); library(RLRsim); library(jsonlite)})

orthodont <- as.data.frame(nlme::Orthodont)
orthodont$Subject <- factor(as.character(orthodont$Subject))
orthodont$w <- orthodont$age / 8
orthodont$shift <- 0.3 * orthodont$age
bacteria <- transform(MASS::bacteria, good = as.integer(y == "y"), w = 1 + week %% 3, shift = 0.1 * week)
soup <- transform(ordinal::soup, grade = ordered(SURENESS), w = 1 + 0.5 * (as.integer(RESP) %% 3),
  shift = 0.2 * (as.integer(RESP) %% 2))
birth <- transform(MASS::birthwt, w = 1 + ftv, shift = 0.01 * lwt, race = factor(race))

fixed <- function(m) list(loglik = as.numeric(logLik(m)), beta = as.list(coef(m)),
  se = as.list(sqrt(diag(as.matrix(vcov(m))))))
mixed <- function(m) {
  vc <- as.data.frame(VarCorr(m)); rows <- vc[is.na(vc$var2), ]
  list(loglik = as.numeric(logLik(m)), aic = AIC(m), beta = as.list(fixef(m)),
    se = as.list(sqrt(diag(as.matrix(vcov(m))))), sd = rows$sdcor)
}
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 0.2, rhoend = 1e-9, maxfun = 1e5))
gtight <- glmerControl(optimizer = "bobyqa", tolPwrss = 1e-10,
  optCtrl = list(rhobeg = 0.05, rhoend = 1e-9, maxfun = 1e5))

# 1. weights and offsets
weighted <- lmer(distance ~ age * Sex + offset(shift) + (age | Subject), orthodont, weights = w, control = tight)
weighted_ml <- update(weighted, REML = FALSE)
plain <- lmer(distance ~ age * Sex + offset(shift) + (1 | Subject), orthodont, weights = w, control = tight)
binary <- glmer(good ~ trt + week + offset(shift) + (1 | ID), bacteria, binomial, weights = w, control = gtight)
binary_agq <- update(binary, nAGQ = 9)
graded <- clmm(grade ~ PROD + (1 | RESP), data = soup, weights = w, control = clmm.control(gradTol = 1e-6))
graded_plain <- clm(grade ~ PROD + offset(shift), data = soup, weights = w)

# 2. no random term
linear <- lm(bwt ~ lwt + smoke * race + offset(shift), birth, weights = w)
logistic <- glm(low ~ lwt + smoke + race + offset(shift), binomial, birth)

# 3. standard errors of predictions: for known levels from H at lme4's θ, and glmmTMB's, which count
# the variances' uncertainty too; for the population x'Vx
joint_se <- function(m, X, Z) {
  L <- getME(m, "Lambda"); W <- Diagonal(x = weights(m)); Zf <- getME(m, "Z"); Xf <- getME(m, "X")
  A <- cbind(Zf %*% L, Xf)
  H <- t(A) %*% W %*% A; q <- ncol(L); H[1:q, 1:q] <- H[1:q, 1:q] + Diagonal(q)
  rows <- cbind(Z %*% L, X)
  sigma(m) * sqrt(rowSums(as.matrix(rows %*% solve(H)) * as.matrix(rows)))
}
take <- c(1, 40, 75, 108)
tmb <- glmmTMB(distance ~ age * Sex + (age | Subject), orthodont, REML = TRUE)
unweighted <- lmer(distance ~ age * Sex + (age | Subject), orthodont, control = tight)
X <- getME(weighted, "X")[take, ]
predicted <- list(rows = take - 1,
  weighted = joint_se(weighted, X, getME(weighted, "Z")[take, ]),
  unweighted = joint_se(unweighted, getME(unweighted, "X")[take, ], getME(unweighted, "Z")[take, ]),
  glmmTMB = as.numeric(predict(tmb, se.fit = TRUE)$se.fit)[take],
  population = sqrt(rowSums((X %*% as.matrix(vcov(weighted))) * X)))
again <- predict(lm(bwt ~ lwt + smoke * race, birth), se.fit = TRUE)
predicted$linear <- list(fit = as.numeric(again$fit[1:3]), se = as.numeric(again$se.fit[1:3]),
  sigma = again$residual.scale)
glmmtmb_binary <- glmmTMB(good ~ trt + week + (1 | ID), bacteria, binomial)
p <- predict(glmmtmb_binary, se.fit = TRUE)
predicted$binary <- list(fit = as.numeric(p$fit)[take], se = as.numeric(p$se.fit)[take])

# 4. likelihood ratios, a variance at its boundary
one <- lmer(distance ~ age + (1 | Subject), orthodont, REML = FALSE, control = tight)
two <- lmer(distance ~ age + (age | Subject), orthodont, REML = FALSE, control = tight)
apart <- lmer(distance ~ age + (1 | Subject) + (0 + age | Subject), orthodont, REML = FALSE, control = tight)
sexes <- lmer(distance ~ age * Sex + (1 | Subject), orthodont, REML = FALSE, control = tight)
rail <- as.data.frame(nlme::Rail); rail$Rail <- factor(as.character(rail$Rail))
# a made-up response with a small variance between rails, so that the ratio is near the boundary
rail$small <- rail$travel - 0.85 * ave(rail$travel, rail$Rail)
rails <- lmer(small ~ 1 + (1 | Rail), rail, control = tight)
none <- lm(small ~ 1, rail)
rails_ml <- update(rails, REML = FALSE)
ratio <- function(m0, m1) 2 * (as.numeric(logLik(m1)) - as.numeric(logLik(m0)))
r2 <- ratio(one, two); r1 <- ratio(one, apart); rr <- ratio(none, rails_ml)
rest <- as.numeric(REMLcrit(rails)) - (-2 * as.numeric(logLik(none, REML = TRUE)))
set.seed(1)
compared <- list(
  slopes = list(statistic = r2, anova_p = anova(one, two)$`Pr(>Chisq)`[2],
    mixture_p = 0.5 * pchisq(r2, 1, lower = FALSE) + 0.5 * pchisq(r2, 2, lower = FALSE),
    aic = c(AIC(one), AIC(two))),
  uncorrelated = list(statistic = r1, mixture_p = 0.5 * pchisq(r1, 1, lower = FALSE)),
  fixed = list(statistic = ratio(one, sexes), anova_p = anova(one, sexes)$`Pr(>Chisq)`[2]),
  rails = list(statistic = rr, mixture_p = 0.5 * pchisq(rr, 1, lower = FALSE),
    restricted = -rest, exact_p = exactLRT(rails_ml, none, nsim = 1e5)$p.value,
    exact_restricted_p = exactRLRT(rails, nsim = 1e5)$p.value))

out <- list(
  weighted = mixed(weighted), weighted_ml = mixed(weighted_ml), plain = mixed(plain),
  binary = mixed(binary), binary_agq = mixed(binary_agq),
  graded = list(loglik = as.numeric(logLik(graded)), beta = as.list(graded$beta), cuts = as.list(graded$alpha),
    se = as.list(sqrt(diag(vcov(graded)))[names(graded$beta)]), sd = as.numeric(sqrt(unlist(VarCorr(graded))))),
  graded_plain = list(loglik = as.numeric(logLik(graded_plain)), beta = as.list(graded_plain$beta),
    cuts = as.list(graded_plain$alpha), se = as.list(sqrt(diag(vcov(graded_plain)))[names(graded_plain$beta)])),
  linear = fixed(linear), logistic = fixed(logistic), predicted = predicted, compared = compared,
  versions = lapply(c(R = "base", lme4 = "lme4", glmmTMB = "glmmTMB", ordinal = "ordinal", RLRsim = "RLRsim"),
    function(p) as.character(packageVersion(p))))
write_json(out, "asked_of_fits.json", auto_unbox = TRUE, digits = 12, pretty = TRUE)
