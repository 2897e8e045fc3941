# The comparison of TestAgainstR in R: reads picks.csv, split.csv and drops.csv in the folder
# given, writes results.csv (name, value) and prints the seconds that the comparison itself took, of
# processor and on the clock.
setwd(commandArgs(TRUE)[1])
options(digits = 17)
result <- list()
put <- function(name, ...) result[[length(result) + 1]] <<- data.frame(name = name, value = c(...))

# 24 setups against each other within their bag, pieces as blocks: means of logarithms by
# piece and paired t; times by medians, Wilcoxon's signed ranks and the
# Hodges-Lehmann shift; how many pieces would show 10 %; Holm over all.
picks <- read.csv("picks.csv")
measures <- setdiff(names(picks), c("bag", "cup", "piece"))
skewed <- c("seal_time_s", "response_delay_s", "release_time_s")
took <- system.time({
  rows <- list()
  for (m in measures) {
    middle <- if (m %in% skewed) median else mean
    unit <- aggregate(list(y = log(picks[[m]])), picks[c("bag", "cup", "piece")], middle)
    for (bag in unique(unit$bag)) {
      of <- split(unit[unit$bag == bag, ], unit$cup[unit$bag == bag])
      of <- lapply(of, function(d) d$y[order(d$piece)])
      cups <- sort(names(of))
      for (i in seq_along(cups)) for (j in seq_along(cups)) if (i < j) {
        a <- of[[cups[i]]]; b <- of[[cups[j]]]
        if (m %in% skewed) {
          w <- wilcox.test(a, b, paired = TRUE, conf.int = TRUE)
          ci <- w$conf.int; est <- median(outer(a - b, a - b, "+")[lower.tri(diag(length(a)), TRUE)] / 2)
        } else {
          w <- t.test(a, b, paired = TRUE)
          ci <- w$conf.int; est <- mean(a - b)
        }
        # pieces that would show 10 % at a power of 80 %, where nothing was shown; two at least
        need <- 0
        if (w$p.value > 0.05) need <- tryCatch(ceiling(power.t.test(delta = log(1.1), sd = sd(a - b), power = 0.8, type = "paired", strict = TRUE)$n), error = function(e) 2)
        rows[[length(rows) + 1]] <- list(name = paste(m, bag, cups[i], cups[j]), p = w$p.value, est = est, lo = ci[1], hi = ci[2], need = need)
      }
    }
  }
  adjusted <- p.adjust(sapply(rows, `[[`, "p"), "holm")
})
for (k in seq_along(rows)) {
  r <- rows[[k]]
  put(r$name, r$p, adjusted[k], 100 * expm1(r$est), 100 * expm1(r$lo), 100 * expm1(r$hi), r$need)
}

# A split plot: engines between whole plots, cups within plots and pieces.
split <- read.csv("split.csv")
for (f in c("engine", "cup", "plot", "piece")) split[[f]] <- factor(split[[f]])
s <- summary(aov(y ~ engine * cup + Error(plot + piece), split))
plot <- s[["Error: plot"]][[1]]; inner <- s[["Error: Within"]][[1]]
trim <- function(t) trimws(rownames(t))
put("split engine", plot[trim(plot) == "engine", "F value"], plot[trim(plot) == "engine", "Pr(>F)"])
put("split cup", inner[trim(inner) == "cup", "F value"], inner[trim(inner) == "cup", "Pr(>F)"])
put("split engine:cup", inner[trim(inner) == "engine:cup", "F value"], inner[trim(inner) == "engine:cup", "Pr(>F)"])

# Drops in strata: the exact conditional test, and in one stratum Fisher's.
d <- read.csv("drops.csv")
tables <- array(0, c(2, 2, nrow(d)))
for (k in seq_len(nrow(d))) tables[, , k] <- matrix(c(d$x1[k], d$n1[k] - d$x1[k], d$x2[k], d$n2[k] - d$x2[k]), 2)
put("strata", mantelhaen.test(tables, exact = TRUE)$p.value)
put("fisher", fisher.test(tables[, , 1])$p.value)
put("poisson", poisson.test(7, 1)$conf.int)

write.csv(do.call(rbind, result), "results.csv", row.names = FALSE)
cat(took[["user.self"]] + took[["sys.self"]], took[["elapsed"]], "\n")
