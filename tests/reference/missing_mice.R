# Writes missing_mice.json: multiple imputation by mice and pan, pooled by Rubin's rules.
# Run as: Rscript tests/reference/missing_mice.R      (mice, pan, lme4, mlmRev, jsonlite; a minute)
#
# Data: Exam of mlmRev, the first 15 pupils of schools 1 to 40. The reading test standLRT is removed
# by a rule that hangs on the examination (0.6 of those above its mean, 0.2 of the others, by row
# number) and from every eighth school altogether. Imputed by pan (Schafer and Yucel 2002): the
# outcome, its mean in the school, sex, a random intercept of the school.
suppressMessages({ library(mice); library(pan); library(lme4); library(jsonlite) })
arguments <- commandArgs(FALSE)
here <- dirname(sub("--file=", "", grep("--file=", arguments, value = TRUE)))
data(Exam, package = "mlmRev")
m <- 200

Exam$number <- seq_len(nrow(Exam))
Exam$pupil <- ave(Exam$number, Exam$school, FUN = seq_along)
d <- subset(Exam, as.integer(as.character(school)) <= 40 & pupil <= 15)
d$pass <- as.numeric(d$normexam > 0)
u <- (d$number * 7919) %% 1000 / 1000
never <- as.integer(as.character(d$school)) %% 8 == 0
gone <- u < ifelse(d$pass == 1, 0.6, 0.2) | never
d$read <- ifelse(gone, NA, d$standLRT)
d$female <- as.numeric(d$sex == "F")
d$class <- as.integer(factor(d$school))

pooled <- function(response, fit) {
  outcome <- d[[response]]
  known <- cbind(1, outcome, ave(outcome, d$class), d$female)
  # one chain each, the priors on both variances weak: 1 degree of freedom, scale 0.05
  prior <- list(a = 1, Binv = matrix(0.05), c = 1, Dinv = matrix(0.05))
  values <- sapply(seq_len(m), function(i) {
    y <- matrix(d$read)
    pan(y, d$class, known, 1:4, 1, prior, seed = i, iter = 300)$y[gone]
  })
  fits <- lapply(seq_len(m), function(i) fit(transform(d, read = replace(read, gone, values[, i]))))
  Q <- sapply(fits, fixef)
  U <- sapply(fits, function(f) diag(as.matrix(vcov(f))))
  rules <- function(q, u) {
    p <- pool.scalar(q, u, n = Inf)
    list(estimate = p$qbar, within = p$ubar, between = p$b, total = p$t, df = p$df, missing = p$fmi)
  }
  unknown <- never[gone]
  schools <- aggregate(values[unknown, ], list(d$class[gone][unknown]), mean)[, -1]
  list(
    parameters = setNames(lapply(rownames(Q), function(p) rules(Q[p, ], U[p, ])), rownames(Q)),
    first_five = lapply(setNames(rownames(Q), rownames(Q)), function(p)
      c(list(estimates = Q[p, 1:5], variances = U[p, 1:5]), rules(Q[p, 1:5], U[p, 1:5]))),
    filled = list(
      mean_measured_schools = mean(values[!unknown, ]), mean_never_measured = mean(values[unknown, ]),
      sd_measured_schools = sd(values[!unknown, ]), sd_never_measured = sd(values[unknown, ]),
      sd_of_a_school_never_measured = mean(apply(schools, 1, sd))
    )
  )
}
control <- lmerControl(optimizer = "bobyqa")
out <- list(
  made_by = "tests/reference/missing_mice.R",
  versions = lapply(setNames(nm = c("mice", "pan", "lme4", "mlmRev")),
                    function(p) as.character(packageVersion(p))),
  m = m, rows = nrow(d), gone = sum(gone),
  gaussian = pooled("normexam", function(f) lmer(normexam ~ read + female + (1 | class), f,
                                                 control = control)),
  binomial = pooled("pass", function(f) glmer(pass ~ read + female + (1 | class), f,
                                              family = binomial))
)
write_json(out, file.path(here, "missing_mice.json"), auto_unbox = TRUE, digits = 10, pretty = TRUE)
