import pandas as pd

base = "{{ base }}"
# Whole numbers with empty cells between them would become floats: "Int64" keeps them whole.
counts = pd.read_csv(base + "counts.csv", dtype={"count_min": "Int64", "count_max": "Int64"}, low_memory=False)
returns = pd.read_csv(base + "returns.csv", parse_dates=["set_at", "emptied_at"], low_memory=False)
index = pd.read_csv(base + "index_level.csv")

catch = counts.merge(returns, on="return_id")
one = index[
    index["season"].eq("{{ season }}")
    & index["region"].eq("{{ region }}")
    & index["window"].eq("{{ window }}")
    & index["group"].eq("{{ group }}")
    & index["rim_exponent"].eq(1)
]

print("returns:", len(returns))
print("counts with their return:", len(catch))
print("trap-nights:", returns["trap_nights"].sum())
print("index:", one["estimate"].item())
