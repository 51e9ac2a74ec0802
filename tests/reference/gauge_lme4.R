# A crossed study with repeats, fitted by lme4: nlme's Machines (6 workers x 3 machines x 3 times;
# Pinheiro and Bates 2000, Mixed-Effects Models in S and S-PLUS, 1.3), workers taken as pieces and
# machines as hands. Run: Rscript tests/reference/gauge_lme4.R > tests/reference/gauge_lme4.json
suppressMessages({library(lme4); library(jsonlite)})
data(Machines, package = "nlme")
Machines <- as.data.frame(Machines)
Machines$Worker <- factor(as.character(Machines$Worker))
fit <- lmer(score ~ 1 + (1 | Worker) + (1 | Machine) + (1 | Worker:Machine), Machines,
            control = lmerControl(optCtrl = list(ftol_abs = 1e-12, xtol_abs = 1e-12)))
sds <- as.data.frame(VarCorr(fit))
cat(toJSON(list(lme4 = as.character(packageVersion("lme4")),
                logLik = as.numeric(logLik(fit)),
                sd = setNames(as.list(sds$sdcor), sds$grp)), auto_unbox = TRUE, digits = 10,
           pretty = TRUE), "\n")
