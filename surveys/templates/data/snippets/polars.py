import polars as pl

base = "{{ base }}"
# Parquet holds the types, and only the columns that are asked for are fetched.
returns = pl.scan_parquet(base + "returns.parquet")
counts = pl.scan_parquet(base + "counts.parquet")
index = pl.scan_parquet(base + "index_level.parquet")

effort = returns.select(pl.len(), pl.col("trap_nights").sum()).collect()
catch = counts.join(returns, on="return_id").select(pl.len()).collect()
one = index.filter(
    season="{{ season }}", region="{{ region }}", window="{{ window }}", group="{{ group }}", rim_exponent=1
).collect()

print("returns:", effort["len"].item())
print("counts with their return:", catch["len"].item())
print("trap-nights:", effort["trap_nights"].item())
print("index:", one["estimate"].item())
