library(readr)

base <- "{{ base }}"
# guess_max = Inf: a column that is empty in most rows is still read as what it is.
returns <- read_csv(paste0(base, "returns.csv"), guess_max = Inf, show_col_types = FALSE)
counts <- read_csv(paste0(base, "counts.csv"), guess_max = Inf, show_col_types = FALSE)
index <- read_csv(paste0(base, "index_level.csv"), guess_max = Inf, show_col_types = FALSE)

catch <- merge(counts, returns, by = "return_id")
one <- subset(
  index,
  season == "{{ season }}" & region == "{{ region }}" & window == "{{ window }}" &
    group == "{{ group }}" & rim_exponent == 1
)

cat("returns:", nrow(returns), "\n")
cat("counts with their return:", nrow(catch), "\n")
cat("trap-nights:", format(sum(returns$trap_nights, na.rm = TRUE), digits = 15), "\n")
cat("index:", format(one$estimate, digits = 15), "\n")
