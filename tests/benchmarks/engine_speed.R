# Times R's fits of the models that engine_speed.py names; run by it, not by hand.
# Arguments: folder with the CSV files, repeats. Prints one JSON object: case -> seconds (elapsed, cpu).
suppressMessages({library(lme4); library(glmmTMB); library(jsonlite)})
args <- commandArgs(TRUE); folder <- args[1]; repeats <- as.integer(args[2]); cases <- args[-(1:2)]
read <- function(name) read.csv(file.path(folder, paste0(name, ".csv")), stringsAsFactors = TRUE)
timed <- function(run) {
  all <- sapply(seq_len(repeats), function(i) { gc(); t <- system.time(suppressMessages(suppressWarnings(run())))
    c(t[["elapsed"]], t[["user.self"]] + t[["sys.self"]]) })
  list(elapsed = median(all[1, ]), cpu = median(all[2, ]))
}
success <- success ~ scale(density) + season + (1 | supplier/lot) + (1 | maker)
minutes <- log(minutes) ~ scale(density) + season + (1 | supplier/lot) + (1 | maker)
verbagg <- y ~ Anger + Gender + btype + situ + (1 | id) + (1 | item)
gaussian <- list(insteval = y ~ 1 + (1 | s) + (1 | d) + (1 | dept:service),
                 pupils = y ~ year + (year | child) + (year | school))
out <- list()
for (case in cases) {
  part <- strsplit(case, " ")[[1]]; d <- read(part[2])
  out[[case]] <- switch(part[1],
    glmer = { f <- if (part[2] == "verbagg") verbagg else success; timed(function() glmer(f, d, family = binomial)) },
    glmmTMB = timed(function() glmmTMB(success, d, family = binomial)),
    lmer = { f <- if (part[2] %in% names(gaussian)) gaussian[[part[2]]] else minutes
      timed(function() lmer(f, d)) })
}
cat(toJSON(out, auto_unbox = TRUE, digits = 6))
